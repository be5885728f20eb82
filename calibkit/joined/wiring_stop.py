"""Being told to stop, and keeping pace: what every live loop needs.

Only the standard library is imported, so that a stop that comes while the rest still
loads ends the program as it should.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


class Stop:
    """True once the program was told to end."""

    def __init__(self) -> None:
        self.asked = False

    def __bool__(self) -> bool:
        return self.asked

    def ask(self, number: int = 0, frame: FrameType | None = None) -> None:
        """Ask for the end; also serves as a signal's handler."""
        del number, frame
        self.asked = True


@contextmanager
def stopping() -> Iterator[Stop]:
    """Turn SIGTERM (and a closed console on Windows) into a flag.

    Ctrl-C is left to the command line, which ends with status 130.
    """
    stop = Stop()
    numbers = [
        getattr(signal, name)
        for name in ("SIGTERM", "SIGBREAK")
        if hasattr(signal, name)
    ]
    before = {number: signal.signal(number, stop.ask) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Pace:
    """Waits from one target time to the next, so that no delay adds up.

    Parameters
    ----------
    period_s : float
    clock, sleep : callables
        The time, and a wait of some seconds.
    late_s : float
        After falling behind by more than this the schedule starts again from now.
    """

    def __init__(
        self,
        period_s: float,
        clock: Callable[[], float],
        sleep: Callable[[float], object],
        late_s: float = 0.5,
    ) -> None:
        self._period_s, self._clock, self._sleep = period_s, clock, sleep
        self._late_s = late_s
        self._next_s = clock()

    def wait(self) -> float:
        """Wait for the next target time; return the time it is then."""
        self._next_s += self._period_s
        rest_s = self._next_s - self._clock()
        if rest_s > 0:
            self._sleep(rest_s)
        elif rest_s < -self._late_s:
            self._next_s = self._clock()
        return self._clock()
