"""Sessions in somebody's PsychoPy window, which is handed back as it was.

Outside sources: what OpenGL itself says of its state, the window's own attributes, all
of them, and the pixels of the owner's stimuli before and after.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from experiment_scenes import PROTOCOL

from calibkit.window import display

pytestmark = pytest.mark.live

if sys.platform != "linux":
    pytest.skip("the virtual display is Xvfb's", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")

SCENES = Path(__file__).parent / "experiment_scenes.py"


@pytest.fixture(scope="module")
def screen() -> Iterator[str]:
    with display.virtual_display() as number:
        yield number


def played(scene: str, folder: Path, screen: str) -> dict[str, Any]:
    """Run a small experiment to its end and return what it found."""
    done = subprocess.run(
        [sys.executable, str(SCENES), scene, str(folder)],
        capture_output=True,
        text=True,
        env=os.environ | {"DISPLAY": screen},
        timeout=200,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


@pytest.fixture(scope="module")
def trials(
    tmp_path_factory: pytest.TempPathFactory, screen: str
) -> tuple[dict[str, Any], Path]:
    folder = tmp_path_factory.mktemp("trials")
    return played("trials", folder, screen), folder


@pytest.fixture(scope="module")
def troubles(tmp_path_factory: pytest.TempPathFactory, screen: str) -> dict[str, Any]:
    return played("troubles", tmp_path_factory.mktemp("troubles"), screen)


def test_window_is_handed_back_as_it_was_three_times(
    trials: tuple[dict[str, Any], Path],
) -> None:
    found, _ = trials
    assert found["changed"] == []
    assert found["shows"] > 100  # the owner's picture is no blank one
    assert found["pixels"] == [0.0, 0.0, 0.0]
    assert found["still drawn"]
    assert found["drawn"] == [0, 0, 0]  # but not on the session's frames


def test_what_the_owner_asked_for_on_a_flip_waits_for_theirs(
    trials: tuple[dict[str, Any], Path],
) -> None:
    assert trials[0]["called"] == [0, 1, 1]


def test_a_session_counts_as_no_frame_of_the_owner(
    trials: tuple[dict[str, Any], Path],
) -> None:
    """Each session takes more than a second; no frame of the trials does."""
    assert trials[0]["longest frame"] < 0.8


def test_points_are_the_protocols_for_what_is_done(
    trials: tuple[dict[str, Any], Path],
) -> None:
    found, _ = trials
    assert len(found["calibrate"]) == 4 + 2
    assert len(found["validate"]) == 2
    assert found["one-point"] == [[500.0, 350.0]]
    assert all(0.0 < deg < 3.0 for deg in found["deg"])


def test_target_is_seen_in_its_place_whatever_the_owners_view(
    trials: tuple[dict[str, Any], Path],
) -> None:
    """The owner's view is turned and squeezed; the target's pixels are not."""
    from PIL import Image

    found, folder = trials
    places = {tuple(place) for place in found["calibrate"]}
    seen = set()
    for path in sorted((folder / "calibrate").glob("*.png")):
        with Image.open(path) as opened:
            levels = np.asarray(opened.convert("L"), float) / 255.0
        assert np.median(levels) == pytest.approx(0.4, abs=0.01)
        rows, columns = np.nonzero(np.abs(levels - 0.4) > 0.1)
        middle = ((columns.min() + columns.max()) / 2, (rows.min() + rows.max()) / 2)
        near = min(places, key=lambda place: np.hypot(*np.subtract(place, middle)))
        assert np.hypot(*np.subtract(near, middle)) < 2.0
        seen.add(near)
    assert seen == places


# In "norm" and "height" are the windows of the other tests.
@pytest.mark.parametrize("units", ["pix", "deg"])
def test_windows_of_other_units_and_kinds_are_handed_back(
    trials: tuple[dict[str, Any], Path], units: str
) -> None:
    changed, off, shows = trials[0]["units"][units]
    assert changed == []
    assert shows > 100
    assert off == 0.0


@pytest.mark.parametrize(
    ("name", "error"),
    [
        ("stopped", "StoppedError: the session was stopped"),
        ("failed", "RuntimeError: a failure inside"),
        ("lost", "DeviceError: the gaze stream was lost"),
        ("picture", "CallError: the folder"),
        ("fine", ""),
    ],
)
def test_window_is_usable_whatever_happened(
    troubles: dict[str, Any], name: str, error: str
) -> None:
    found = troubles[name]
    assert found["error"].startswith(error)
    assert bool(found["error"]) is bool(error)
    assert found["changed"] == []
    assert found["pixels"] == 0.0


def test_without_a_window_one_is_opened_and_closed(troubles: dict[str, Any]) -> None:
    own = troubles["own"]
    assert own["screen_px"] == [1280, 800]
    assert 0.0 < own["deg"] < 3.0
    assert own["open"] == 0
    assert own["console"]


def test_keys_of_a_session_are_not_the_owners(troubles: dict[str, Any]) -> None:
    assert troubles["keys"] == ["q"]  # pressed before, not yet read
    assert troubles["typed"] == ""
    assert troubles["typed after"] == "a"


def test_what_readme_shows_runs(
    start: Callable[..., subprocess.Popen[str]],
    screen: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """README's block as it stands, a shorter protocol apart, on a real LSL stream."""
    readme = (SCENES.parents[2] / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"```py\n(.*?)```", readme, flags=re.DOTALL)
    assert block.count('"quick"') == 1
    brief = tmp_path / "brief.toml"
    brief.write_text(PROTOCOL, encoding="utf-8")
    monkeypatch.setenv("DISPLAY", screen)
    start(
        *("simulate", "--seed", "41", "--screen-px", "1000x700"),
        *("--screen-mm", "274x192"),
    )
    program = start(code=block.replace('"quick"', repr(str(brief))))
    out, err = program.communicate(timeout=120)
    assert program.returncode == 0, err
    said = re.findall(r"trial (\d): off by (\d\.\d) degrees", out)
    assert [number for number, _ in said] == ["0", "1"]
    assert all(float(degrees) < 4.0 for _, degrees in said)
    kept = sorted((tmp_path / "home" / "recordings" / "p01").glob("*.h5"))
    assert len(kept) == 3
    follow_what_is_published(start)


PUBLISHED = """
import json, sys, time
import calibkit, numpy as np
with calibkit.follow(gaze=sys.argv[1]) as gaze:
    time.sleep(1.0)
    seen = gaze.pull()
print(json.dumps([len(seen.time), float(seen.valid.mean()),
                  np.nanmedian(seen.xy, axis=0).tolist()]))
"""


def follow_what_is_published(start: Callable[..., subprocess.Popen[str]]) -> None:
    """`calibkit publish` beside an experiment; the person looks at the screen."""
    stream = "calibkit-raw:simulate-pupil-reflex-41"
    start("publish", "--person", "p01", "--stream", stream)
    program = start(stream, code=PUBLISHED)
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    count, valid, (x, y) = json.loads(out)
    assert count > 100
    assert valid > 0.5
    assert -500 < x < 1500
    assert -350 < y < 1050


def test_what_was_recorded_is_kept(troubles: dict[str, Any]) -> None:
    assert len(troubles["kept"]) == 4  # all but the one that never began
    assert min(troubles["kept"]) > 50
