"""A worker that loads while its program reads what to do."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forks; reads /proc")

# The program sleeps first, as one does that reads: its worker is there by then.
PROGRAM = """
import os, signal, sys, time
from pathlib import Path
from calibkit.joined import wiring_early
wiring_early.MODULES = wiring_early.MODULES[:1]
wiring_early.begin()
from calibkit.joined import wiring_again, wiring_told
from calibkit.joined.wiring_stop import stopping
with stopping() as stop:
    told = wiring_told.heard()
    if told is None:
        print("program", wiring_early.Early.worker, flush=True)
        sys.stdin.readline()
        facts = dict(head=os.getpid(), plain={"x": 0.1}, home=Path("h"), notice="")
        status = wiring_again.again_and_again(
            lambda text: print(text, flush=True),
            early=lambda: wiring_told.hand_over(
                wiring_told.Told(**facts, stop=bool(stop))
            ),
        )
        if status is not None:
            print("end", status, flush=True)
            sys.exit(0)
        print("forked", os.getpid(), flush=True)
    else:
        stop.asked = stop.asked or told.stop
        print(os.getpid(), told.head == os.getppid(), told.plain, told.home, flush=True)
    while not stop:
        time.sleep(0.01)
"""


def started() -> tuple[subprocess.Popen[str], int]:
    program = subprocess.Popen(
        [sys.executable, "-c", PROGRAM],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    return program, int(said(program).split()[1])


def said(program: subprocess.Popen[str]) -> str:
    assert program.stdout is not None
    return program.stdout.readline().strip()


def go_on(program: subprocess.Popen[str]) -> None:
    assert program.stdin is not None
    program.stdin.write("\n")
    program.stdin.flush()


def ended(program: subprocess.Popen[str]) -> str:
    """Whatever else it and its worker say: the pipe closes when both are gone."""
    return program.communicate(timeout=20)[0].strip()


def test_a_worker_hears_what_to_do_and_is_the_first_of_many() -> None:
    program, worker = started()
    go_on(program)
    assert said(program) == f"{worker} True {{'x': 0.1}} h"
    os.kill(worker, signal.SIGKILL)
    assert (
        said(program) == "calibkit: the publisher was ended by signal 9; started again"
    )
    assert said(program).startswith("forked")
    program.terminate()
    assert ended(program) == "end 0"


@pytest.mark.parametrize("soon", [True, False])
def test_a_program_told_to_stop_stops_its_worker(soon: bool) -> None:
    program, worker = started()
    if soon:  # for a whole group, as a service manager does
        os.kill(worker, signal.SIGTERM)
    go_on(program)
    assert said(program).startswith(str(worker))
    if not soon:
        program.terminate()
    assert ended(program) == "end 0"


def test_a_worker_that_died_before_is_replaced() -> None:
    program, worker = started()
    os.kill(worker, signal.SIGKILL)
    while "Z" not in Path(f"/proc/{worker}/stat").read_text().rsplit(")")[1][:3]:
        pass
    go_on(program)
    assert said(program).startswith("forked")
    program.terminate()
    assert ended(program) == "end 0"


def test_a_program_told_to_stop_before_stops_its_worker() -> None:
    program, worker = started()
    program.terminate()
    go_on(program)
    assert ended(program).splitlines() == [f"{worker} True {{'x': 0.1}} h", "end 0"]


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_a_worker_ends_with_a_program_that_tells_nothing(how: int) -> None:
    program, worker = started()
    if how == signal.SIGINT:  # Ctrl-C goes to both
        os.kill(worker, how)
    program.send_signal(how)
    assert str(worker) not in ended(program)


def test_a_refused_call_is_refused_once_and_leaves_nobody(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "calibkit", "publish", "--home", str(tmp_path)]
    for rest, status in ((["--person"], 2), (["--mapping", str(tmp_path / "m")], 3)):
        done = subprocess.run(
            [*command, *rest], capture_output=True, text=True, timeout=30, check=False
        )
        assert done.returncode == status
        assert done.stderr.count("calibkit: ") == 1
        assert not done.stdout


def test_what_is_needed_only_later_is_not_loaded_at_a_start() -> None:
    """Source: the requirement after kill -9; gaze is waited for meanwhile."""
    code = (
        "import importlib, sys\n"
        "from calibkit.joined.wiring_early import MODULES\n"
        "for name in MODULES: importlib.import_module(name)\n"
        "print(*sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    later = {"h5py", "scipy", "numpy.ma", "tomllib", "calibkit.live.drift_hook"}
    later |= {f"calibkit.kept.{name}" for name in ("recording", "store", "settings")}
    assert not later & set(done.stdout.split())
