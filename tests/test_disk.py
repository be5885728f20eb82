"""Files are written whole or not at all, on every system's own branch."""

from __future__ import annotations

import errno
import hashlib
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from storing import leftovers, one_line

from calibkit.errors import CallError, InputError, StorageError
from calibkit.kept import disk

OLD = b"the old content"


class Held(PermissionError):
    """What Windows raises while another program holds the target."""

    winerror = 32


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "file.bin"
    disk.write_bytes(path, OLD)
    return path


def failing(number: int, times: int = 10**9) -> Callable[..., None]:
    """Make a call that raises OSError `number` so many times."""
    left = [times]

    def call(*_: object) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise OSError(number, os.strerror(number))

    return call


def test_the_file_is_there_private_and_alone(target: Path) -> None:
    assert target.read_bytes() == OLD
    assert not leftovers(target.parent)
    if os.name == "posix":
        assert stat.S_IMODE(target.stat().st_mode) == 0o600


@pytest.mark.parametrize("name", ["n" * 300, "a\0b"])
def test_a_name_that_no_file_can_bear_is_an_unusable_call(
    tmp_path: Path, name: str
) -> None:
    """Source: POSIX, NAME_MAX and no NUL in names; contract: 2, one sentence."""
    with pytest.raises(CallError) as caught:
        disk.write_bytes(tmp_path / name, b"new")
    one_line(caught.value, "name another")
    assert not leftovers(tmp_path)


def test_an_existing_output_is_refused_unless_told(target: Path) -> None:
    with pytest.raises(CallError) as caught:
        disk.write_bytes(target, b"new")
    one_line(caught.value, str(target), "--force")
    assert target.read_bytes() == OLD
    disk.write_bytes(target, b"new", overwrite=True)
    assert target.read_bytes() == b"new"
    assert not leftovers(target.parent)


def test_an_output_made_meanwhile_is_never_replaced(target: Path) -> None:
    other = target.with_name("other")

    def late_link(source: Path, path: Path) -> None:
        path.write_bytes(b"another process was faster")
        os.link(source, path)

    with pytest.raises(disk.ExistsError):
        disk.write_bytes(other, b"x", system=disk.System(link=late_link))
    assert other.read_bytes() == b"another process was faster"


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS])
@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_failure_keeps_the_old_file(target: Path, call: str, number: int) -> None:
    fails = failing(number)
    system = {
        "fsync": replace(disk.SYSTEM, fsync=fails),
        "replace": replace(disk.SYSTEM, replace=fails),
    }[call]
    with pytest.raises(StorageError) as caught:
        disk.write_bytes(target, b"new", overwrite=True, system=system)
    one_line(caught.value, str(target), os.strerror(number))
    assert target.read_bytes() == OLD
    assert not leftovers(target.parent)


def test_without_hard_links_the_name_is_claimed_first(tmp_path: Path) -> None:
    system = replace(disk.SYSTEM, link=failing(errno.EPERM))
    path = tmp_path / "fat"
    disk.write_bytes(path, OLD, system=system)
    assert path.read_bytes() == OLD
    with pytest.raises(disk.ExistsError):
        disk.write_bytes(path, b"new", system=system)
    broken = replace(system, replace=failing(errno.EIO))
    with pytest.raises(StorageError):
        disk.write_bytes(tmp_path / "second", b"new", system=broken)
    assert not (tmp_path / "second").exists()


def windows(times: int) -> tuple[disk.System, list[float]]:
    """Make a Windows on which the target is held so many times, with its own clock."""
    now, left = [0.0], [times]

    def hold(source: Path, path: Path) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise Held(13, "held")
        Path(source).replace(path)

    def sleep(seconds: float) -> None:
        now[0] += seconds

    system = disk.System(
        platform="win32", replace=hold, sleep=sleep, clock=lambda: now[0]
    )
    return system, now


def test_windows_waits_for_a_scanner_to_let_go(target: Path) -> None:
    system, now = windows(10)
    disk.write_bytes(target, b"new", overwrite=True, system=system)
    assert target.read_bytes() == b"new"
    assert 0 < now[0] < disk.RETRY_S


def test_windows_does_not_wait_for_ever(target: Path) -> None:
    system, now = windows(10**9)
    with pytest.raises(StorageError):
        disk.write_bytes(target, b"new", overwrite=True, system=system)
    assert target.read_bytes() == OLD
    assert now[0] == pytest.approx(disk.RETRY_S, abs=0.1)


def test_elsewhere_a_refusal_is_final(target: Path) -> None:
    system, now = windows(10**9)
    with pytest.raises(StorageError):
        disk.write_bytes(
            target, b"new", overwrite=True, system=replace(system, platform="linux")
        )
    assert now[0] == 0


def test_mac_flushes_the_drive_too_and_else_falls_back(tmp_path: Path) -> None:
    calls: list[int] = []
    system = disk.System(platform="darwin", fsync=calls.append)
    disk.write_bytes(tmp_path / "mac", OLD, system=system)
    # Linux does not know F_FULLFSYNC, so both flushes fall back: file and folder.
    assert len(calls) == (0 if sys.platform == "darwin" else 2)


def test_a_network_drive_that_cannot_flush_folders(tmp_path: Path) -> None:
    calls: list[int] = []

    def fsync(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(errno.EINVAL, "no")

    disk.write_bytes(tmp_path / "a", OLD, system=disk.System(fsync=fsync))
    assert (tmp_path / "a").read_bytes() == OLD


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError) as caught:
        disk.read_regular(pipe, 100)
    one_line(caught.value, str(pipe), "not a file")
    with pytest.raises(CallError):
        disk.write_bytes(pipe, b"x", overwrite=True)


def test_inputs_that_are_none(tmp_path: Path) -> None:
    for path, words in (
        (tmp_path / "none", "does not exist"),
        (tmp_path, "not a file"),
        (tmp_path / ("x" * 300), "cannot be read"),
    ):
        with pytest.raises(InputError) as caught:
            disk.read_regular(path, 100)
        one_line(caught.value, words)
    large = tmp_path / "large"
    large.write_bytes(b"x" * 101)
    with pytest.raises(InputError, match="101 bytes"):
        disk.read_regular(large, 100)
    assert len(disk.read_regular(large, 101)) == 101


def test_a_missing_folder_is_a_matter_of_storage(tmp_path: Path) -> None:
    with pytest.raises(StorageError) as caught:
        disk.write_bytes(tmp_path / "none" / "file", b"x")
    one_line(caught.value, "No such file")


def test_only_old_temporary_files_are_swept(tmp_path: Path) -> None:
    young = tmp_path / f"a.h5{disk.TEMP_MARK}0001"
    young.write_bytes(b"")
    assert disk.sweep(tmp_path) == []
    later = replace(disk.SYSTEM, wall=lambda: young.stat().st_mtime + 61)
    assert disk.sweep(tmp_path, system=later) == [young]
    assert not leftovers(tmp_path)


def test_sha256(target: Path) -> None:
    # Source: hashlib, and FIPS 180-4's example "abc" through the same function.
    assert disk.sha256_of(target) == hashlib.sha256(OLD).hexdigest()
    disk.write_bytes(target, b"abc", overwrite=True)
    wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert disk.sha256_of(target) == wanted
    with pytest.raises(InputError):
        disk.sha256_of(target.with_name("none"))


@pytest.mark.skipif(not hasattr(signal, "SIGXFSZ"), reason="no file size limit here")
def test_a_full_disk_makes_a_short_write_and_then_an_error(tmp_path: Path) -> None:
    """The system's own limit on a file's size stands for a full disk."""
    code = f"""
import resource, signal
from pathlib import Path
from calibkit.kept import disk
from calibkit import errors
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    disk.write_bytes(Path({str(tmp_path / "a")!r}), bytes(5000))
except errors.StorageError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert "was not written: File too large" in done.stdout, done.stderr
    assert list(tmp_path.iterdir()) == []
