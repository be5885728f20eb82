"""A real disk that is full, and one that may only be read: a small one in memory.

Needs the right to mount; elsewhere the same is tested with faults put in
(test_crashes, test_disk, test_journal).
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from storing import header, leftovers, one_line
from test_crashes import loaded, save
from test_journal import check_rows, chunk

from calibkit.errors import StorageError
from calibkit.kept import journal, journal_contents
from calibkit.kept.recording import Recording

pytestmark = pytest.mark.live


def mount(*words: object) -> bool:
    try:
        done = subprocess.run(["mount", *map(str, words)], capture_output=True)
    except OSError:
        return False
    return done.returncode == 0


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 KB."""
    place = tmp_path / "disk"
    place.mkdir()
    if sys.platform != "linux" or not mount(
        "-t", "tmpfs", "-o", "size=256k,mode=700", "calibkit-test", place
    ):
        pytest.skip("no right to mount a disk here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def filled(place: Path, free_bytes: int) -> None:
    """Fill a disk up to some bytes."""
    with (place / "filler").open("wb", buffering=0) as filler:
        try:
            while True:
                filler.write(bytes(4096))
        except OSError:
            filler.truncate(max(0, filler.tell() - free_bytes))


def test_a_full_disk_takes_no_mapping_and_loses_none(small: Path) -> None:
    save(small, 1)
    last, refused = 1, list[StorageError]()
    for pages in range(12):
        filled(small, 4096 * pages)
        try:
            save(small, last + 1)
            last += 1
        except StorageError as error:
            refused.append(error)
        assert loaded(small) == last
        (small / "filler").unlink()
    assert len(refused) > 2
    assert last > 1
    for refusal in refused:
        assert refusal.exit_status == 5
        one_line(refusal)
    assert not leftovers(small)


def test_a_disk_that_may_only_be_read(small: Path) -> None:
    save(small, 7)
    assert mount("-o", "remount,ro", small)
    with pytest.raises(StorageError) as caught:
        save(small, 8)
    one_line(caught.value)
    assert loaded(small) == 7


def test_a_full_disk_in_the_middle_of_a_recording(small: Path) -> None:
    path, acknowledged = small / "s.journal", 0
    writer = journal.Writer(path, header())

    def record() -> None:
        nonlocal acknowledged
        for k in itertools.count():
            stamps, samples = chunk(5 * k)
            writer.gaze(stamps, samples, stamps - 0.5)
            acknowledged = 5 * (k + 1)

    with pytest.raises(StorageError) as caught:
        record()
    one_line(caught.value)
    assert os.statvfs(small).f_bavail == 0
    assert acknowledged > 500
    assert check_rows(journal_contents.read(path)) >= acknowledged
    # Elsewhere, or once there is room, it becomes a recording.
    moved = small.parent / "s.journal"
    moved.write_bytes(path.read_bytes())
    made = journal.recover(small.parent)
    assert len(Recording.load(small.parent / "s.h5").time) >= acknowledged, made
