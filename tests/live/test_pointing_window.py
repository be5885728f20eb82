"""The pointing trial in a real window: keys drawn, a simulated person who chooses them.

Outside source: the pixels of the window's own buffer, against the grid's geometry.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from calibkit.kept.recording import Recording
from calibkit.window import display

pytestmark = pytest.mark.live

if sys.platform != "linux" or not shutil.which("Xvfb"):
    pytest.skip("needs Xvfb", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")

Start = Callable[..., subprocess.Popen[str]]
SOURCE = "calibkit-raw:simulate-screen-43"
SAID = {
    "hit": "Hit.",
    "beside": "A key beside it was chosen.",
    "elsewhere": "A key elsewhere was chosen.",
    "none": "No key was chosen in time.",
}
WHO = ("--person", "wren", "--stream", SOURCE, "--window", "1000x700", "--json")


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with display.virtual_display() as number:
        monkeypatch.setenv("DISPLAY", number)
        yield number


@pytest.mark.usefixtures("screen")
def test_keys_are_drawn_and_chosen_by_gaze(start: Start, tmp_path: Path) -> None:
    from PIL import Image

    start(
        *("simulate", "--tracker", "screen", "--seed", "43"),
        *("--screen-px", "1000x700", "--screen-mm", "274x192"),
    )
    made = start("calibrate", *WHO, "--protocol", "quick")
    out, err = made.communicate(timeout=180)
    assert made.returncode == 0, err
    assert json.loads(out)["advice"]["kind"] in ("keep", "change", "rest", "end")
    pictures = tmp_path / "pictures"
    trial = start("pointing", *WHO, "--pictures", str(pictures), "--operator", "page")
    out, err = trial.communicate(timeout=240)
    assert trial.returncode == 0, err
    told = json.loads(out)
    # The operator is told of each key, and only of keys that do something here. Which
    # are hit is chance: the simulated eye has its own mind, and the machine its load.
    asks = told["pointing"]["asks"]
    for number, ask in enumerate(asks, 1):
        assert f"Key {number}: {SAID[ask['outcome']]}\n" in err
    assert any(ask["outcome"] == "hit" for ask in asks)
    assert "Leave out" not in err
    rec = Recording.load(told["recording"])
    assert set(rec.targets["role"]) == {"pointing"}
    assert told["pointing"]["tries"] == (rec.targets["kept"] != 0).sum() >= 4
    first = asks[0]
    with Image.open(sorted(pictures.glob("*.png"))[0]) as picture:
        levels = np.asarray(picture.convert("L"), float) / 255.0
    wide, high = 1000 / first["columns"], 700 / first["rows"]
    x, y = first["target_px"]
    back = np.median(levels)
    # The heavier frame of the key asked for, and the thin line far from it.
    assert abs(levels[int(y - high / 2) + 2, int(x)] - back) > 0.3
    edge = wide if x > 500 else 1000 - wide
    column = levels[int(high / 2), int(edge) - 2 : int(edge) + 3]
    assert np.abs(column - back).max() > 0.1
    # Nothing else is on it: keys are as light as the background.
    assert np.mean(np.abs(levels - back) < 0.02) > 0.8
