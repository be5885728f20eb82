"""The priority of the publisher: what is asked of each system, and for real."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from calibkit.joined import doctor_checks, wiring_priority
from calibkit.joined.wiring_priority import Calls, Priority

ALL = {"real_time", "nice", "short", "guard", "process_class"}


@dataclass
class System:
    """A system that grants some things, and notes what it was asked."""

    name: str
    grants: set[str]
    asked: list[tuple[str, int, int]] = field(default_factory=list)
    threads: list[int] = field(default_factory=lambda: [11, 12])
    gone: int = -1

    def call(self, name: str) -> Callable[..., None]:
        def one(thread: int = 0, value: int = 0) -> None:
            if name not in self.grants:
                raise PermissionError(1, "refused")
            if thread == self.gone:
                raise ProcessLookupError(3, "no such thread")
            self.asked.append((name, thread, value))

        return one

    def calls(self) -> Calls:
        self.grants |= {"usual"}
        return Calls(
            system=self.name,
            threads=lambda: self.threads,
            real_time=self.call("real_time"),
            usual=self.call("usual"),
            short=self.call("short"),
            nice=self.call("nice"),
            guard=self.call("guard"),
            process_class=self.call("process_class"),
        )


# Source: the best of what each system has, in the order of how surely it goes first.
@pytest.mark.parametrize(
    ("name", "grants", "kind"),
    [
        ("Linux", ALL, "real-time"),
        ("Linux", ALL - {"real_time"}, "nice"),
        ("Linux", ALL - {"guard"}, "nice"),  # never real-time without the guard
        ("Linux", {"short"}, "short"),
        ("Linux", set(), "usual"),
        ("Windows", ALL, "class"),
        ("Windows", set(), "usual"),
        ("Darwin", ALL, "nice"),
        ("Darwin", set(), "usual"),
        ("Plan9", ALL, "usual"),
    ],
)
def test_the_best_that_is_granted_is_taken(
    name: str, grants: set[str], kind: str
) -> None:
    priority = Priority(System(name, set(grants)).calls())
    assert priority.take() == priority.kind == kind
    assert priority.words == wiring_priority.WORDS[kind]


def test_the_guard_comes_first_and_all_threads_have_it() -> None:
    system = System("Linux", set(ALL))
    Priority(system.calls()).take()
    assert system.asked == [
        ("guard", 0, 0),
        ("real_time", 11, 0),
        ("real_time", 12, 0),
    ]


def test_a_thread_that_has_ended_costs_nothing() -> None:
    system = System("Linux", set(ALL), gone=12)
    priority = Priority(system.calls())
    assert priority.take() == "real-time"
    priority.give_back()
    assert system.asked[-1] == ("usual", 11, 0)


def test_windows_gets_a_class_and_gives_it_back() -> None:
    """Source: SetPriorityClass, ABOVE_NORMAL 0x8000, NORMAL 0x20."""
    system = System("Windows", {"process_class"})
    priority = Priority(system.calls())
    priority.take()
    priority.give_back()
    assert [value for _, value, _ in system.asked] == [0x8000, 0x20]


@pytest.mark.parametrize(
    ("choice", "kind"),
    [
        ("usual", "usual"),
        ("short", "short"),
        ("nice", "nice"),
        ("real-time", "real-time"),
        ("what", "real-time"),
        ("", "real-time"),
    ],
)
def test_a_variable_limits_what_is_taken(choice: str, kind: str) -> None:
    priority = Priority(System("Linux", set(ALL)).calls(), choice)
    assert priority.take() == kind
    assert (wiring_priority.CHOICE in priority.words) is (choice == "usual")


def test_who_kept_a_processor_falls_back_and_says_so() -> None:
    system = System("Linux", set(ALL))
    priority = Priority(system.calls())
    priority.take()
    system.asked.clear()
    priority.fall(int(getattr(signal, "SIGXCPU", 24)), None)
    assert system.asked == [("usual", 11, 0), ("usual", 12, 0)]
    assert priority.kind == "usual"
    assert "too long" in priority.words


def test_it_can_be_taken_again_after_a_slow_start() -> None:
    priority = Priority(System("Linux", set(ALL)).calls())
    priority.take()
    priority.fall()
    assert priority.take() == "real-time"
    assert priority.words == wiring_priority.WORDS["real-time"]


@pytest.mark.skipif(os.name != "posix", reason="nice values are POSIX")
def test_a_helper_gives_up_nice_where_there_is_nothing_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Source: macOS has setpriority(2), and Python no sched_setscheduler there."""
    given: list[int] = []
    monkeypatch.delattr(os, "sched_setscheduler", raising=False)
    monkeypatch.setattr(os, "getpriority", lambda *_: wiring_priority.NICE)
    monkeypatch.setattr(os, "setpriority", lambda *what: given.append(what[2]))
    wiring_priority.usual()
    assert given == [0]


def test_slow_work_is_done_aside() -> None:
    system = System("Linux", set(ALL))
    priority = Priority(system.calls())
    priority.take()
    during: list[str] = []
    priority.aside(lambda: during.append(priority.kind))
    assert (during, priority.kind) == (["usual"], "real-time")
    plain = Priority(System("Linux", set()).calls())
    plain.aside(lambda: during.append(plain.kind))
    assert plain.kind == "usual"


@pytest.mark.skipif(not hasattr(signal, "SIGCHLD"), reason="POSIX")
def test_slow_work_hurries_once_a_child_has_ended() -> None:
    """Source: POSIX, signal.h: SIGCHLD, a child process ended. Gaze is waited for."""
    priority = Priority(System("Linux", set(ALL)).calls())
    priority.take()
    before, during = signal.getsignal(signal.SIGCHLD), list[str]()

    def work() -> None:
        during.append(priority.kind)
        signal.raise_signal(signal.SIGCHLD)
        during.append(priority.kind)

    priority.aside(work)
    assert during == ["usual", "real-time"]
    assert signal.getsignal(signal.SIGCHLD) is before


# Source: Linux 6.12's notes: short turns for everybody.
@pytest.mark.parametrize(
    ("release", "newer"),
    [("6.12.0-rc1", True), ("6.18.44", True), ("6.1.0", False), ("odd", False)],
)
def test_the_system_is_new_enough(release: str, newer: bool) -> None:
    assert wiring_priority._newer(release, (6, 12)) is newer


@pytest.mark.parametrize("kind", [*wiring_priority.KINDS, "off"])
@pytest.mark.parametrize("system", ["Linux", "Windows", "Darwin"])
def test_the_doctor_says_it_in_words(kind: str, system: str) -> None:
    from calibkit.joined import doctor_probes

    probes = replace(doctor_probes.here(None), priority=lambda: kind, system=system)
    check = doctor_checks.priority(probes)
    assert check.words.startswith("The publisher")
    limits = kind in ("short", "usual", "off")
    assert check.state == ("limits" if limits else "good")
    assert bool(check.fix) is limits
    # No right helps where the priority was refused by choice.
    assert (wiring_priority.CHOICE in check.fix) is (kind == "off")
    asked = limits and kind != "off" and system == "Linux"
    assert ("rtprio" in check.fix) is asked


def test_the_doctor_asks_as_a_publisher_would(monkeypatch: pytest.MonkeyPatch) -> None:
    from calibkit.joined import doctor_probes

    monkeypatch.setenv(wiring_priority.CHOICE, "usual")
    assert doctor_probes.here(None).priority() == "off"


HOG = """
import signal, sys, time
from calibkit.joined import wiring_priority as w
w.GUARD_S, w.HARD_S = 1, 2
with w.raised(w.here()) as priority:
    if priority.kind != "real-time":
        sys.exit(9)
    print("took", flush=True)
    if sys.argv[1] == "deaf":
        sum(range(10**12))
    while not priority.fallen:
        pass
    import os
    print(os.sched_getscheduler(0) == os.SCHED_OTHER, priority.words)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="a limit that Linux has")
@pytest.mark.parametrize("way", ["hears", "deaf"])
def test_a_hog_loses_the_priority_or_its_life(way: str, tmp_path: Path) -> None:
    """Source: setrlimit(2), RLIMIT_RTTIME: SIGXCPU at the soft limit, then SIGKILL."""
    done = subprocess.run(
        [sys.executable, "-c", HOG, way],
        capture_output=True,
        text=True,
        timeout=60,
        env=os.environ | {wiring_priority.CHOICE: ""},
    )
    if done.returncode == 9:
        pytest.skip("real-time priority is not granted here")
    assert done.stdout.startswith("took"), done.stderr
    if way == "deaf":
        assert done.returncode == -signal.SIGKILL
    else:
        assert done.returncode == 0, done.stderr
        assert "True the publisher kept a processor too long" in done.stdout


@pytest.mark.skipif(sys.platform != "linux", reason="asks as another user of Linux")
@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="not root")
def test_a_user_without_rights_is_served_too() -> None:
    """No right at all: short turns where the system has them, else as usual."""
    code = (
        "import os, resource\n"
        "from calibkit.joined import wiring_priority as w\n"
        "import calibkit.language, calibkit.errors\n"
        "resource.setrlimit(resource.RLIMIT_RTPRIO, (0, 0))\n"
        "resource.setrlimit(resource.RLIMIT_NICE, (0, 0))\n"
        "os.setgid(65534); os.setuid(65534)\n"
        "with w.raised(w.here({})) as priority:\n"
        "    print(priority.kind, os.sched_getscheduler(0) == os.SCHED_OTHER)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    new = wiring_priority._newer(os.uname().release, (6, 12))
    assert done.stdout.split() == ["short" if new else "usual", "True"]


@pytest.mark.skipif(sys.platform != "linux", reason="a limit that Linux has")
@pytest.mark.parametrize("choice", ["", "usual"])
@pytest.mark.parametrize("command", ["publish", "streams"])
def test_a_publisher_has_it_before_anything_is_loaded(
    choice: str, command: str
) -> None:
    code = (
        "import os, sys\n"
        "os.sched_setscheduler = lambda *what: print('taken', what[1])\n"
        "from calibkit import __main__\n"
        "sys.argv[1:] = [sys.argv[1], '--help']\n"
        "__main__.entry()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, command],
        capture_output=True,
        text=True,
        env=os.environ | {wiring_priority.CHOICE: choice},
    )
    assert done.returncode == 0, done.stderr
    wanted = [f"taken {os.SCHED_RR}"] if (command, choice) == ("publish", "") else []
    assert done.stdout.splitlines()[: len(wanted)] == wanted
    assert ("taken" in done.stdout) is bool(wanted)
