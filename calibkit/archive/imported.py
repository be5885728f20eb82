"""From the streams of an XDF file to one recording."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

import calibkit
from calibkit.archive.marked import Marked, marked, part
from calibkit.archive.xdf import XdfFile, XdfStream
from calibkit.errors import CallError, InputError
from calibkit.geometry import Setup
from calibkit.kept.recording import Recording, target_rows
from calibkit.kept.store import Tree
from calibkit.kept.stream_names import StreamNames
from calibkit.streams import lsl_xml
from calibkit.streams.lsl_found import CHANNEL_LIMIT

Array = NDArray[np.float64]
# From elsewhere: what turns markers and screen into (onset, offset, x, y, ...) rows.
Described = Callable[[XdfFile, Setup], Sequence[tuple[Any, ...]]]
_SETUP = ("screen_px", "screen_mm", "distance_mm")


@dataclass(frozen=True, kw_only=True, eq=False)
class Imported:
    """A recording, and what the operator should know of it."""

    recording: Recording
    stream: XdfStream
    notes: tuple[str, ...]


def gaze_stream(file: XdfFile, wanted: str | None = None) -> XdfStream:
    """Choose the stream to import; of several, none is chosen silently.

    Parameters
    ----------
    file : XdfFile
    wanted : str, optional
        Its source_id, its name, or its number in the file, such as "#3".

    Raises
    ------
    CallError
        When several would do, or none is called so.
    InputError
        When the file holds no gaze stream, or the stream cannot be used.
    """
    if wanted is None:
        fit = [s for s in file.streams if s.kind.lower() == "gaze" and not s.is_ours]
        # Text is no gaze; a stream of it is named only where there is no other.
        fit = [s for s in fit if s.form != "string"] or fit
    else:
        fit = [s for s in file.streams if s.is_called(wanted)]
    if len(fit) > 1:
        raise CallError(
            f"{file.path} holds several such streams: {_listed(fit)}; name one with "
            "--stream and its source_id or its number"
        )
    if not fit and wanted is not None:
        raise CallError(
            f"{file.path} holds no stream {wanted[:64]!r}; it holds "
            f"{_listed(file.streams)}"
        )
    if not fit:
        raise InputError(
            f"{file.path} holds no gaze stream ("
            + "; ".join([f"it holds {_listed(file.streams)}", *file.notes])
            + "); record a stream of type Gaze, or name one of these with --stream"
        )
    return _usable(file, fit[0])


def _usable(file: XdfFile, stream: XdfStream) -> XdfStream:
    fault = ""
    if stream.is_ours:
        fault = "is calibrated gaze that calibkit published; import the tracker's own"
    elif stream.form == "string":
        fault = "holds text in place of numbers; choose the tracker's samples"
    elif not 0 < len(stream.channels) <= CHANNEL_LIMIT:
        fault = f"has {len(stream.channels)} channels; use one of 1 to {CHANNEL_LIMIT}"
    elif not stream.read or not len(stream.time):
        fault = "holds no sample; check that the recorder heard the tracker"
    elif not np.isfinite(stream.time).any():
        fault = "holds no finite time stamp; use another copy of the file"
    if fault:
        raise InputError(f"stream {stream.label} of {file.path} {fault}")
    return stream


def _listed(streams: Sequence[XdfStream]) -> str:
    shown = [
        f"{s.label}, type {s.kind or '?'}"
        + (f", {len(s.time)} samples" if s.read else "")
        for s in streams[:20]
    ]
    return "; ".join(shown) or "no stream at all"


def named(stream: XdfStream, names: StreamNames | None) -> StreamNames:
    """Return what the channels are: the user's naming before the stream's own.

    Raises
    ------
    InputError
        When the naming does not fit the stream.
    """
    if names is None:
        return StreamNames(channels=stream.channels)
    fitted = names.fitted(len(stream.channels))
    channels = lsl_xml.named(stream.channels, fitted.table())
    return replace(fitted, channels=channels)


def known_setup(
    flags: Mapping[str, Any], found: Marked, names: StreamNames, stream: XdfStream
) -> dict[str, Any]:
    """Return what is known of the screen: flags, our session, the naming, the stream.

    The session comes before the stream: it names the screen that the targets were on.
    """
    session = found.sessions[0].setup if found.sessions else {}
    known: dict[str, Any] = {}
    for name in _SETUP:
        places = (flags, session, names.setup, stream.setup)
        value = next((p[name] for p in places if p.get(name)), None)
        if value is not None:
            single = isinstance(value, tuple) and len(value) == 1
            known[name] = value[0] if single else value
    return known


def chosen_session(file: XdfFile, number: int | None) -> Marked:
    """Return the markers of the file, or of one of its sessions.

    Raises
    ------
    CallError
        When there is no such session, or sessions on other screens are mixed.
    """
    found = marked([s for s in file.streams if s.read and s.kind.lower() != "gaze"])
    count = len(found.sessions)
    if number is not None:
        if number > count:
            raise CallError(
                f"{file.path} holds {count} session(s) of calibkit, so there is no "
                f"number {number}; choose another with --session"
            )
        return part(found, number)
    if any(s.setup != found.sessions[0].setup for s in found.sessions):
        raise CallError(
            f"{file.path} holds {count} sessions on different screens; choose one "
            "with --session and its number, from 1"
        )
    return found


def recording_of(
    file: XdfFile,
    stream: XdfStream,
    found: Marked,
    *,
    setup: Setup,
    names: StreamNames,
    person: str = "",
    session: str = "",
    described: Described | None = None,
) -> Imported:
    """Make the recording.

    Parameters
    ----------
    file : XdfFile
    stream : XdfStream
        That of `gaze_stream`.
    found : Marked
        That of `chosen_session`.
    setup : Setup
    names : StreamNames
        That of `named`.
    person, session : str
    described : callable, optional
        Gives the targets in place of our own markers.

    Returns
    -------
    Imported

    Raises
    ------
    InputError
        When no gaze was recorded while targets were shown.
    """
    assert stream.samples is not None
    order, notes = _order(stream)
    rows = list(found.rows) if described is None else list(described(file, setup))
    screen = {"screen_px": setup.screen_px, "screen_mm": setup.screen_mm}
    samples = cast("Array", stream.samples[order])
    mend = lsl_xml.mender(names.table(), names.channels, screen)
    time = stream.time[order]
    notes = [*file.notes, *notes, *_met(file, stream, time, rows)]
    anew = [
        (float(stream.time[b]), "the stream's clock began anew")
        for b in stream.breaks
        if 0 <= b < len(stream.time)
    ]
    recording = Recording(
        setup=setup,
        time=time,
        samples=samples if mend is None else mend(samples),
        channels=names.channels,
        targets=target_rows(rows),
        target_path=found.path if described is None else None,
        person=person,
        session=session,
        created=_utc(file.created),
        software=f"calibkit {calibkit.__version__}, imported from XDF",
        name=stream.name,
        source_id=stream.source_id,
        nominal_rate=stream.nominal_rate,
        events=tuple(sorted([*found.events, *anew])),
        time_raw=stream.time_raw[order],
        clock=stream.clock,
        unknown=Tree(attrs={"/gaze": dict(stream.device)}) if stream.device else None,
    )
    return Imported(recording=recording, stream=stream, notes=tuple(notes))


def _order(stream: XdfStream) -> tuple[NDArray[np.intp], list[str]]:
    """Return which samples are used, by time, and what was wrong with their stamps."""
    fine = np.flatnonzero(np.isfinite(stream.time))
    order = fine[np.argsort(stream.time[fine], kind="stable")]
    notes = []
    if len(fine) < len(stream.time):
        notes.append(f"{len(stream.time) - len(fine)} samples without a stamp left out")
    backward = int(np.sum(np.diff(stream.time[fine]) < 0))
    if backward:
        notes.append(f"stamps ran backward {backward} times; samples are put in order")
    if len(stream.breaks):
        notes.append(
            f"the clock of {stream.label} began anew {len(stream.breaks)} time(s); "
            "each part was moved by its own offset"
        )
    elif not len(stream.clock):
        notes.append(
            f"{stream.label} has no clock offsets, so its stamps are taken as they are"
        )
    return order, notes


def _met(
    file: XdfFile, stream: XdfStream, time: Array, rows: Sequence[tuple[Any, ...]]
) -> list[str]:
    """Say whether gaze was recorded during the targets."""
    if not rows:
        return ["the file names no targets; fit needs some, or --targets FILE"]
    onset, offset = (np.array([row[k] for row in rows], float) for k in (0, 1))
    inside = np.searchsorted(time, offset, "right") - np.searchsorted(time, onset)
    if not (inside > 0).any():
        raise InputError(
            f"no sample of {stream.label} in {file.path} was taken while a target was "
            f"shown: its stamps run from {time[0]:.3f} to {time[-1]:.3f} s, the "
            f"targets from {onset.min():.3f} to {offset.max():.3f} s; the sender uses "
            "another clock: have it stamp with the stream library's own"
        )
    empty = int(np.sum(inside <= 0))
    return [f"no sample was taken during {empty} of {len(rows)} targets"] * bool(empty)


def _utc(text: str) -> str:
    """Return the file's date in UTC, "" where it names none or no zone."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return ""
    if found.tzinfo is None:
        return ""
    return found.astimezone(UTC).isoformat(timespec="seconds")
