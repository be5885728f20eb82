"""A worker that is started anew within milliseconds when it dies.

Starting Python and its libraries takes longer than a person should be without a voice.
So a small parent, which touches no streams, forks the worker and forks another one when
a signal ended it: a fault in a library, the system short of memory, kill -9. The first
one is forked before the libraries are loaded (`wiring_early`), so that it may open
streams meanwhile; the parent loads them a little later, for the next. What the worker
decides itself (an exit status) is final.
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

SOON_S = 1.0  # a worker that dies sooner is started again more and more slowly
LONGEST_S = 5.0
READY_S = 0.7  # later than a start takes, which loading as well would hold up
POLL_S = 0.01
GRACE_S = 0.3  # a terminal tells the worker of Ctrl-C as well; it ends by itself then
INTERRUPTED = 130
_DEATH = 1  # PR_SET_PDEATHSIG, prctl(2)


def possible() -> bool:
    """Whether a worker can be forked here: POSIX, and no other thread runs yet."""
    return hasattr(os, "fork") and threading.active_count() == 1


def again_and_again(
    say: Callable[[str], object],
    ready: Callable[[], object] = lambda: None,
    early: Callable[[], int] = lambda: 0,
) -> int | None:
    """Fork the worker, and again whenever a signal ends it.

    Parameters
    ----------
    say : callable
        Tells people.
    ready : callable
        Loads, once and in the parent, what the next worker then finds loaded.
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
    pause_s, prepared, ear = 0.0, False, _Ear()
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
            status = None if prepared else _ended(worker, READY_S)
            if not prepared and (status is None or status < 0):
                prepared = True
                # What cannot be loaded here the worker tries, and tells, itself.
                with contextlib.suppress(Exception):
                    ready()
            status = _wait(worker) if status is None else status
        if ear.interrupted and status != INTERRUPTED:
            raise KeyboardInterrupt
        if status >= 0 or ear.stopped:
            return max(status, 0)
        soon = time.monotonic() - began_s < SOON_S
        pause_s = min(max(2 * pause_s, 0.05), LONGEST_S) if soon else 0.0
        say(f"calibkit: the publisher was ended by signal {-status}; started again")
        time.sleep(pause_s)


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


def _ended(worker: int, wait_s: float) -> int | None:
    """Return what `_wait` does, or None when it lives on for so long."""
    end_s = time.monotonic() + wait_s
    while time.monotonic() < end_s:
        gone, status = os.waitpid(worker, os.WNOHANG)
        if gone:
            return os.waitstatus_to_exitcode(status)
        time.sleep(POLL_S)
    return None


def _wait(worker: int) -> int:
    """Return the exit status, or minus the signal that ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(worker, 0)[1])


def die_with(parent: int) -> None:
    """End this process when its parent ends, however that happens (Linux)."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_DEATH, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(0)
