"""From the first target to published gaze, with real streams, window and keys.

Outside sources: xdotool presses the keys; the window's own pixels; a plain consumer
built on the streaming library alone, with none of our code, receives the gaze.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

import calibkit
from calibkit.window import display

pytestmark = pytest.mark.live

if sys.platform != "linux" or not (shutil.which("Xvfb") and shutil.which("xdotool")):
    pytest.skip("needs Xvfb and xdotool", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")

Start = Callable[..., subprocess.Popen[str]]
SOURCE = "calibkit-raw:simulate-pupil-reflex-23"
WIDTH, HEIGHT = 1000, 700

LISTEN = """
import json, sys, pylsl
found = pylsl.resolve_byprop("source_id", sys.argv[1], timeout=20)
inlet = pylsl.StreamInlet(found[0])
labels, channel = [], inlet.info().desc().child("channels").child("channel")
while not channel.empty():
    labels.append([channel.child_value(k) for k in ("label", "type", "unit")])
    channel = channel.next_sibling()
rows = []
while len(rows) < 300:
    sample, stamp = inlet.pull_sample(timeout=10)
    rows.append([stamp, *sample])
print(json.dumps({"labels": labels, "rows": rows}))
"""


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with display.virtual_display() as number:
        monkeypatch.setenv("DISPLAY", number)
        yield number


def levels(path: Path) -> np.ndarray:
    from PIL import Image

    with Image.open(path) as picture:
        return np.asarray(picture.convert("L"), float) / 255.0


def press_space_at_each_target(
    program: subprocess.Popen[str], pictures: Path, limit_s: float
) -> int:
    """Press when a target has been there for a while, until the session ends."""
    presses, end_s = 0, time.monotonic() + limit_s
    while program.poll() is None:
        assert time.monotonic() < end_s, f"no end after {presses} presses"
        if (pictures / f"target-{presses + 1:02d}.png").exists():
            time.sleep(1.5)
            subprocess.run(["xdotool", "key", "space"], check=True, timeout=10)
            presses += 1
        time.sleep(0.05)
    return presses


@pytest.mark.usefixtures("screen")
def test_from_the_first_target_to_published_gaze(start: Start, tmp_path: Path) -> None:
    start(
        *("simulate", "--seed", "23", "--screen-px", f"{WIDTH}x{HEIGHT}"),
        *("--screen-mm", "274x192"),
    )
    pictures = tmp_path / "pictures"
    program = start(
        *("calibrate", "--person", "plover", "--stream", SOURCE, "--json"),
        *("--protocol", "quick", "--advance", "key"),
        *("--window", f"{WIDTH}x{HEIGHT}", "--pictures", str(pictures)),
    )
    presses = press_space_at_each_target(program, pictures, 90)
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    found = json.loads(out)

    rec = calibkit.Recording.load(found["recording"])
    assert presses == len(rec.targets) >= 6
    assert {"calibration", "validation"} == set(rec.targets["role"])
    # A blank window fails here.
    for path in pictures.glob("*.png"):
        assert np.ptp(levels(path)) > 0.3, path
    assert len(list(pictures.glob("*.png"))) == presses

    publisher = start("publish", "--person", "plover", "--stream", SOURCE)
    consumer = start(f"calibkit:{SOURCE}", code=LISTEN)
    heard, trouble = consumer.communicate(timeout=60)
    assert consumer.returncode == 0, trouble
    stream = json.loads(heard)
    assert [label[1] for label in stream["labels"][:2]] == ["ScreenX", "ScreenY"]
    rows = np.array(stream["rows"])
    valid = rows[rows[:, 5] == 1]
    assert len(valid) > 0.5 * len(rows)
    assert np.isfinite(valid).all()
    # The person rests near the last target: calibrated gaze lies on the screen.
    middle = np.median(valid[:, 1:3], axis=0)
    assert (middle > -100).all()
    assert (middle < (WIDTH + 100, HEIGHT + 100)).all()
    assert set(np.diff(rows[:, 6])) == {1.0}
    assert set(rows[:, 7]) == {float(found["mapping"]["id"])}
    publisher.terminate()
    assert publisher.wait(timeout=10) == 0


def test_the_demo_does_the_whole_job(start: Start, tmp_path: Path) -> None:
    os.environ.pop("DISPLAY", None)
    program = start("demo", "--seed", "5", "--json")
    out, err = program.communicate(timeout=180)
    assert program.returncode == 0, err
    found = json.loads(out)
    folder = tmp_path / "calibkit-demo-1"
    assert "virtual one runs" in err
    assert Path(found["page"]).parent == folder
    page = Path(found["page"]).read_text(encoding="utf-8")
    assert page.count("<svg") >= 2
    assert "http://" not in page.replace("http://www.w3.org", "")
    rec = calibkit.Recording.load(found["recording"])
    assert {"calibration", "validation"} == set(rec.targets["role"])
    pictures = sorted(Path(found["pictures"]).glob("*.png"))
    assert len(pictures) == len(rec.targets)
    assert all(np.ptp(levels(path)) > 0.3 for path in pictures)
    tried = found["tried"]
    assert tried["samples"] > 100
    assert tried["valid"] > 0.5
    # Random places on a 4 x 11 grid would be hit one time in 44.
    assert tried["hits"] >= tried["asked"] - 2
