"""Drift beside a live publisher: raw samples and markers in, another mapping out.

What costs is done once a second, between two samples. Nothing here may stop the gaze: a
fault is told, and the mapping in use stays.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.joined.wiring_markers import Event, Listening, Log, on_this_machine
from calibkit.joined.wiring_publish import Edges, Inlet
from calibkit.live import drift_mapping
from calibkit.live.drift_facts import NONE, POLICY, Drift, Pair
from calibkit.live.publisher import Applied
from calibkit.live.publisher_output import Notice
from calibkit.streams.lsl_found import Found

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping as FittedMapping
    from calibkit.live.drift_hook import DriftHook
    from calibkit.live.drift_reference import Reference

CORRECTION = "correction"
MOST_SAMPLES = 20_000
RIPE_S = 0.3  # samples of a slow camera come later than the marker that they belong to
EVENTS_A_STEP = 20
MARKERS_S = 0.1  # one that is missed is found by the next look
LASTS_S = 3600.0  # a correction outlives its publisher's end by so much


class Watcher:
    """Watches for drift, and gives the publisher its mappings.

    Parameters
    ----------
    mapping : Mapping
        To begin with, as it was made.
    edges : Edges
        The publisher's; `joined` returns them with this put in between.
    heard : callable
        Returns the marker events since the last call, at once.
    write : callable
        Gets each correction, as the person's history keeps it.
    now : callable
        The date and time in UTC, for that history.
    learn : bool
        Whether selections may move the gaze.
    offset : pair of float, degrees
        A correction to begin with.
    """

    def __init__(
        self,
        mapping: FittedMapping,
        edges: Edges,
        heard: Callable[[], Sequence[Event]],
        write: Callable[[Mapping[str, Any]], object],
        now: Callable[[], datetime],
        *,
        learn: bool = False,
        offset: Pair = NONE,
    ) -> None:
        self._mapping, self._edges, self._heard = mapping, edges, heard
        self._write, self._now = write, now
        self._policy = replace(POLICY, learn=learn)
        self._begin = Drift(offsets=(NONE, offset) if offset != NONE else (NONE,))
        self._begin = replace(self._begin, mean=offset)
        self._raw: deque[tuple[float, Sequence[float]]] = deque(maxlen=MOST_SAMPLES)
        self._events: deque[Event] = deque(maxlen=10 * EVENTS_A_STEP)
        self._channels: tuple[Channel, ...] = ()
        self._hook: DriftHook | None = None
        self._told = ""
        self._given = self.mapping

    @property
    def mapping(self) -> Applied:
        """The mapping to publish with now."""
        if self._hook is not None:
            return self._hook.mapping
        return drift_mapping.corrected(self._mapping, self._begin)

    def joined(self) -> Edges:
        """Return the publisher's edges with the watcher in between."""
        return replace(
            self._edges,
            connect=self._connect,
            refresh=self.refresh,
            keep=self._raw.append,
        )

    def _connect(self, found: Found) -> Inlet:
        inlet = self._edges.connect(found)
        self._channels = self._channels or tuple(inlet.channels)
        return inlet

    def _watching(self) -> DriftHook | None:
        """What watches, made once gaze flows: until then it is waited for."""
        if self._hook is None and self._channels:
            from calibkit.live.drift_hook import DriftHook

            reference = self._reference(self._mapping)
            hook = DriftHook(self._mapping, self._channels, reference, self._policy)
            hook.state, self._hook = self._begin, hook
        return self._hook

    def refresh(self) -> Applied | None:
        """Take in what came since the last call; return another mapping, or None."""
        now_s = self._edges.clock()
        try:
            self._step(now_s)
        except Exception as fault:  # a fault of ours must not take the gaze away
            text = f"drift cannot be watched ({type(fault).__name__}: {fault})"
            self._tell_once(text, now_s)
        new: Any = self._edges.refresh()
        if new is not None:
            if list(new.channels) != list(self._mapping.channels):
                return cast(Applied, new)  # refused there, and told
            self._use(new, now_s)
        wanted = self.mapping
        if wanted is self._given:  # an id is a hash of the whole mapping
            return None
        self._given = wanted
        return wanted

    def _use(self, mapping: FittedMapping, now_s: float) -> None:
        if self._hook is None:
            self._begin = Drift()
        else:
            self._tell(self._hook.use(mapping, self._reference(mapping), now_s))
            self._log(self._hook)
        self._mapping = mapping

    def _reference(self, mapping: FittedMapping) -> Reference | None:
        from calibkit.live import drift_reference

        try:
            return drift_reference.of(mapping.source)
        except InputError as fault:
            self._tell_once(str(fault), self._edges.clock())
            return None

    def _step(self, now_s: float) -> None:
        hook, waiting = self._watching(), self._raw
        if hook is None:
            return
        events = self._ripe(now_s)
        if waiting and (events or hook.due(waiting[-1][0])):
            raw = [waiting.popleft() for _ in range(len(waiting))]
            times = np.array([stamp for stamp, _ in raw], float)
            samples = np.array([sample for _, sample in raw], float)
            self._tell(hook.samples(times, samples, now_s))
        for time_s, event in events:
            self._tell(hook.mark(event, time_s, now_s))
        self._log(hook)

    def _ripe(self, now_s: float) -> list[Event]:
        """Events whose samples must have come by now; of the others later."""
        self._events.extend(self._heard())
        every = [self._events.popleft() for _ in range(len(self._events))]
        young = [now_s - RIPE_S < time_s <= now_s + 1 for time_s, _ in every]
        ripe = [event for event, wait in zip(every, young, strict=True) if not wait]
        self._events.extend(ripe[EVENTS_A_STEP:])
        self._events.extend(e for e, wait in zip(every, young, strict=True) if wait)
        return ripe[:EVENTS_A_STEP]

    def _log(self, hook: DriftHook) -> None:
        while hook.log:
            change = hook.log.popleft()
            if change.kind != "kept":
                row = {
                    "kind": CORRECTION,
                    "created": self._now().isoformat(timespec="seconds"),
                    "mapping": self._mapping.id,
                    "change": change.row(),
                }
                self._write(row)

    def _tell(self, notices: Sequence[Notice]) -> None:
        for notice in notices:
            with suppress(OSError, ValueError):
                self._edges.tell(notice)

    def _tell_once(self, text: str, now_s: float) -> None:
        if text != self._told:
            self._told = text
            self._tell([Notice(time_s=now_s, state="drift", text=text)])


def last_correction(
    history: Sequence[Mapping[str, Any]], mapping: int, now: datetime, since: datetime
) -> Pair:
    """Find the correction that was in use when a publisher ended a short while ago.

    Parameters
    ----------
    history : sequence of dict
        The person's, oldest first.
    mapping : int
        The id of the mapping in use.
    now, since : datetime
        What is older than an hour, or than when the mapping was put into use, is none.

    Returns
    -------
    pair of float, degrees
    """
    rows = [row for row in history if row.get("kind") == CORRECTION]
    with suppress(IndexError, KeyError, TypeError, ValueError, OverflowError):
        row = rows[-1]
        made = datetime.fromisoformat(row["created"])
        right, down = map(float, row["change"]["after_deg"])
        young = since <= made and 0 <= (now - made).total_seconds() <= LASTS_S
        bounded = math.hypot(right, down) <= POLICY.most_deg  # never with NaN
        if row["mapping"] == mapping and young and bounded:
            return right, down
    return NONE


class Beside:
    """A watcher with its marker streams and its log; `close` lets go of both.

    `made_with` is the source_id of the stream that the mapping was made with.

    Parameters
    ----------
    mapping : Mapping
    edges : Edges
    say : callable
    home, person : Path and str, or None
        Whose history keeps the corrections; nobody's for a mapping of a file.
    learn : bool
    """

    def __init__(
        self,
        mapping: FittedMapping,
        edges: Edges,
        say: Callable[[str], object],
        home: Path | None,
        person: str | None,
        *,
        learn: bool,
    ) -> None:
        import socket

        from calibkit.streams import lsl

        self.made_with = str(mapping.source.get("source_id", ""))
        self._log: Log | None = None
        offset = NONE
        if home is not None and person is not None:
            offset = _earlier(home, person, mapping.id)
            self._log = Log(_appending(home, person), say)
        found = on_this_machine(_markers, socket.gethostname(), lsl.clock)
        self._listening = Listening(found, lsl.MarkerInlet, lsl.clock, say)
        self.watcher = Watcher(
            mapping,
            edges,
            self._listening.heard,
            (lambda row: None) if self._log is None else self._log.write,
            lambda: datetime.now(UTC),
            learn=learn,
            offset=offset,
        )
        if offset != NONE:
            text = (
                f"gaze is corrected by {math.hypot(*offset):.1f} degrees, as it was "
                "when the publisher ended"
            )
            edges.tell(Notice(time_s=edges.clock(), state="drift", text=text))

    def joined(self) -> Edges:
        """Return the publisher's edges with the watcher in between."""
        return self.watcher.joined()

    def close(self) -> None:
        """Stop listening, and write what is left."""
        self._listening.close()
        if self._log is not None:
            self._log.close()


def _markers() -> Sequence[Found]:
    """Look for marker streams; asked for by a thread, a little after the start."""
    # Loaded at their first use, for which the gaze would stand still.
    import numpy.ma  # noqa: F401

    from calibkit.live import drift_hook  # noqa: F401
    from calibkit.streams import lsl

    return lsl.find("Markers", wait_s=MARKERS_S)


def _appending(home: Path, person: str) -> Callable[[Mapping[str, Any]], object]:
    from calibkit.kept import records

    return lambda row: records.add_history(home, person, row)


def _earlier(home: Path, person: str, mapping: int) -> Pair:
    """The last correction, if it still holds; no file of it is worth the gaze."""
    from calibkit.errors import CalibkitError
    from calibkit.kept import profile, records

    try:
        changed_s = (profile.folder(home, person) / "current").stat().st_mtime
        history = records.history(home, person)
    except (CalibkitError, OSError):
        return NONE
    # History tells whole seconds: one made right after the mapping still counts.
    since = datetime.fromtimestamp(math.floor(changed_s), UTC)
    return last_correction(history, mapping, datetime.now(UTC), since)
