"""A Builder experiment with our routine and component: made, saved, loaded, run.

Outside sources: PsychoPy's own plugin loader, its reading and writing of experiments,
the script that it generates and the data file that this script saves; xdotool, which
presses keys as a keyboard would.
"""

from __future__ import annotations

import csv
import importlib.metadata
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from calibkit.kept.recording import Recording
from calibkit.window import display

pytestmark = pytest.mark.live

if sys.platform != "linux" or not (shutil.which("Xvfb") and shutil.which("xdotool")):
    pytest.skip("needs Xvfb and xdotool", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")
pytest.importorskip("esprima", reason="psychopy.experiment needs esprima")

HERE = Path(__file__).parent
GROUPS = ("psychopy.experiment.components", "psychopy.experiment.routines")
STREAM = "calibkit-raw:simulate-pupil-reflex-41"
PROTOCOL = """
[protocol]
version = 1
name = "brief"
[targets]
points = [[0.1, 0.2], [0.9, 0.2], [0.5, 0.9]]
draw_in_s = 0.3
[pace]
hold_s = 0.5
gap_s = 0.1
[check]
points = [[0.3, 0.6]]
"""


def entry_points() -> dict[str, str]:
    """Those of the installed metadata that come from this tree's version of us."""
    found = importlib.metadata.entry_points()
    return {one.name: one.value for g in GROUPS for one in found.select(group=g)
            if one.value.startswith("calibkit.")}  # fmt: skip


if not entry_points():
    pytest.skip(
        "calibkit is not installed with its entry points; pip install -e . anew",
        allow_module_level=True,
    )


@pytest.fixture(scope="module")
def screen() -> Iterator[str]:
    with display.virtual_display() as number:
        yield number


@pytest.fixture(scope="module")
def made(
    tmp_path_factory: pytest.TempPathFactory, screen: str
) -> tuple[dict[str, Any], Path]:
    """The experiment's script in a folder, and what was found while making it."""
    folder = tmp_path_factory.mktemp("builder")
    (folder / "brief.toml").write_text(PROTOCOL, encoding="utf-8")
    script = str(HERE / "builder_experiment.py")
    done = subprocess.run(
        [sys.executable, script, str(folder), STREAM, str(folder / "brief.toml")],
        capture_output=True,
        text=True,
        env=os.environ | {"DISPLAY": screen},
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found, folder


def test_entry_points_are_in_the_plural_groups() -> None:
    """From memory and by trial: one in a singular group disables them all."""
    assert set(entry_points()) == {"CalibkitSessionRoutine", "CalibkitGazeComponent"}
    every = importlib.metadata.distribution("calibkit").entry_points
    assert {one.group for one in every if "psychopy" in one.group} == set(GROUPS)


def test_builder_finds_both_in_a_category_of_ours(
    made: tuple[dict[str, Any], Path],
) -> None:
    found, _ = made
    assert found["loaded"]
    assert found["categories"] == ["calibkit"]
    assert found["types"] == ["CalibkitSessionRoutine", "CalibkitGazeComponent"]
    for icon in found["icons"]:
        assert Path(icon).is_file()
    assert all(found["labels"])


def test_an_experiment_survives_being_saved_and_loaded(
    made: tuple[dict[str, Any], Path],
) -> None:
    found, folder = made
    assert found["kept"] == [str(folder / "brief.toml"), "4", "2"]


def rows_of(folder: Path) -> list[dict[str, str]]:
    (path,) = (folder / "data").glob("*.csv")
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def wait_for(check: Callable[[], bool], program: subprocess.Popen[str]) -> None:
    end_s = time.monotonic() + 90.0
    while not check():
        assert program.poll() is None, program.communicate()[1]
        assert time.monotonic() < end_s
        time.sleep(0.05)


def press(screen: str, key: str) -> None:
    subprocess.run(
        ["xdotool", "key", key],
        check=True,
        timeout=10,
        env=os.environ | {"DISPLAY": screen},
    )


def test_the_generated_script_runs_and_saves_what_gaze_did(
    made: tuple[dict[str, Any], Path],
    screen: str,
    start: Callable[..., subprocess.Popen[str]],
    tmp_path: Path,
) -> None:
    """Calibration; then twice a trial and a check of one point, by real keys.

    The second check is stopped by escape, and the experiment goes on to its end.
    """
    _, folder = made
    start(
        *("simulate", "--seed", "41", "--screen-px", "1000x700"),
        *("--screen-mm", "274x192"),
    )
    home = tmp_path / "home"
    environment = {"DISPLAY": screen, "CALIBKIT_HOME": str(home)}
    program = subprocess.Popen(
        [sys.executable, str(folder / "trials.py")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=os.environ | environment,
    )
    kept = home / "recordings" / "heron"

    def kept_now() -> int:
        return len(list(kept.glob("*.h5")))

    try:
        wait_for(lambda: kept_now() == 1 and any(kept.glob("*.journal")), program)
        while kept_now() == 1:  # a press before the target is there says nothing
            assert program.poll() is None, program.communicate()[1]
            time.sleep(1.0)
            press(screen, "space")
        wait_for(lambda: any(kept.glob("*.journal")), program)
        press(screen, "Escape")
        _, said = program.communicate(timeout=90)
    finally:
        program.kill()
        program.wait()
    assert program.returncode == 0, said
    assert "Traceback" not in said
    rows = rows_of(folder)
    fitted = rows[0]
    assert fitted["fit_gaze.accepted"] == "True"
    assert fitted["fit_gaze.problem"] == ""
    rec = Recording.load(kept / fitted["fit_gaze.recording"])
    assert rec.person == "heron"
    assert rec.setup.screen_px == (1000, 700)
    assert (rec.targets["role"] == "validation").sum() == 1
    assert 0.0 < float(fitted["fit_gaze.accuracy_deg"]) < 4.0
    trials = [row for row in rows if row.get("seen.samples")]
    assert len(trials) == 2
    for row in trials:
        # 250 samples a second, counted from 0.2 s to 1.2 s.
        assert 150 < int(row["seen.samples"]) < 320
        assert 0.5 < float(row["seen.valid"]) <= 1.0
        # In units of the window's height, its half being 0.5.
        assert abs(float(row["seen.x"])) < 1.2
        assert abs(float(row["seen.y"])) < 1.0
    assert trials[0]["point.problem"] == ""
    assert float(trials[0]["point.accuracy_deg"]) < 5.0
    checked = Recording.load(kept / trials[0]["point.recording"])
    assert list(checked.targets["advance"]) == ["key"]
    assert "stopped" in trials[1]["point.problem"]
    assert len(list(kept.glob("*.h5"))) == 3
