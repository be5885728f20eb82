"""README's example for any device, from its samples to a mapping, over real LSL."""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import calibkit
from calibkit import simulation
from calibkit.geometry import Setup
from calibkit.kept import settings
from calibkit.streams import lsl

pytestmark = pytest.mark.live

Start = Callable[..., subprocess.Popen[str]]
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
SECONDS = 0.9
POINTS = [
    *((960, 540), (200, 150), (1720, 930), (200, 930), (1720, 150)),
    *((600, 350), (1300, 750), (1300, 350)),
]
# A device with a clock of its own: another zero, 500 millionths fast, samples that
# come 4 to 20 ms after their picture, a lost eye as None.
DEVICE = """
import json, pathlib, random, time
import pylsl
rows = json.loads(pathlib.Path("rows.json").read_text())
told, draw, at, k = pathlib.Path("begin"), random.Random(1), pylsl.local_clock(), -1
def samples():
    global at, k
    while k < len(rows):
        wait = at + draw.uniform(0.004, 0.020) - pylsl.local_clock()
        if wait > 0:
            time.sleep(wait)
        values = rows[k] if k >= 0 else [v + draw.gauss(0, 0.003) for v in rows[0]]
        yield 5000 + 1.0005 * at, values
        if k < 0 and told.exists():
            at, k = float(told.read_text()), 0
        else:
            at, k = at + 1 / 60, k if k < 0 else k + 1
    time.sleep(20)
"""


def example() -> str:
    blocks = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    (code,) = [block for block in blocks if "my_device" in block]
    assert len(code.splitlines()) <= 30
    return str(code)


def plan() -> tuple[list[list[float | None]], list[dict[str, Any]]]:
    """What the device measures of a simulated person, and the markers for it."""
    person = simulation.person(tracker="screen", seed=11, setup=SETUP, rate_hz=60.0)
    rec = simulation.record(person, POINTS, seed=11, seconds_per_point=SECONDS)[0]
    columns = [k for k, c in enumerate(rec.channels) if c.type.startswith("Screen")]
    values = rec.samples[:, columns] / np.tile(SETUP.screen_px, 2)
    rows = [[None if np.isnan(v) else float(v) for v in row] for row in values]
    rows[0] = [0.51, 0.52, 0.49, 0.5]
    marks = []
    for number, target in enumerate(rec.targets):
        role = "calibration" if number < 5 else "validation"
        where = {"id": number, "x": float(target["x"]), "y": float(target["y"])}
        for event, at in (("target_on", "onset"), ("target_off", "offset")):
            after_s = float(target[at]) - float(rec.time[0])
            marks.append({"event": event, "role": role, **where, "after_s": after_s})
    return rows, marks


def answer(program: subprocess.Popen[str], wait_s: float = 40.0) -> str:
    out, err = program.communicate(timeout=wait_s)
    assert program.returncode == 0, err
    return out


@pytest.mark.skipif(os.name != "posix", reason="the recorder is ended by a signal")
def test_the_example_carries_a_device_to_a_mapping(
    start: Start, tmp_path: Path
) -> None:
    rows, marks = plan()
    (tmp_path / "rows.json").write_text(json.dumps(rows))
    (tmp_path / "my_device.py").write_text(DEVICE)
    outlet = lsl.MarkerOutlet("marks", "test-any-tracker")
    start(code=example())
    recorder = start("record", "-o", "rec.h5", "--wait", "30")
    checked = start("streams", "--check", "--json", "--wait", "30", "--for", "2")
    assert outlet.wait_for_consumers(40.0)
    (seen,) = json.loads(answer(checked))["streams"]
    begin_s = lsl.clock() + 0.2
    (tmp_path / "begin.new").write_text(str(begin_s))
    (tmp_path / "begin.new").rename(tmp_path / "begin")
    for mark in marks:
        outlet.push(mark, begin_s + mark.pop("after_s"))
    assert [row["kind"] for row in seen["reads"]] == ["screen", "screen"]
    assert seen["missing"] == []
    told = {f["id"] for f in seen["check"]}
    assert told <= {"gap", "late"}  # a busy machine
    assert 0 <= seen["age_ms"] < 25
    time.sleep(max(begin_s + len(rows) / 60 + 0.5 - lsl.clock(), 0.0))
    recorder.terminate()
    answer(recorder)
    rec = calibkit.Recording.load(tmp_path / "rec.h5")
    assert len(rec.targets) == len(POINTS)
    # On the LSL clock; by the device's own it would be 5,000 s elsewhere.
    assert rec.time[-1] - begin_s == pytest.approx(len(rows) / 60, abs=0.5)
    steps = np.diff(rec.time[rec.time > begin_s])
    assert np.median(np.abs(steps - 1 / 60)) < 0.001  # not the 16 ms of its arrivals
    mapping = calibkit.fit(rec)
    result = calibkit.assess(mapping, rec)
    assert result.accuracy_deg < 1.5
    assert len(result.targets) == 3


def bare(source_id: str | None, labels: tuple[str, ...]) -> Any:
    """An outlet with labels, without types; without an id one is made up anew."""
    pylsl = lsl._pylsl()
    info = pylsl.StreamInfo("odd one", "Gaze", len(labels), 0, "float32", source_id)
    block = info.desc().append_child("channels")
    for label in labels:
        block.append_child("channel").append_child_value("label", label)
    return pylsl.StreamOutlet(info)


def test_a_map_in_toml_names_a_stream_once_and_for_all(
    start: Start, tmp_path: Path
) -> None:
    outlet = bare(None, ("ticks", "battery", "gaze_x", "gaze_y"))
    asked = start("streams", "--draft", "names.toml", "--wait", "8")
    while asked.poll() is None:
        outlet.push_sample([1.0, 50.0, 0.25, 0.75])
        time.sleep(0.01)
    answer(asked)
    text = (tmp_path / "names.toml").read_text("utf-8")
    assert "# 3, sent 0.25 to 0.25" in text
    draft = settings.read_channel_map(tmp_path / "names.toml")
    assert [c.type for c in draft.channels] == ["", "", "ScreenX", "ScreenY"]
    (given,) = re.findall(r"```toml\n(origin.*?)```", README, flags=re.DOTALL)
    (tmp_path / "names.toml").write_text(given)
    kept = start("streams", "--names", "names.toml", "--wait", "8")
    _, err = kept.communicate(timeout=30)
    assert "under the stream's name, odd one" in err
    del outlet
    # Started again it has another id, as pylsl makes it up from a random hash.
    outlet = bare("-1234567890123456789", ("ticks", "battery", "gaze_x", "gaze_y"))
    program = start(
        "record", "-o", "r.h5", "--for", "2", "--stream=-1234567890123456789"
    )
    while program.poll() is None:
        lost = int(time.monotonic() * 100) % 5 == 0
        outlet.push_sample([1.0, 50.0, *([-9999.0] * 2 if lost else [0.25, 0.75])])
        time.sleep(0.01)
    answer(program)
    rec = calibkit.Recording.load(tmp_path / "r.h5")
    assert rec.setup.screen_px == (1920, 1080)
    missing = np.isnan(rec.samples[:, 2:]).all(axis=1)
    assert 0.05 < missing.mean() < 0.5
    # Source: y runs up from the bottom left, so 0.75 is a quarter from the top.
    np.testing.assert_allclose(rec.samples[~missing, 2:], 0.25, atol=1e-6)


def test_the_wrong_map_is_refused_in_one_sentence(start: Start, tmp_path: Path) -> None:
    outlet = bare("odd-1", ("a", "b"))
    (given,) = re.findall(r"```toml\n(origin.*?)```", README, flags=re.DOTALL)
    (tmp_path / "names.toml").write_text(given)
    program = start("streams", "--names", "names.toml", "--wait", "8")
    _, err = program.communicate(timeout=30)
    assert program.returncode == 3
    assert "names 4 channels but the stream has 2" in err
    assert len(err.strip().splitlines()) == 1
    assert not (tmp_path / "home" / "settings.toml").exists()
    del outlet


def test_a_screen_is_told_once_for_a_stream_that_does_not_tell_it(
    start: Start, tmp_path: Path
) -> None:
    """README's lines for a camera: what is measured is kept, then recording works."""
    outlet = bare("rig-1", ("gaze_x", "gaze_y"))
    record = ("record", "-o", "r.h5", "--for", "0.5", "--stream", "rig-1")
    refused = start(*record)
    _, err = refused.communicate(timeout=30)
    assert refused.returncode == 2
    for name in ("screen_px", "screen_mm", "--distance-mm", "calibkit streams"):
        assert name in err
    assert not list(tmp_path.glob("r.*"))
    (line,) = re.findall(
        r"^calibkit (streams --screen-px .*?) +#", README, re.MULTILINE
    )
    answer(start(*line.split(), "--wait", "8"))
    program = start(*record)
    while program.poll() is None:
        outlet.push_sample([0.25, 0.75])
        time.sleep(0.01)
    answer(program)
    setup = calibkit.Recording.load(tmp_path / "r.h5").setup
    assert (setup.screen_px, setup.screen_mm) == ((1920, 1080), (527.0, 296.0))
