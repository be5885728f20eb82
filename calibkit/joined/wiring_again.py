"""A worker that is started anew within milliseconds when it dies.

Starting Python and its libraries takes longer than a person should be without a voice.
So a small parent, which touches no streams, forks the worker and forks another one when
a signal ended it: a fault in a library, the system short of memory, kill -9. The first
one is forked before the libraries are loaded (`wiring_early`), so that it may open
streams meanwhile; the parent loads them a little later, for the next. When the worker
dies before that is done, nobody waits for it: the next one loads what is left. What the
worker decides itself (an exit status) is final.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator

SOON_S = 1.0  # workers that die sooner, one after another, come back more slowly
PAUSE_S, LONGEST_S = 0.05, 5.0
READY_S = 0.5  # later than a start takes, which loading as well would hold up
POLL_S = 0.01
GRACE_S = 0.3  # a terminal tells the worker of Ctrl-C as well; it ends by itself then
INTERRUPTED = 130
_DEATH = 1  # PR_SET_PDEATHSIG, prctl(2)


def possible() -> bool:
    """Whether a worker can be forked here: POSIX, and no other thread runs yet."""
    return hasattr(os, "fork") and threading.active_count() == 1


def again_and_again(
    say: Callable[[str], object],
    ready: Callable[[Callable[[], bool]], bool] = lambda ended: True,
    early: Callable[[], int] = lambda: 0,
) -> int | None:
    """Fork the worker, and again whenever a signal ends it.

    Parameters
    ----------
    say : callable
        Tells people.
    ready : callable
        Loads, in the parent, what the next worker then finds loaded; returns whether
        that is all. It gets what tells whether the worker has ended, for it to stop.
    early : callable
        Sets a first worker to work that was forked before; returns its process, or 0.

    Returns
    -------
    int or None
        None in the worker, which goes on from here; in the parent, at the end, the
        worker's exit status.

    Raises
    ------
    KeyboardInterrupt
        In the parent, when it alone was interrupted; the worker has ended then.
    """
    early_ends, prepared, ear = 0, False, _Ear()
    while True:
        # Held back until it is clear whom the signal is for.
        signal.pthread_sigmask(signal.SIG_BLOCK, _Ear.NUMBERS)
        parent, began_s = os.getpid(), time.monotonic()
        worker = early() or os.fork()
        if worker == 0:
            die_with(parent)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, _Ear.NUMBERS)
            return None
        with ear.listening(worker):
            signal.pthread_sigmask(signal.SIG_UNBLOCK, _Ear.NUMBERS)
            child = _Child(worker)
            if not prepared and child.lives(READY_S):
                try:
                    prepared = ready(child.ended)
                except Exception:  # the worker tries it, and tells, itself
                    prepared = True
            status = child.wait()
        if ear.interrupted and status != INTERRUPTED:
            raise KeyboardInterrupt
        if status >= 0 or ear.stopped:
            return max(status, 0)
        early_ends = early_ends + 1 if time.monotonic() - began_s < SOON_S else 0
        say(f"calibkit: the publisher was ended by signal {-status}; started again")
        if early_ends > 1:
            time.sleep(min(PAUSE_S * 2.0 ** min(early_ends - 2, 20), LONGEST_S))


class _Ear:
    """What the parent is told by signals while its worker lives, and passes on."""

    NUMBERS = (signal.SIGTERM, signal.SIGINT)

    def __init__(self) -> None:
        self.stopped = self.interrupted = False
        self._worker = 0

    @contextlib.contextmanager
    def listening(self, worker: int) -> Iterator[None]:
        """Listen for one worker; the next one shall find the handlers as they were."""
        self._worker = worker
        ways = {
            signal.SIGTERM: self._stop,
            signal.SIGINT: self._interrupt,
            signal.SIGALRM: self._stop,
        }
        before = {number: signal.signal(number, way) for number, way in ways.items()}
        try:
            yield
        finally:
            self._worker = 0
            signal.setitimer(signal.ITIMER_REAL, 0)
            for number, way in before.items():
                signal.signal(number, way)

    def _stop(self, number: int, frame: object) -> None:
        self.stopped = True
        if self._worker:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._worker, signal.SIGTERM)

    def _interrupt(self, number: int, frame: object) -> None:
        """Leave it to a worker that heard it too; told twice it could not tidy up."""
        self.interrupted = True
        signal.setitimer(signal.ITIMER_REAL, GRACE_S)


class _Child:
    """A worker, as its parent sees it."""

    def __init__(self, number: int) -> None:
        self._number = number
        self._status: int | None = None

    def ended(self) -> bool:
        """Whether it has ended by now."""
        if self._status is None:
            gone, status = os.waitpid(self._number, os.WNOHANG)
            self._status = os.waitstatus_to_exitcode(status) if gone else None
        return self._status is not None

    def lives(self, wait_s: float) -> bool:
        """Whether it lives on for so long."""
        end_s = time.monotonic() + wait_s
        while not self.ended() and time.monotonic() < end_s:
            time.sleep(POLL_S)
        return not self.ended()

    def wait(self) -> int:
        """Return the exit status, or minus the signal that ended it."""
        if self._status is None:
            status = os.waitpid(self._number, 0)[1]
            self._status = os.waitstatus_to_exitcode(status)
        return self._status


def die_with(parent: int) -> None:
    """End this process when its parent ends, however that happens (Linux)."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_DEATH, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(0)
