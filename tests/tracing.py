"""Children that are killed, or whose system calls fail, and what their calls left.

A child is a fork: all is imported already, so that nothing but the work is traced.
"""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from calibkit.errors import CalibkitError, StorageError

SAVED, REFUSED, ELSE, DEFECT = 0, 10, 11, 12
CALLS = (
    "openat,write,pwrite64,fsync,fdatasync,close,link,linkat,rename,renameat,renameat2,"
    "unlink,unlinkat,ftruncate,mkdir,mkdirat"
)
_ANYBODY = ctypes.c_ulong(-1 & 0xFFFFFFFFFFFFFFFF)
_TRACER = 0x59616D61  # PR_SET_PTRACER, prctl(2)
_LINE = re.compile(r"^(\w+)\((.*)\)\s*= (-?\w+).*?(\(INJECTED\))?$")

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX fork")
needs_strace = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("strace"), reason="strace is missing"
)


def fork(work: Callable[[], object], *, halted: bool = False) -> int:
    """Run work in a child that ends with a status of ours; return its pid."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # our threads hold no lock that the work needs
        child = os.fork()
    if child:
        return child
    status = DEFECT
    try:
        signal.alarm(60)
        if halted:
            ctypes.CDLL(None).prctl(_TRACER, _ANYBODY, 0, 0, 0)
            os.kill(os.getpid(), signal.SIGSTOP)
        work()
        status = SAVED
    except StorageError:
        status = REFUSED
    except CalibkitError:
        status = ELSE
    except BaseException as fault:
        os.write(2, "".join(traceback.format_exception(fault)).encode())
    finally:
        os._exit(status)


def ended(child: int) -> int:
    """Return the child's status, negative when a signal ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def killed_after(work: Callable[[], object], delay_s: float) -> bool:
    """Run work, kill it after a while; return whether it was still at work."""
    child = fork(work)
    time.sleep(delay_s)
    os.kill(child, signal.SIGKILL)
    return ended(child) == -signal.SIGKILL


def traced(work: Callable[[], object], log: Path, *options: str) -> int:
    """Run work under strace from its first line on; return its status."""
    child = fork(work, halted=True)
    os.waitpid(child, os.WUNTRACED)
    command = ["strace", "-p", str(child), "-o", str(log), *options]
    tracer = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert tracer.stderr is not None
    said = tracer.stderr.readline()
    if "attached" not in said:
        os.kill(child, signal.SIGKILL)
        os.kill(child, signal.SIGCONT)
        ended(child)
        tracer.communicate()
        pytest.skip(f"strace may not trace here: {said.strip()}")
    os.kill(child, signal.SIGCONT)
    status = ended(child)
    tracer.communicate(timeout=20)
    return status


@dataclass(frozen=True)
class Call:
    """One system call: its name, its arguments as strace shows them, its result."""

    name: str
    arguments: str
    result: int


def calls(work: Callable[[], object], log: Path) -> list[Call]:
    """Return the calls that change files, in order, with all that was written."""
    options = ("-xx", "-s", "100000000", "-e", f"trace={CALLS}", "-e", "signal=none")
    assert traced(work, log, *options) == SAVED
    found = []
    for line in log.read_text().splitlines():
        match = _LINE.match(line)
        if match:
            found.append(Call(match[1], match[2], int(match[3], 0)))
    return found


def texts(arguments: str) -> list[bytes]:
    """Return the quoted strings of a call's arguments."""
    return [
        bytes.fromhex(part.replace("\\x", ""))
        for part in re.findall(r'"((?:\\x[0-9a-f]{2})*)"', arguments)
    ]


def numbers(counted: list[Call]) -> list[tuple[str, int]]:
    """Return each call's name and its place among those of its name."""
    seen: dict[str, int] = {}
    places = []
    for call in counted:
        seen[call.name] = seen.get(call.name, 0) + 1
        places.append((call.name, seen[call.name]))
    return places
