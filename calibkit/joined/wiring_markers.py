"""Markers of other programs beside a live loop, and a log that never makes it wait.

Looking for streams, opening them and writing to a disk may each take long; threads do
all three.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from calibkit.errors import CalibkitError
from calibkit.joined.wiring import Ears, Source
from calibkit.streams.lsl_found import Found

LOOK_S = 2.0  # between two looks for streams, at first and after a loss
RARELY_S = 10.0  # and later: looking costs, here and in every outlet that answers
FIRST_LOOKS = 15
LISTEN_S = 0.3
MOST_EVENTS = 200
MOST_ROWS = 200
Event = tuple[float, dict[str, Any]]


def on_this_machine(
    find: Callable[[], Sequence[Found]], host: str, clock: Callable[[], float]
) -> Callable[[], Sequence[Found]]:
    """Return a function that knows the marker streams of this machine.

    Parameters
    ----------
    find : callable
        Looks for marker streams, which may take its time; called every two seconds at
        first and after one has gone, else every ten.
    host : str
        This machine's. Whoever else is on the network moves nobody's gaze.
    clock : callable
    """
    looked_s, looks, seen = -float("inf"), 0, list[Found]()

    def found() -> Sequence[Found]:
        nonlocal looked_s, looks, seen
        if clock() - looked_s >= (LOOK_S if looks < FIRST_LOOKS else RARELY_S):
            before = {f.uid for f in seen}
            seen = [f for f in find() if f.host == host and f.text]
            gone = before - {f.uid for f in seen}
            looked_s, looks = clock(), 0 if gone else looks + 1
        return seen

    return found


class Listening:
    """Hears every marker stream in reach, in a thread of its own.

    Parameters
    ----------
    found : callable
        The streams in reach.
    connect : callable
        Opens one of them.
    clock : callable
    say : callable
        Tells people that nothing can be heard.
    """

    def __init__(
        self,
        found: Callable[[], Sequence[Found]],
        connect: Callable[[Found], Source],
        clock: Callable[[], float],
        say: Callable[[str], object],
    ) -> None:
        self._ears, self._clock, self._say = Ears(found, connect), clock, say
        self._events: deque[Event] = deque(maxlen=MOST_EVENTS)
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        told, wait_s = False, LISTEN_S
        while not self._end.wait(wait_s):
            try:
                self._events.extend(self._ears.hear(self._clock()))
                wait_s = LISTEN_S if self._ears.count else LOOK_S
            except Exception as fault:  # no marker is worth the gaze
                wait_s = LOOK_S
                if not told:
                    told = True
                    self._say(f"calibkit: markers cannot be heard ({fault}); going on")
        self._ears.close()

    def heard(self) -> list[Event]:
        """Return the events since the last call; of too many, the newest."""
        return [self._events.popleft() for _ in range(len(self._events))]

    def close(self, wait_s: float = 1.0) -> None:
        """Stop listening."""
        self._end.set()
        self._thread.join(wait_s)


class Log:
    """Appends rows, in a thread of its own; a row that is lost is told.

    Parameters
    ----------
    append : callable
        Writes one row; may take its time, or raise a CalibkitError or an OSError.
    say : callable
    """

    def __init__(
        self,
        append: Callable[[Mapping[str, Any]], object],
        say: Callable[[str], object],
    ) -> None:
        self._append, self._say = append, say
        self._rows: queue.Queue[Mapping[str, Any]] = queue.Queue(MOST_ROWS)
        threading.Thread(target=self._work, daemon=True).start()

    def write(self, row: Mapping[str, Any]) -> None:
        """Append a row, later."""
        try:
            self._rows.put_nowait(row)
        except queue.Full:
            self._say("calibkit: the disk takes nothing; a correction is not logged")

    def _work(self) -> None:
        while True:
            row = self._rows.get()
            try:
                self._append(row)
            except (CalibkitError, OSError) as fault:
                self._say(f"calibkit: a correction is not logged: {fault}")
            self._rows.task_done()

    def close(self, wait_s: float = 0.5) -> None:
        """Wait until all is written, but not for long."""
        done = threading.Thread(target=self._rows.join, daemon=True)
        done.start()
        done.join(wait_s)
