"""Being run at once: the priority that a publisher takes, where it is granted.

A publisher works some tenths of a millisecond for each sample and waits. On a computer
that does other things too, a sample otherwise waits until they let go of a processor.
What is asked for, best first: the lowest real-time priority (Linux), a negative nice
value, and short turns, for which nobody needs a right (Linux 6.12 and newer).

A program that real-time priority keeps on a processor starves all others. Two guards:
the system signals when a thread has used a processor for `GUARD_S` without waiting for
anything, and all threads then go back to the usual priority; where even the signal is
not heard, the system ends the process two seconds later, and it is started again.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import signal
import struct
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from calibkit.language import later

T = TypeVar("T")
CHOICE = "CALIBKIT_PRIORITY"
KINDS = ("real-time", "nice", "class", "short", "usual")
REAL_TIME = 1  # the lowest: whatever else is real-time on this computer goes first
NICE = -10
TURN_S = (
    0.0005  # shorter than a sample's usual 3 ms turn: who has short ones goes first
)
GUARD_S = 1
HARD_S = 3
ABOVE_NORMAL, NORMAL = 0x8000, 0x20  # Windows, SetPriorityClass
WORDS = {
    "real-time": later(
        "the publisher runs with real-time priority, before other programs"
    ),
    "nice": later(
        "the publisher runs with raised priority (nice), before other programs"
    ),
    "class": later(
        "the publisher runs with priority above normal, before other programs"
    ),
    "short": later(
        "the publisher runs in short turns, which this system lets go first; real-time "
        "priority is refused to this user"
    ),
    "usual": later(
        "the publisher runs with the usual priority: busy programs may delay gaze"
    ),
    "off": later(
        "the publisher runs with the usual priority, as CALIBKIT_PRIORITY asks"
    ),
    "fallen": later(
        "the publisher kept a processor too long and went back to the usual priority; "
        "start it again to have it back"
    ),
}
_SET_ATTRIBUTES = {"x86_64": 314, "aarch64": 274, "riscv64": 274}  # system calls


@dataclass(frozen=True, kw_only=True)
class Calls:
    """What asks the system; each raises an OSError where it is refused.

    Parameters
    ----------
    system : str
        As `platform.system` says.
    threads : callable
        Numbers of this process's threads.
    real_time, usual, short : callables
        Get the number of a thread.
    nice : callable
        Gets the number of a thread and a nice value.
    guard : callable
        Sets the limit of processor time without a wait.
    process_class : callable
        Gets a priority class (Windows).
    """

    system: str
    threads: Callable[[], list[int]]
    real_time: Callable[[int], object]
    usual: Callable[[int], object]
    short: Callable[[int], object]
    nice: Callable[[int, int], object]
    guard: Callable[[], object]
    process_class: Callable[[int], object]


class Priority:
    """The priority of this process: asked for, given back, and told in words.

    Parameters
    ----------
    calls : Calls
    choice : str
        One of `KINDS` to use that at most, or empty for the best.
    """

    def __init__(self, calls: Calls, choice: str = "") -> None:
        self._calls, self._choice = calls, choice
        self.kind = "usual"
        self.fallen = False

    @property
    def state(self) -> str:
        """Its kind, or why it is the usual one: a key of `WORDS`."""
        if self.fallen:
            return "fallen"
        off = self.kind == "usual" and self._choice == "usual"
        return "off" if off else self.kind

    @property
    def words(self) -> str:
        """What is so, in one sentence."""
        return WORDS[self.state]

    def take(self) -> str:
        """Take the best that is granted, for all threads; return its kind."""
        self.fallen = False
        for kind in self._kinds():
            with contextlib.suppress(OSError, AttributeError, ValueError):
                self._take(kind)
                self.kind = kind
                return kind
        self.kind = "usual"
        return self.kind

    def give_back(self) -> None:
        """Go back to the usual priority, for what may take a while."""
        calls = self._calls
        for thread in calls.threads() if self.kind in ("real-time", "nice") else ():
            with contextlib.suppress(OSError):  # one that has ended meanwhile
                if self.kind == "real-time":
                    calls.usual(thread)
                else:
                    calls.nice(thread, 0)
        if self.kind == "class":
            with contextlib.suppress(OSError):
                calls.process_class(NORMAL)
        self.kind = "usual"

    def fall(self, number: int = 0, frame: object = None) -> None:
        """Give it back until it is taken anew, and say why; a signal's handler."""
        del number, frame
        self.give_back()
        self.fallen = True

    def aside(self, work: Callable[[], T]) -> T:
        """Do something that need not be quick with the usual priority.

        From the moment at which a child process ends, it has to be quick (POSIX).
        """
        before = self.kind
        self.give_back()
        child = getattr(signal, "SIGCHLD", None) if before != "usual" else None
        heard = None if child is None else signal.signal(child, self._hurry)
        try:
            return work()
        finally:
            if child is not None:
                signal.signal(child, heard)
            if before != "usual":
                self.take()

    def _hurry(self, number: int, frame: object) -> None:
        with contextlib.suppress(Exception):  # it would leave a module half loaded
            self.take()

    def _kinds(self) -> tuple[str, ...]:
        known = {
            "Linux": ("real-time", "nice", "short"),
            "Windows": ("class",),
            "Darwin": ("nice",),
        }.get(self._calls.system, ())
        if self._choice in KINDS:
            first = KINDS.index(self._choice)
            return tuple(kind for kind in known if KINDS.index(kind) >= first)
        return known

    def _take(self, kind: str) -> None:
        calls = self._calls
        if kind == "class":
            calls.process_class(ABOVE_NORMAL)
            return
        if kind == "real-time":
            calls.guard()  # first: never without it
        one: Callable[[int], object] = {
            "real-time": calls.real_time,
            "nice": lambda thread: calls.nice(thread, NICE),
            "short": calls.short,
        }[kind]
        mine, *others = calls.threads()
        one(mine)
        for thread in others:
            with contextlib.suppress(OSError):  # one that has ended meanwhile
                one(thread)
        if kind == "nice" and calls.system == "Linux":
            with contextlib.suppress(OSError):
                for thread in (mine, *others):
                    calls.short(thread)


def here(environ: Mapping[str, str] = os.environ) -> Priority:
    """Return the priority of this process, not yet asked for."""
    return Priority(_calls(), environ.get(CHOICE, "").strip().lower())


@contextlib.contextmanager
def raised(priority: Priority) -> Iterator[Priority]:
    """Take it, and give it back at the end.

    The guard's signal is heard by the main thread alone; elsewhere nothing is taken.
    """
    if threading.current_thread() is not threading.main_thread():
        yield priority
        return
    number = getattr(signal, "SIGXCPU", None)
    before = signal.signal(number, priority.fall) if number is not None else None
    try:
        priority.take()
        yield priority
    finally:
        priority.give_back()
        if number is not None:
            signal.signal(number, before)


def usual() -> None:
    """Leave a parent's priority: for a helper that need not be quick."""
    with contextlib.suppress(OSError, AttributeError):  # macOS has nice alone
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    with contextlib.suppress(OSError, AttributeError):
        os.setpriority(os.PRIO_PROCESS, 0, max(0, os.getpriority(os.PRIO_PROCESS, 0)))


def _calls() -> Calls:
    return Calls(
        system=platform.system(),
        threads=_threads,
        real_time=lambda thread: os.sched_setscheduler(
            thread, os.SCHED_RR, os.sched_param(REAL_TIME)
        ),
        usual=lambda thread: os.sched_setscheduler(
            thread, os.SCHED_OTHER, os.sched_param(0)
        ),
        short=_short,
        nice=lambda thread, value: os.setpriority(os.PRIO_PROCESS, thread, value),
        guard=_guard,
        process_class=_process_class,
    )


def _threads() -> list[int]:
    """Return this thread, then all others of this process that can be listed."""
    mine = threading.get_native_id() if platform.system() == "Linux" else 0
    try:
        every = [int(place.name) for place in Path("/proc/self/task").iterdir()]
    except OSError:
        return [mine]
    return [mine, *(thread for thread in every if thread != mine)]


def _guard() -> None:
    """Limit processor time without a wait (Linux, setrlimit(2): RLIMIT_RTTIME)."""
    import resource

    limit = resource.RLIMIT_RTTIME
    _, most = resource.getrlimit(limit)
    hard = HARD_S * 1_000_000
    if most != resource.RLIM_INFINITY:
        hard = min(hard, most)
    resource.setrlimit(limit, (min(GUARD_S * 1_000_000, hard), hard))


def _short(thread: int) -> None:
    """Ask for short turns: struct sched_attr, sched_setattr(2), its runtime in ns."""
    number = _SET_ATTRIBUTES.get(platform.machine())
    if number is None or not _newer(platform.release(), (6, 12)):
        raise OSError("this system knows no turns of one's own length")
    nice = os.getpriority(os.PRIO_PROCESS, thread)
    turn_ns = int(TURN_S * 1e9)
    what = struct.pack("=IIQiIQQQ", 48, os.SCHED_OTHER, 0, nice, 0, turn_ns, 0, 0)
    call = ctypes.CDLL(None, use_errno=True).syscall
    if call(number, thread, what, 0):
        raise OSError(ctypes.get_errno(), "short turns are refused")


def _newer(release: str, wanted: tuple[int, int]) -> bool:
    parts = release.split(".")
    try:
        return (int(parts[0]), int(parts[1].split("-")[0])) >= wanted
    except (ValueError, IndexError):
        return False


def _process_class(number: int) -> None:
    """Set the priority class of this process (Windows)."""
    library = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
    library.GetCurrentProcess.restype = ctypes.c_void_p
    library.SetPriorityClass.argtypes = (ctypes.c_void_p, ctypes.c_uint32)
    if not library.SetPriorityClass(library.GetCurrentProcess(), number):
        raise OSError("the priority class is refused")
