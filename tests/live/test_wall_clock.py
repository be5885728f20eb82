"""The time of day is set anew while gaze flows: nothing that is live may notice.

The machine's own clock stays: a small library, compiled here, answers for it in the
programs that this test starts, and takes its lead from a file that changes meanwhile.
"""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import fault_check
import fault_world
import numpy as np
import pytest

from calibkit.streams import lsl

COMPILER = shutil.which("cc") or shutil.which("gcc")
pytestmark = [
    pytest.mark.live,
    pytest.mark.skipif(sys.platform != "linux", reason="needs LD_PRELOAD"),
    pytest.mark.skipif(COMPILER is None, reason="no C compiler"),
]
DAY_S = 86400
LEADS_S = (3600, -DAY_S, 20 * 365 * DAY_S, -50 * 365 * DAY_S, 0)
# Source: the ways to ask for the time of day in POSIX: time(2), gettimeofday(2),
# clock_gettime(2). The steady clocks stay: setting the time of day does not move them.
CODE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>

typedef int ask(clockid_t, struct timespec *);
static ask *real;
static volatile int64_t *lead;

static void begin(void) {
    if (lead) return;
    int file = open(getenv("TIME_LEAD"), O_RDONLY);
    real = (ask *)dlsym(RTLD_NEXT, "clock_gettime");
    lead = mmap(0, 8, PROT_READ, MAP_SHARED, file, 0);
}
int clock_gettime(clockid_t which, struct timespec *at) {
    begin();
    int status = real(which, at);
    if (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE) at->tv_sec += *lead;
    return status;
}
time_t time(time_t *also) {
    struct timespec at;
    clock_gettime(CLOCK_REALTIME, &at);
    if (also) *also = at.tv_sec;
    return at.tv_sec;
}
int gettimeofday(struct timeval *at, void *zone) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}
"""
ASK = (
    "import sys, time\n"
    "for line in sys.stdin: print(time.time(), time.monotonic(), flush=True)\n"
)


@pytest.fixture
def set_lead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """What sets the time of day of all programs that are started from now on."""
    code, library, lead = (tmp_path / name for name in ("t.c", "t.so", "lead"))
    code.write_text(CODE)
    lead.write_bytes(bytes(8))
    command = [COMPILER, "-shared", "-fPIC", "-O1", "-o", library, code, "-ldl"]
    subprocess.run(list(map(str, command)), check=True)
    monkeypatch.setenv("LD_PRELOAD", str(library))
    monkeypatch.setenv("TIME_LEAD", str(lead))

    def change(seconds: int) -> None:
        with lead.open("r+b") as file:
            file.write(struct.pack("=q", seconds))

    return change


def test_a_running_program_sees_the_clock_set(set_lead: Callable[[int], None]) -> None:
    """Without this the other test would prove nothing."""
    with subprocess.Popen(
        [sys.executable, "-c", ASK],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as program:
        assert program.stdin is not None
        assert program.stdout is not None
        seen = []
        for lead_s in (0, *LEADS_S):
            set_lead(lead_s)
            program.stdin.write("\n")
            program.stdin.flush()
            seen.append([float(word) for word in program.stdout.readline().split()])
        program.stdin.close()
    wall, steady = np.array(seen).T
    assert np.allclose(wall[1:] - wall[0], LEADS_S, atol=60.0)
    assert (np.diff(steady) >= 0).all()
    assert steady[-1] - steady[0] < 60.0


def test_the_wall_clock_set_anew_changes_nothing(
    set_lead: Callable[[int], None], tmp_path: Path
) -> None:
    """Source: the requirement for live gaze, by the same judge as for other faults."""
    (tmp_path / "world").mkdir()
    world = fault_world.World(tmp_path / "world", random.Random(1))
    try:
        world.run(-1.0, only=())
        (worker,) = world.workers()
        assert "t.so" in Path(f"/proc/{worker}/maps").read_text()
        time.sleep(1.0)
        for lead_s in LEADS_S:
            set_lead(lead_s)
            world.done.append((lsl.clock(), f"time of day {lead_s:+d} s"))
            time.sleep(1.2)
        set_lead(LEADS_S[1])
        world.save()  # another mapping is taken over, whatever the day
        number = list(world.mappings)[-1]
        end_s = time.monotonic() + 20.0
        while world.reader.rows[-1][8] != number and time.monotonic() < end_s:
            time.sleep(0.05)
        same = world.workers() == [worker]
    finally:
        rows = world.close()
    found = fault_check.check(world, rows)
    print(found.text())
    assert not found.faults
    assert same
    assert world.supervisor.starts == 1
    assert rows[-1, fault_check.MAPPING] == number
    assert (np.diff(rows[:, fault_check.SEQUENCE]) == 1).all()
    told = (tmp_path / "world" / "publish.log").read_text()
    assert "jumped" not in told
    assert "Traceback" not in told
