"""What is printed has nowhere to go: closed, full, or a reader that went away.

Source: reliability, appendix row 33: closed stdout, never crash on printing.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import invented
import pytest

import calibkit

pytestmark = pytest.mark.skipif(os.name != "posix", reason="POSIX shells")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("files")
    rec, _ = invented.record(2, invented.NINE, kind="screen")
    rec.save(where / "r.h5")
    calibkit.fit(rec).save(where / "m.h5")
    return where


def run(words: str, end: str, files: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        f'"{sys.executable}" -m calibkit {words} {end}',
        shell=True,
        cwd=files,
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.mark.parametrize("end", [">&-", "<&- >&-", "<&- >&- 2>&-", "| true"])
def test_data_that_nobody_reads_is_no_defect(end: str, files: Path) -> None:
    done = run("assess m.h5 r.h5 --json", end, files)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_words_never_stray_among_the_data(files: Path) -> None:
    done = run("fit r.h5 -o other.h5 --json --force", "2>&-", files)
    assert done.returncode == 0
    assert json.loads(done.stdout)["mapping"] == "other.h5"
    done = run("apply m.h5 r.h5 -o g.csv --force", "2>&-", files)
    assert (done.returncode, done.stdout) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
@pytest.mark.parametrize("more", ["", "--json"])
def test_a_full_disk_behind_the_output_is_said(more: str, files: Path) -> None:
    done = run(f"assess m.h5 r.h5 {more}", ">/dev/full", files)
    assert done.returncode == 5
    assert len(done.stderr.strip().splitlines()) == 1
    assert "No space left" in done.stderr
