"""Beside a run with faults: a client of the gaze, and what the machine kept back."""

from __future__ import annotations

import os
import threading
import time
from bisect import bisect_left, bisect_right
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


# Of each program each thread: seconds it waited for a processor, and had one, so far.
Threads = dict[str, tuple[float, float]]


class Probe:
    """When this machine stood still, or let programs wait for a processor.

    A short sleep that took far longer is the one sign; the other is how long threads
    of the watched programs waited in the run queue. Where threads of the publisher
    waited for each other, that is its own doing and excuses nothing.

    Source: Linux, sched-stats: /proc/PID/task/TID/schedstat, nanoseconds.
    """

    def __init__(
        self,
        programs: Callable[[], Iterable[int]] = tuple,
        own: Callable[[], Iterable[int]] = tuple,
        cores: int = os.cpu_count() or 1,
    ) -> None:
        self.programs, self.own, self.cores = programs, own, cores
        self.halts: list[tuple[float, float]] = []
        self.queues: list[tuple[float, dict[int, Threads], set[int]]] = []
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
                own = set(self.own())
                used = {pid: _used(pid) for pid in {*self.programs(), *own}}
                self.queues.append((now, used, own))
                before = lsl.clock()
                if before - now > 0.025:  # it stood still while this looked
                    self.halts.append((before, before - now))

    def lost_s(self, begin_s: float, end_s: float) -> float:
        """How long, at least, the machine and not the programs held things up."""
        first, last = (
            bisect_left(self.halts, at, key=lambda halt: halt[0])
            for at in (begin_s, end_s)
        )
        # Of a halt, what lies within; the one that ends just after is among them.
        stood = sum(
            max(0.0, min(at, end_s) - max(at - lost, begin_s))
            for at, lost in self.halts[first : last + 1]
        )
        queued = self._queued_s(begin_s, end_s)
        return min(max(stood, queued), end_s - begin_s)

    def _queued_s(self, begin_s: float, end_s: float) -> float:
        """Of each program the one thread that waited longest; these hand on in turn."""
        used, own = self._within(begin_s, end_s)
        busy = sum(ran for (pid, _), (_, ran) in used.items() if pid in own)
        longest: dict[int, float] = {}
        for (pid, _), (waited, ran) in used.items():
            others = (busy - ran) / self.cores if pid in own else 0.0
            longest[pid] = max(longest.get(pid, 0.0), waited - others)
        return sum(longest.values())

    def _within(
        self, begin_s: float, end_s: float
    ) -> tuple[dict[tuple[int, str], tuple[float, float]], set[int]]:
        """What threads waited and ran between the looks just before and just after."""
        first = max(bisect_right(self.queues, begin_s, key=lambda look: look[0]) - 1, 0)
        last = bisect_left(self.queues, end_s, key=lambda look: look[0])
        looks = self.queues[first : last + 1]
        used: dict[tuple[int, str], tuple[float, float]] = {}
        for pid in {pid for _, every, _ in looks for pid in every}:
            begun = looks[0][1].get(pid, {})
            ended: Threads = {}
            for _, every, _ in looks:
                ended |= every.get(pid, {})
            for name, (waited, ran) in ended.items():
                # A thread that was not there before began with nothing.
                already, had = begun.get(name, (0.0, 0.0))
                used[pid, name] = (waited - already, ran - had)
        return used, {pid for _, _, own in looks for pid in own}


def _used(pid: int) -> Threads:
    """How long each thread of a program waited and ran so far, seconds."""
    used = {}
    with suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            with suppress(OSError, IndexError):
                ran, waited, *_ = (task / "schedstat").read_text().split()
                used[task.name] = (int(waited) / 1e9, int(ran) / 1e9)
    return used
