"""Batches with real processes: killed, interrupted, doubled, on a Dask cluster.

Outside sources: the operating system's signals; Dask's own scheduler and workers. An
uninterrupted run is the reference for what a killed one must come to, byte for byte.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import batching
import pytest

from calibkit.cli import main

pytestmark = pytest.mark.live
Program = subprocess.Popen[str]
MANY = 16


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("many")
    for seed in range(MANY):
        batching.small(seed, eyes=("left",)).save(where / f"{seed:02d}.h5")
    (where / "05.h5").write_bytes(b"damaged")
    return where


@pytest.fixture(scope="module")
def whole(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The table of a run that nobody interrupted."""
    table = tmp_path_factory.mktemp("whole") / "t.csv"
    assert main(["batch", str(folder), "-o", str(table), "--workers", "2"]) == 0
    return table.read_bytes()


def done_in(progress: Path) -> list[str]:
    """SHA-256 of each result that is whole, in the order in which they came."""
    found = []
    for line in progress.read_bytes().splitlines():
        try:
            found.append(json.loads(line.partition(b" ")[2])["sha256"])
        except (ValueError, KeyError):
            continue
    return found


def wait_for(progress: Path, count: int, program: Program) -> None:
    end = time.monotonic() + 60
    while not progress.exists() or len(done_in(progress)) < count:
        assert program.poll() is None, program.communicate()
        assert time.monotonic() < end
        time.sleep(0.02)


def children(parent: int) -> list[int]:
    found = set()
    for task in Path(f"/proc/{parent}/task").iterdir():
        found |= {int(n) for n in (task / "children").read_text().split()}
    return sorted(found)


def gone(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().split()[2] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="reads /proc")
def test_killed_twice_and_nothing_is_lost_or_done_again(
    folder: Path, whole: bytes, start: Callable[..., Program], tmp_path: Path
) -> None:
    table, progress = tmp_path / "t.csv", tmp_path / "t.csv.progress"
    call = ["batch", folder, "-o", table, "--workers", 2]
    for count in (3, 9):
        program = start(*call)
        wait_for(progress, count, program)
        workers = children(program.pid)
        program.kill()
        program.communicate(timeout=10)
        assert not table.exists()
        end = time.monotonic() + 10
        while not all(map(gone, workers)):
            assert time.monotonic() < end, "a worker outlived its batch"
            time.sleep(0.05)
    program = start(*call, "--json")
    told, said = program.communicate(timeout=60)
    assert program.returncode == 0, said
    assert table.read_bytes() == whole
    keys = done_in(progress)
    assert len(keys) == len(set(keys)) == MANY
    assert json.loads(told)["worked"] < MANY - 9 + 1


@pytest.mark.skipif(sys.platform == "win32", reason="sends POSIX signals")
@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM"])
def test_interrupted_it_keeps_what_is_done(
    number: str,
    folder: Path,
    whole: bytes,
    start: Callable[..., Program],
    tmp_path: Path,
) -> None:
    table, progress = tmp_path / "t.csv", tmp_path / "t.csv.progress"
    program = start("batch", folder, "-o", table, "--workers", 1)
    wait_for(progress, 2, program)
    # Another one on the same table is refused meanwhile, and told who is at work.
    second = start("batch", folder, "-o", table, "--workers", 1)
    said = second.communicate(timeout=30)[1]
    assert second.returncode == 2
    assert f"process {program.pid} is at work" in said
    program.send_signal(getattr(signal, number))
    said = program.communicate(timeout=30)[1]
    assert program.returncode == 130, said
    assert "the same command goes on" in said
    assert "Traceback" not in said
    assert not table.exists()
    assert len(done_in(progress)) >= 2
    assert main(["batch", str(folder), "-o", str(table), "--workers", "2"]) == 0
    assert table.read_bytes() == whole


def test_an_unguarded_script_is_not_run_again(
    folder: Path, whole: bytes, tmp_path: Path
) -> None:
    """Source: contract; `multiprocessing` would import the caller's script anew."""
    script = tmp_path / "study.py"
    table = tmp_path / "t.csv"
    script.write_text(
        f"""
from pathlib import Path
from calibkit.batch.crew import Crew
from calibkit.batch.driver import Plan, batch
from calibkit.batch.settings import Settings
print("my script runs")
plan = Plan(folders=(Path({str(folder)!r}),), table=Path({str(table)!r}),
            settings=Settings())
print(batch(plan, Crew(2)).judged)
"""
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=60
    )
    assert done.stdout.splitlines() == ["my script runs", str(MANY - 1)], done.stderr
    assert table.read_bytes() == whole


def put_away() -> None:
    """End what the threads of a cluster that has gone keep for the next task.

    A Dask worker on another computer takes it along when it ends; here it is we.
    """
    from calibkit.batch import crew

    end_s = time.monotonic() + 20
    while at_work():
        assert time.monotonic() < end_s, "a worker outlived its cluster"
        crew.put_away()
        time.sleep(0.05)


def at_work() -> list[int]:
    """Our own processes that work on recordings; none where that cannot be seen."""
    if not Path("/proc").is_dir():
        return []
    calls = {child: Path(f"/proc/{child}/cmdline") for child in children(os.getpid())}
    return [
        child
        for child, call in calls.items()
        if not gone(child) and b"calibkit.batch" in call.read_bytes()
    ]


def cluster_of(workers: int) -> Any:
    """A scheduler on a port of its own, with workers that are threads here."""
    distributed = pytest.importorskip("distributed", reason="dask is not installed")
    return distributed.LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=False,
        protocol="tcp://",
        dashboard_address=":0",
    )


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with cluster_of(2) as made:
        yield made


def test_a_cluster_makes_the_same_table(
    folder: Path, whole: bytes, cluster: Any, tmp_path: Path
) -> None:
    table = tmp_path / "t.csv"
    call = ["batch", str(folder), "-o", str(table)]
    assert main([*call, "--scheduler", cluster.scheduler_address]) == 0
    assert table.read_bytes() == whole


def test_a_cluster_survives_bad_recordings(
    cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The workers of this cluster are threads of this process: they can be wild."""
    from calibkit.batch import crew
    from calibkit.batch.cluster import Cluster
    from calibkit.batch.driver import batch

    (tmp_path / "in").mkdir()
    for seed, name in enumerate(("a", "crash", "b")):
        batching.small(seed).save(tmp_path / "in" / f"{name}.h5")
    tame = crew.Worker
    monkeypatch.setattr(crew, "Worker", lambda: tame(batching.WILD))
    plan = batching.plan(tmp_path / "in", tmp_path / "t.csv", limit_s=60.0)
    summary = batch(plan, Cluster(cluster.scheduler_address, [tmp_path / "in"]))
    assert (summary.judged, summary.failed) == (2, 1)
    assert "status 9" in summary.troubles[0].message


def test_what_a_cluster_lacks_is_said(
    folder: Path,
    cluster: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from calibkit.batch import cluster as home

    address = cluster.scheduler_address
    call = ["batch", str(folder), "-o", str(tmp_path / "t.csv"), "--scheduler"]
    monkeypatch.setattr(home, "ANSWER_S", 0.5)
    assert main([*call, "tcp://127.0.0.1:9"]) == 4
    assert "does not answer" in capsys.readouterr().err
    monkeypatch.setattr(home, "probe", lambda paths: ("0.0.1", []))
    assert main([*call, address]) == 2
    assert "has calibkit 0.0.1" in capsys.readouterr().err
    monkeypatch.undo()
    from calibkit.errors import CallError

    with pytest.raises(CallError, match="under the same path"):
        home.Cluster(address, [tmp_path / "nowhere"])


def test_a_scheduler_that_goes_is_said_and_what_is_done_is_kept(
    folder: Path, whole: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = cluster_of(1)
    from calibkit.batch import cluster as home
    from calibkit.batch.driver import Step, batch
    from calibkit.errors import DeviceError

    monkeypatch.setattr(home, "ANSWER_S", 0.5)
    table = tmp_path / "t.csv"

    def close_it(step: Step) -> None:
        if step.worked >= 2:
            made.close()

    engine = home.Cluster(made.scheduler_address, [folder])
    with pytest.raises(DeviceError, match="what is done is kept"):
        batch(batching.plan(folder, table), engine, close_it)
    put_away()
    assert len(done_in(tmp_path / "t.csv.progress")) >= 2
    assert main(["batch", str(folder), "-o", str(table), "--workers", "1"]) == 0
    assert table.read_bytes() == whole


@pytest.mark.skipif(sys.platform == "win32", reason="opens a POSIX terminal")
def test_on_a_terminal_one_line_changes_in_place(folder: Path, tmp_path: Path) -> None:
    import pty

    master, slave = pty.openpty()
    command = ["batch", folder, "-o", tmp_path / "t.csv", "--workers", 1]
    program = subprocess.Popen(
        [sys.executable, "-m", "calibkit", *map(str, command)],
        stderr=slave,
        stdout=subprocess.DEVNULL,
    )
    os.close(slave)
    told = b""
    try:
        while part := os.read(master, 4096):
            told += part
    except OSError:
        pass  # Linux says so when the other end has closed
    finally:
        os.close(master)
        assert program.wait(timeout=60) == 0
    lines = told.decode().splitlines()
    assert re.search(rf"\r\d+ of {MANY} recordings", "\n" + told.decode())
    assert lines[-1].endswith(f"{MANY - 1} recordings judged, 1 not")
    assert "recordings judged" not in told.decode().split("\r\n")[0]
