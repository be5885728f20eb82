"""Beside a run with faults: a client of the gaze, and what the machine kept back."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibkit.streams import lsl

Array = NDArray[np.float64]
EACH_S = 0.005
QUEUES_EACH = 20


class Reader:
    """A client of the calibrated stream: stamp, arrival and row of all that comes.

    Last in each row is which of its connections it came by.
    """

    def __init__(self, wanted: str) -> None:
        self.wanted = wanted
        self.rows: list[tuple[float, ...]] = []
        self.stop = False
        self.thread = threading.Thread(target=self._work, daemon=True)
        self.thread.start()

    def _work(self) -> None:
        pylsl = lsl._pylsl()
        wanted, connection = self.wanted, 0.0
        while not self.stop:
            seen = pylsl.resolve_byprop("source_id", wanted, 1, 0.5)
            if not seen:
                continue
            inlet = pylsl.StreamInlet(seen[0], 10, 1, recover=False)
            connection += 1
            with suppress(pylsl.util.LostError, pylsl.util.TimeoutError, RuntimeError):
                inlet.open_stream(1.0)
                while not self.stop:
                    row, stamp = inlet.pull_sample(0.1)
                    if row is not None:
                        at_s = pylsl.local_clock()
                        self.rows.append((stamp, at_s, *row, connection))

    def close(self) -> Array:
        self.stop = True
        self.thread.join()
        return np.array(self.rows)


class Probe:
    """When this machine stood still, or let programs wait for a processor.

    A short sleep that took far longer is the one sign; the other is how long threads
    of the watched programs waited in the run queue.

    Source: Linux, sched-stats: the second number of /proc/PID/task/TID/schedstat.
    """

    def __init__(self, programs: Callable[[], Iterable[int]] = tuple) -> None:
        self.programs = programs
        self.halts: list[tuple[float, float]] = []
        self.queues: list[tuple[float, dict[int, dict[str, float]]]] = []
        self.stop = False
        self.thread = threading.Thread(target=self._work, daemon=True)
        self.thread.start()

    def _work(self) -> None:
        before, turn = lsl.clock(), 0
        while not self.stop:
            time.sleep(EACH_S)
            now = lsl.clock()
            if now - before > 0.025:
                self.halts.append((now, now - before - EACH_S))
            before, turn = now, turn + 1
            if turn % QUEUES_EACH == 0:
                waits = {pid: _waits(pid) for pid in self.programs()}
                self.queues.append((now, waits))
                before = lsl.clock()

    def lost_s(self, begin_s: float, end_s: float) -> float:
        """How long, at least, the machine and not the programs held things up."""
        stood = sum(lost for at, lost in self.halts if begin_s < at <= end_s)
        return max(stood, self._queued_s(begin_s, end_s))

    def _queued_s(self, begin_s: float, end_s: float) -> float:
        """Of each program the one thread that waited longest; these hand on in turn."""
        first: dict[tuple[int, str], float] = {}
        last: dict[tuple[int, str], float] = {}
        edge_s = EACH_S * QUEUES_EACH
        for at, waits in self.queues:
            if begin_s - 2 * edge_s < at <= end_s + 2 * edge_s:
                for pid, threads in waits.items():
                    for name, waited in threads.items():
                        first.setdefault((pid, name), waited)
                        last[pid, name] = waited
        longest: dict[int, float] = {}
        for (pid, name), waited in last.items():
            more = waited - first[pid, name]
            longest[pid] = max(longest.get(pid, 0.0), more)
        return min(sum(longest.values()), end_s - begin_s)


def _waits(pid: int) -> dict[str, float]:
    """How long each thread of a program has waited for a processor so far, seconds."""
    waits = {}
    with suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            with suppress(OSError, IndexError):
                words = (task / "schedstat").read_text().split()
                waits[task.name] = int(words[1]) / 1e9
    return waits
