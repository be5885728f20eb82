"""The pages' commands are run as they stand, in order, wherever no hardware is needed.

Sessions run without a window and with a simulated person; `tests/live` runs what
needs streams. What neither can do is named here with the test that does it.
"""

from __future__ import annotations

import os
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_documents import PAGES, ROOT, commands

from calibkit import cli
from calibkit.streams import lsl

# Nobody is there to press a key, so that gaze moves the session on.
SIMULATED = ["--headless", "--seed", "3", "--tracker", "screen", "--advance", "gaze"]
SHORT = [
    *("--set", "targets.points=[[0.5, 0.5], [0.1, 0.2], [0.9, 0.9]]"),
    *("--set", "check.points=[[0.3, 0.3], [0.7, 0.6]]"),
]
# What a command gets here that a person at a machine has.
ALSO = {
    "calibrate": [*SIMULATED, *SHORT],
    "validate": SIMULATED,
    "pointing": SIMULATED[:-2],
    "report": [],
    "share": [],
    "fit": [],
    "assess": [],
    "apply": [],
    "profiles": [],
    "export": [],
}
# Where the others are run, by a test of their own on real streams and files.
ELSEWHERE = {
    "demo": "live/test_whole_job.py",
    "doctor": "test_doctor.py",
    "streams": "live/test_any_tracker.py",
    "check": "test_check.py",
    "record": "live/test_any_tracker.py",
    "replay": "live/test_streams.py",
    "simulate": "live/test_streams.py",
    "publish": "live/test_streams.py",
    "batch": "test_batch.py",
    "import": "test_archive_xdf.py",
    "camera": "live/test_camera_live.py",
}
# Somebody has to press a key between targets: run with a window and real keys.
KEYS = ("--between", "live/test_operator_session.py")
FINE = (0, 6)  # a simulated check may say that the mapping in use is better
KINDS = ("glasses", "one-eye", "slow", "head-mover")
LINES = [line for text in PAGES.values() for line in dict.fromkeys(commands(text))]


def words_of(line: str) -> list[str]:
    """The words as a shell would give them, with patterns filled in."""
    words = []
    for word in shlex.split(line)[1:]:
        found = sorted(Path().glob(word)) if "*" in word else []
        words += [str(path) for path in found] or [word]
    return words


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder like that of a user who has come so far: recordings of one tracker."""
    folder = tmp_path_factory.mktemp("user")
    (folder / "recordings").mkdir()
    for name in KINDS:
        shutil.copy(ROOT / "recordings" / f"{name}.h5", folder / "recordings")
    for name in ("recording", "p01", "p02"):
        shutil.copy(ROOT / "recordings" / "glasses.h5", folder / f"{name}.h5")
    before, home = Path.cwd(), os.environ.get("CALIBKIT_HOME")
    os.chdir(folder)
    os.environ["CALIBKIT_HOME"] = str(folder / "home")
    assert cli.main(["fit", "recording.h5", "-o", "mapping.h5"]) == 0
    yield folder
    os.chdir(before)
    os.environ.pop("CALIBKIT_HOME")
    if home is not None:
        os.environ["CALIBKIT_HOME"] = home


def test_every_command_is_run_here_or_by_a_test_that_is_named() -> None:
    used = {shlex.split(line)[1] for line in LINES}
    assert used <= ALSO.keys() | ELSEWHERE.keys()
    for name in used & ELSEWHERE.keys():
        text = (ROOT / "tests" / ELSEWHERE[name]).read_text(encoding="utf-8")
        assert f'"{name}"' in text, f"{ELSEWHERE[name]} does not run {name}"
    assert KEYS[0] in (ROOT / "tests" / KEYS[1]).read_text(encoding="utf-8")


def here(line: str) -> bool:
    return shlex.split(line)[1] in ALSO and KEYS[0] not in line


@pytest.mark.parametrize("line", [n for n in LINES if here(n)])
def test_the_command_runs(
    line: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = words_of(line)
    streaming = lsl._pylsl.cache_info()
    outputs = [words[k + 1] for k, word in enumerate(words) if word in ("-o", "--page")]
    status = cli.main([*words, *ALSO[words[0]]])
    _, err = capsys.readouterr()
    # The streaming library reads its settings once a process: live tests come after.
    assert lsl._pylsl.cache_info() == streaming
    assert status in FINE, err
    assert "Traceback" not in err
    for output in outputs:
        assert (place / output).exists()
