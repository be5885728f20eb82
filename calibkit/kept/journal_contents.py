"""What a journal holds, as far as it can be read, and the recording it makes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept import disk, frames, recording_file

LIMIT_BYTES = 8 << 30
KINDS = ("header", "gaze", "target", "path", "event", "clock", "end")
# What content raises that only another program can have written.
_UNKNOWN = (
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    AttributeError,
    RecursionError,
    MemoryError,
)
_WORDS = ("person", "session", "created", "software", "name", "source_id")


@dataclass(kw_only=True)
class Contents:
    """What a journal holds; `faults` says in words what is lost."""

    header: dict[str, Any] = field(default_factory=dict)
    gaze: list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]] = field(
        default_factory=list
    )
    targets: dict[int, list[Any]] = field(default_factory=dict)
    path: list[NDArray[np.float64]] = field(default_factory=list)
    events: list[tuple[float, str]] = field(default_factory=list)
    clock: list[NDArray[np.float64]] = field(default_factory=list)
    complete: bool = False
    faults: list[str] = field(default_factory=list)


def read(path: Path | str) -> Contents:
    """Read all good frames of a journal; damage is told in `faults`, never raised.

    Parameters
    ----------
    path : path of a journal

    Returns
    -------
    Contents

    Raises
    ------
    InputError
        When the file cannot be read, or holds no readable header.
    """
    path = Path(path)
    contents = Contents()
    data = disk.read_regular(path, LIMIT_BYTES)
    for frame in _in_order(data, contents.faults):
        try:
            _take(contents, frame)
        except _UNKNOWN:
            contents.faults.append(f"frame {frame.sequence} has no known content")
    if not contents.complete:
        contents.faults.append("the session did not end properly")
    if not contents.header:
        raise InputError(
            f"{path} holds no readable header of a session; it cannot become a "
            "recording, keep it for a closer look"
        )
    return contents


def fields_of(contents: Contents) -> dict[str, Any]:
    """Turn a journal's contents into the fields of `Recording`."""
    header = _plain(contents.header)
    channels = header["channels"]
    rows = [contents.targets[i] for i in sorted(contents.targets)]
    chunks = [g for g in contents.gaze if g[2].shape[1] == len(channels)]
    empty = (np.empty(0), np.empty(0), np.empty((0, len(channels))))
    stamps, raw, samples = (
        np.concatenate(column) for column in zip(*(chunks or [empty]), strict=True)
    )
    last_s = float(stamps[-1]) if len(stamps) else 0.0
    events = [*contents.events, *((last_s, f"journal: {f}") for f in contents.faults)]
    return {
        **header,
        "time": stamps,
        "time_raw": raw,
        "samples": samples,
        "targets": np.array([tuple(r) for r in rows], recording_file.TARGET_DTYPE),
        "target_path": np.concatenate([np.empty((0, 3)), *contents.path]),
        "events": tuple(events),
        "clock": np.concatenate([np.empty((0, 2)), *contents.clock]),
        "unknown": None,
    }


def _plain(header: dict[str, Any]) -> dict[str, Any]:
    """Turn a header into fields of `Recording`; another program's raises anything."""
    return {
        **{name: str(header.get(name, "")) for name in _WORDS},
        "attempt": int(header.get("attempt", 1)),
        "nominal_rate": float(header.get("nominal_rate", 0.0)),
        "protocol": str(header.get("protocol", "")),
        "setup": Setup(**header["setup"]),
        "channels": tuple(Channel(**c) for c in header["channels"]),
    }


def _in_order(data: bytes, faults: list[str]) -> Iterator[frames.Frame]:
    """Yield one session's frames in order; tell of all that is left out."""
    last, session, strange = -1, None, 0
    for frame in frames.decode(data):
        if frame.skipped:
            faults.append(f"{frame.skipped} bytes are unreadable after frame {last}")
        if frame.kind < 0:
            continue
        session = session or frame.session
        if frame.session != session or frame.sequence <= last:
            strange += 1
            continue
        if frame.sequence > last + 1:
            lost = frame.sequence - last - 1
            faults.append(f"{lost} frames are lost after frame {last}")
        last = frame.sequence
        yield frame
    if strange:
        faults.append(f"{strange} frames of another session or out of order left out")


def _take(contents: Contents, frame: frames.Frame) -> None:
    kind, body = KINDS[frame.kind], frame.body
    if kind == "header":
        header = json.loads(body)
        _plain(header)
        contents.header = contents.header or header
    elif kind == "gaze":
        contents.gaze.append(_gaze(body))
    elif kind == "target":
        index, row = json.loads(body)
        np.array([tuple(row)], recording_file.TARGET_DTYPE)
        contents.targets[int(index)] = row
    elif kind == "path":
        contents.path.append(np.frombuffer(body, "<f8").reshape(-1, 3))
    elif kind == "event":
        time_s, text = json.loads(body)
        contents.events.append((float(time_s), str(text)))
    elif kind == "clock":
        contents.clock.append(np.frombuffer(body, "<f8").reshape(-1, 2))
    else:
        contents.complete = True


def _gaze(body: bytes) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    count, columns, size = (int(v) for v in np.frombuffer(body, "<u4", 3))
    stamps = np.frombuffer(body, "<f8", count, 12)
    raw = np.frombuffer(body, "<f8", count, 12 + 8 * count)
    rows = np.frombuffer(body, f"<f{size}", count * columns, 12 + 16 * count)
    return stamps, raw, rows.reshape(count, columns)
