"""Loops that put gaze on a stream: a simulated person, and a recording played again.

Edges (streams, clock, sleep) are arguments; the loops themselves know no library.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import DeviceError
from calibkit.joined.wiring_stop import Pace, Stop
from calibkit.streams.lsl_found import RAW, Found

Array = NDArray[np.float64]
LOOK_FOR_MARKERS_S = 0.05
SHORTEST_STEP_S = 0.002
LIFE_STEP_S = 0.012  # a person's step costs some 2 ms, however few samples it has


class Life(Protocol):
    """A simulated person at a clock of ours."""

    def see(self, event: dict[str, Any], time_s: float) -> None:
        """Take a marker event."""
        ...

    def advance(self, until_s: float) -> tuple[Array, Array]:
        """Return times (k,) and samples (k, c) since the last call."""
        ...


class Sink(Protocol):
    """A gaze outlet."""

    def push(self, time_s: Array, samples: Array) -> None:
        """Send samples with their stamps."""
        ...


class Source(Protocol):
    """A marker inlet."""

    def pull(self) -> Sequence[tuple[float, dict[str, Any]]]:
        """Return the events that have arrived."""
        ...

    def close(self) -> None:
        """Disconnect."""
        ...


class Ears:
    """Listens to every marker stream in reach, for as many sessions as come.

    Parameters
    ----------
    found : callable
        Returns the marker streams in reach now.
    connect : callable
        Opens one of them.
    """

    def __init__(
        self,
        found: Callable[[], Sequence[Found]],
        connect: Callable[[Found], Source],
    ) -> None:
        self._found, self._connect = found, connect
        self._open: dict[str, Source] = {}
        self._dead: set[str] = set()
        self._looked_s = -np.inf

    @property
    def count(self) -> int:
        """How many streams are being listened to."""
        return len(self._open)

    def hear(self, now_s: float) -> list[tuple[float, dict[str, Any]]]:
        """Return the events since the last call, in order of time."""
        if now_s - self._looked_s >= LOOK_FOR_MARKERS_S:
            self._looked_s = now_s
            self._look()
        events: list[tuple[float, dict[str, Any]]] = []
        for uid, source in list(self._open.items()):
            try:
                events += source.pull()
            except DeviceError:
                self._forget(uid)
        return sorted(events, key=lambda event: event[0])

    def _look(self) -> None:
        seen = {found.uid: found for found in self._found()}
        self._dead &= seen.keys()
        for uid in seen.keys() - self._open.keys() - self._dead:
            try:
                self._open[uid] = self._connect(seen[uid])
            except DeviceError:
                self._dead.add(uid)

    def _forget(self, uid: str) -> None:
        self._dead.add(uid)
        self._open.pop(uid).close()

    def close(self) -> None:
        """Stop listening."""
        for uid in list(self._open):
            self._forget(uid)


def simulate(
    life: Life,
    sink: Sink,
    ears: Ears,
    *,
    rate_hz: float,
    clock: Callable[[], float],
    sleep: Callable[[float], object],
    stop: Stop,
    until_s: float = np.inf,
) -> int:
    """Let a simulated person live in real time and stream what the tracker measures.

    Parameters
    ----------
    life : Life
    sink : Sink
    ears : Ears
    rate_hz : float
        How often to look; samples carry their own stamps.
    clock, sleep : callables
    stop : Stop
    until_s : float
        On the clock.

    Returns
    -------
    int
        Samples sent.
    """
    pace = Pace(max(1.0 / rate_hz, LIFE_STEP_S), clock, sleep)
    sent = 0
    while not stop:
        now_s = pace.wait()
        for time_s, event in ears.hear(now_s):
            life.see(event, time_s)
        times, samples = life.advance(min(now_s, until_s))
        sink.push(times, samples)
        sent += len(times)
        if now_s >= until_s:
            break
    return sent


def replay_id(source_id: str) -> str:
    """Return the source_id under which a recording is played again."""
    return f"{RAW}replay-{source_id.removeprefix(RAW) or 'recording'}"


def replay(
    times: Array,
    samples: Array,
    sink: Sink,
    *,
    clock: Callable[[], float],
    sleep: Callable[[float], object],
    stop: Stop,
    loop: bool = False,
    fast: bool = False,
) -> int:
    """Play a recording's samples again, at their own pace.

    Parameters
    ----------
    times : array (n,)
        Seconds; gaps are kept, samples without a time are not sent.
    samples : array (n, c)
    sink : Sink
    clock, sleep : callables
    stop : Stop
    loop : bool
        Begin again after the end, until told to stop.
    fast : bool
        Send all at once, with stamps that keep the recording's intervals.

    Returns
    -------
    int
        Samples sent.
    """
    fine = np.flatnonzero(np.isfinite(times))  # the others' turn would never come
    order = fine[np.argsort(times[fine], kind="stable")]
    times, samples = times[order], samples[order]
    if not len(times):
        return 0
    steps = np.diff(times)
    step_s = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.01
    sent = 0
    while not stop:
        stamps = times - times[0] + clock()
        if fast:
            stamps -= stamps[-1] - stamps[0]
            sink.push(stamps, samples)
            sent += len(times)
        else:
            sent += _play(stamps, samples, sink, step_s, clock, sleep, stop)
        if not loop:
            break
        sleep(step_s)
    return sent


def _play(
    stamps: Array,
    samples: Array,
    sink: Sink,
    step_s: float,
    clock: Callable[[], float],
    sleep: Callable[[float], object],
    stop: Stop,
) -> int:
    pace = Pace(max(step_s, SHORTEST_STEP_S), clock, sleep)
    done = 0
    while done < len(stamps) and not stop:
        upto = int(np.searchsorted(stamps, clock(), side="right"))
        sink.push(stamps[done:upto], samples[done:upto])
        done = max(done, upto)
        if done < len(stamps):
            pace.wait()
    return done


def source_setup(setup: Any) -> Mapping[str, tuple[float, ...]]:
    """Return a set-up as a stream's `<setup>` holds it."""
    return {
        "screen_px": tuple(setup.screen_px),
        "screen_mm": tuple(setup.screen_mm),
        "distance_mm": (setup.distance_mm,),
    }
