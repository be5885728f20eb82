"""A video file through the real command, a real stream, a recording, a mapping."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import moving_face
import numpy as np
import pytest
from waiting import until

import calibkit
from calibkit.camera import rows
from calibkit.streams import lsl

pytestmark = pytest.mark.live

Program = subprocess.Popen[str]
Start = Callable[..., Program]

FPS, FRAMES, LATENCY_S = 15.0, 9, 0.08
SCREEN_PX, SCREEN_MM, DISTANCE_MM = (1920, 1080), (527.0, 296.0), 600.0
# Places of the targets, as shares of the screen; the last four only check.
PLACES = [(x, y) for y in (0.1, 0.5, 0.9) for x in (0.1, 0.5, 0.9)]
PLACES += [(0.3, 0.3), (0.7, 0.3), (0.3, 0.7), (0.7, 0.7)]
LABELS = [channel.label for channel in rows.channels()]


def iris_px(place: tuple[float, float]) -> np.ndarray[Any, Any]:
    """Where the irises go for a target: 12 mm of eyeball in an eye of 30 mm."""
    aside_mm = (np.array(place) - 0.5) * SCREEN_MM
    angle = np.arctan2(aside_mm, DISTANCE_MM)
    return np.sin(angle) * 12 / 30 * moving_face.EYE_WIDTH


@pytest.fixture(scope="module")
def video(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = moving_face.photograph()
    rng = np.random.default_rng(4)
    pictures = (
        moving_face.picture(base, iris_px(place), rng.normal(0, 1, 2), noise=4, rng=rng)
        for place in PLACES
        for _ in range(FRAMES)
    )
    path = tmp_path_factory.mktemp("video") / "person.avi"
    return moving_face.write_video(path, pictures, FPS)


@pytest.fixture
def models(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir(mode=0o700)
    (tmp_path / "home" / "models").symlink_to(moving_face.models_home() / "models")


def tell_targets(outlet: lsl.MarkerOutlet, start_s: float) -> None:
    """Send the session's events, with the times at which the video shows them."""
    for number, (x, y) in enumerate(PLACES):
        role = "calibration" if number < 9 else "validation"
        place = {"x": x * SCREEN_PX[0], "y": y * SCREEN_PX[1], "role": role}
        on_s = start_s + number * FRAMES / FPS
        outlet.push({"event": "target_on", "id": number, **place}, on_s)
        off_s = on_s + (FRAMES - 0.5) / FPS
        outlet.push({"event": "target_off", "id": number}, off_s)


@pytest.mark.usefixtures("models")
def test_a_video_becomes_a_mapping(start: Start, video: Path, tmp_path: Path) -> None:
    """The whole door: camera, record, fit, assess; features follow the face."""
    outlet = lsl.MarkerOutlet("marks", f"camera-marks-{os.getpid()}")
    size = ("--screen-px", "1920x1080", "--screen-mm", "527x296", "--distance-mm", 600)
    camera = start(
        *("camera", video, "--mirrored", "--wait", 60),
        *("--latency-s", LATENCY_S),
    )
    name = "calibkit-raw:camera-person"
    found = until(lambda: camera.poll() or lsl.find("Gaze", name, 0.5))
    assert camera.poll() is None, camera.communicate()
    assert found[0].rate == 0.0
    # The video waits for this first reader.
    recorder = start("record", "-o", "raw.h5", "--wait", 30, *size)
    assert outlet.wait_for_consumers(15.0)
    inlet = lsl.open_gaze(found[0])
    assert inlet.channels == rows.channels()
    chunk = until(lambda: (c := inlet.pull(0.1)) and len(c.time) and c)
    first = chunk.samples[0, LABELS.index("frame")]
    tell_targets(outlet, chunk.time[0] + LATENCY_S - first / FPS)
    said = camera.communicate(timeout=60)[1]
    assert camera.returncode == 0, said
    time.sleep(0.5)
    recorder.terminate()
    assert recorder.wait(20) == 0

    rec = calibkit.Recording.load(tmp_path / "raw.h5")
    frame = rec.samples[:, LABELS.index("frame")]
    known = np.array([iris_px(PLACES[int(k) // FRAMES]) for k in frame])
    for axis, least in (("x", 0.9), ("y", 0.75)):
        for eye in ("left", "right"):
            column = rec.samples[:, LABELS.index(f"{eye}_iris_{axis}")]
            assert np.corrcoef(known[:, "xy".index(axis)], column)[0, 1] > least
    # Stamps are the file's own times: to the frame, whatever was dropped.
    np.testing.assert_allclose(np.diff(rec.time), np.diff(frame) / FPS, atol=1e-6)
    mapping = calibkit.fit(rec)
    result = calibkit.assess(mapping, rec, role="validation")
    assert result.accuracy_deg < 6.0  # who answers "the middle" is off by 11
    print(f"accuracy {result.accuracy_deg:.2f} degrees", said)
