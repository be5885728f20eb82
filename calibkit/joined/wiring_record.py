"""A live stream, and the markers of any session, into a recording as they come."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.joined.wiring import Ears
from calibkit.joined.wiring_source import Steady
from calibkit.joined.wiring_stop import Stop
from calibkit.streams.lsl_markers import Targets, path_row

Array = NDArray[np.float64]
PULL_S = 0.05


class Log(Protocol):
    """Where it is written; `journal.Writer` is one."""

    def gaze(self, time: Array, samples: Array, time_raw: Array) -> None: ...  # noqa: D102
    def target(self, row: Sequence[Any]) -> object: ...  # noqa: D102
    def path_rows(self, rows: Array) -> None: ...  # noqa: D102
    def event(self, time_s: float, text: str) -> None: ...  # noqa: D102
    def clock(self, time_s: float, correction_s: float) -> None: ...  # noqa: D102


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
    row = targets.take(time_s, event)
    path = path_row(time_s, event)
    if path is not None:
        log.path_rows(path)
        return
    if row is not None:
        log.target(row)
    if event["event"] not in ("target_on", "target_off"):
        log.event(time_s, json.dumps(event)[:1000])
