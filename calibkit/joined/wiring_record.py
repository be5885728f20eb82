"""A live stream, and the markers of any session, into a recording as they come."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.joined.wiring import Ears
from calibkit.joined.wiring_source import Steady
from calibkit.joined.wiring_stop import Stop
from calibkit.kept.recording_file import ADVANCES, ROLES

Array = NDArray[np.float64]
PULL_S = 0.05
Row = tuple[float, float, float, float, str, str, int]


class Log(Protocol):
    """Where it is written; `journal.Writer` is one."""

    def gaze(self, time: Array, samples: Array, time_raw: Array) -> None: ...  # noqa: D102
    def target(self, row: Sequence[Any]) -> object: ...  # noqa: D102
    def path_rows(self, rows: Array) -> None: ...  # noqa: D102
    def event(self, time_s: float, text: str) -> None: ...  # noqa: D102
    def clock(self, time_s: float, correction_s: float) -> None: ...  # noqa: D102


@dataclass
class Targets:
    """Turns marker events into target rows: one when its target has gone."""

    shown: dict[str, tuple[float, dict[str, Any]]] = field(default_factory=dict)

    def take(self, time_s: float, event: dict[str, Any]) -> Row | None:
        """Take an event; return the row of a target that ended with it."""
        name, key = event["event"], str(event.get("id", ""))
        if name == "target_on":
            before = self.shown.pop(key, None)
            self.shown[key] = (time_s, event)
            return _row(before, time_s)
        if name == "target_off":
            return _row(self.shown.pop(key, None), time_s)
        return None

    def rest(self, time_s: float) -> list[Row]:
        """Return the rows of targets that were still shown at the end."""
        rows = [_row(self.shown.pop(key), time_s) for key in list(self.shown)]
        return [row for row in rows if row is not None]


def _row(shown: tuple[float, dict[str, Any]] | None, offset_s: float) -> Row | None:
    if shown is None:
        return None
    onset_s, event = shown
    role, advance = str(event.get("role")), str(event.get("advance"))
    return (
        onset_s,
        offset_s,
        _number(event.get("x")),
        _number(event.get("y")),
        role if role in ROLES else ROLES[0],
        advance if advance in ADVANCES else "timer",
        int(event.get("kept", 1) not in (0, False)),
    )


def _number(value: object) -> float:
    known = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if known else math.nan  # type: ignore[arg-type]


def path_row(time_s: float, event: dict[str, Any]) -> Array | None:
    """Return (time, x, y) of a moving target's event, None for any other."""
    if event["event"] != "target_path":
        return None
    row = np.array([time_s, _number(event.get("x")), _number(event.get("y"))])
    return row if np.isfinite(row).all() else None


def record(
    source: Steady,
    ears: Ears,
    log: Log,
    *,
    clock: Callable[[], float],
    sleep: Callable[[float], object],
    stop: Stop,
    until_s: float = math.inf,
) -> int:
    """Write what comes until told to stop.

    Parameters
    ----------
    source : Steady
    ears : Ears
    log : Log
    clock, sleep : callables
    stop : Stop
    until_s : float
        On the clock.

    Returns
    -------
    int
        Samples written.
    """
    targets, written = Targets(), 0
    correction_s = math.nan
    try:
        while not stop and clock() < until_s:
            chunk = source.pull(PULL_S)
            now_s = clock()
            if len(chunk.time_raw):
                log.gaze(chunk.time, chunk.samples, chunk.time_raw)
                written += len(chunk.time_raw)
                shift_s = chunk.correction_s + chunk.arrival_s
                if shift_s != correction_s:
                    correction_s = shift_s
                    log.clock(now_s, correction_s)
            for time_s, text in source.notes():
                log.event(time_s, text)
            for time_s, event in ears.hear(now_s):
                _write(log, targets, time_s, event)
            if source.lost:
                sleep(PULL_S)
    finally:
        for row in targets.rest(clock()):
            log.target(row)
    return written


def _write(log: Log, targets: Targets, time_s: float, event: dict[str, Any]) -> None:
    path = path_row(time_s, event)
    if path is not None:
        log.path_rows(path)
        return
    row = targets.take(time_s, event)
    if row is not None:
        log.target(row)
    if event["event"] not in ("target_on", "target_off"):
        log.event(time_s, json.dumps(event)[:1000])
