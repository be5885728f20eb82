"""Calibrated gaze inside an experiment, and what a Builder script calls.

Windows and streams here are small fakes; the real ones stand in tests/live.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

import calibkit
from calibkit import simulation
from calibkit.builder import draw_icons, running
from calibkit.channels import Channel
from calibkit.errors import CallError, DeviceError, InputError, StoppedError
from calibkit.geometry import Setup
from calibkit.joined import present, present_live
from calibkit.joined.present_gaze import Lent
from calibkit.kept.recording import Recording
from calibkit.streams.lsl_found import Chunk
from calibkit.window.screen_units import in_units

SETUP = Setup(screen_px=(1000, 800), screen_mm=(280.0, 224.0), distance_mm=600.0)


@pytest.fixture(scope="module")
def rec() -> Recording:
    person = simulation.person(seed=3, setup=SETUP, lapse_share=0.0)
    points = [(100, 100), (900, 100), (500, 400), (100, 700), (900, 700)]
    return simulation.record(person, points, seed=1)[0]


@pytest.fixture(scope="module")
def mapping(rec: Recording) -> calibkit.Mapping:
    return calibkit.fit(rec)


def window(units: str = "height", size: tuple[int, int] = (1000, 800)) -> Any:
    return SimpleNamespace(
        winType="pyglet", _closed=False, frameBufferSize=size, units=units
    )


class Inlet:
    """Hands out rows of a recording, a few at a time; then it is lost."""

    def __init__(self, channels: Any, time: Any, samples: Any, step: int = 50) -> None:
        self.channels, self.closed = tuple(channels), False
        self._rows = [
            Chunk(time_raw=time[k : k + step], samples=samples[k : k + step],
                  correction_s=0.0)
            for k in range(0, len(time), step)
        ]  # fmt: skip

    def pull(self) -> Chunk:
        if not self._rows:
            raise DeviceError("stream x was lost")
        return self._rows.pop(0)

    def close(self) -> None:
        self.closed = True


def test_what_is_followed_is_what_apply_says(
    rec: Recording, mapping: calibkit.Mapping
) -> None:
    """Plain recomputation: the mapping on the recording's own samples."""
    inlet = Inlet(rec.channels, rec.time[:200], rec.samples[:200])
    with calibkit.follow(mapping, gaze=inlet, win=window()) as live:
        assert len(live.last.time) == 0
        parts = [live.pull() for _ in range(4)]
        assert len(live.pull().time) == 0  # lost: nothing, and no error
        newest = live.last
    assert not inlet.closed
    gaze = mapping.apply(rec.samples[:200])
    assert np.array_equal(np.vstack([p.xy for p in parts]), gaze.xy, equal_nan=True)
    assert np.array_equal(np.vstack([p.sd for p in parts]), gaze.sd, equal_nan=True)
    seen = np.flatnonzero(np.isfinite(gaze.xy).all(axis=1))
    assert newest.time == rec.time[seen[-1]]
    expected = (gaze.xy[seen[-1]] - (500, 400)) * (1, -1) / 800
    assert newest.pos[0] == pytest.approx(expected)


def test_published_gaze_says_nothing_where_it_is_not_valid() -> None:
    """Source: contract, Streams: where valid is 0, nothing is said."""
    names = ("ScreenX", "ScreenY", "sd_x", "sd_y", "valid", "sequence", "mapping")
    channels = [Channel(label=n, eye="both", type=n, unit="") for n in names]
    samples = np.array([[10.0, 20, 1, 2, 1, 0, 7], [30.0, 40, 1, 2, 0, 1, 7]])
    inlet = Inlet(channels, np.array([1.0, 2.0]), samples)
    new = calibkit.follow(gaze=inlet, win=window("pix")).pull()
    assert new.valid.tolist() == [True, False]
    assert new.xy[0].tolist() == [10.0, 20.0]
    assert new.sd[0].tolist() == [1.0, 2.0]
    assert new.pos[0].tolist() == [-490.0, 380.0]
    assert np.isnan(new.pos[1]).all()


def test_what_does_not_fit_is_refused(
    tmp_path: Path, rec: Recording, mapping: calibkit.Mapping
) -> None:
    inlet = Inlet(rec.channels, rec.time[:10], rec.samples[:10])
    narrow = Inlet(rec.channels[:2], rec.time[:10], rec.samples[:10, :2])
    small = window(size=(800, 600))
    for given, kind, words in (
        ({"mapping": mapping, "gaze": inlet, "win": small}, CallError, "800 x 600"),
        ({"mapping": mapping, "gaze": narrow}, CallError, "has 2 channels"),
        ({"gaze": narrow}, CallError, "not those of calibkit publish"),
        ({"gaze": 7}, CallError, "gaze is 'int'"),
        ({"person": "p01"}, InputError, "no mapping is stored for p01"),
    ):
        with pytest.raises(kind, match=words):
            calibkit.follow(home=tmp_path, **given)


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        ("pix", [(0, 0), (-500, 400), (250, -200)]),
        ("norm", [(0, 0), (-1, 1), (0.5, -0.5)]),
        ("height", [(0, 0), (-0.625, 0.5), (0.3125, -0.25)]),
    ],
)
def test_places_in_units_of_a_window(units: str, expected: Any) -> None:
    """Source: PsychoPy's documentation of units: centre is 0, up is positive."""
    places = in_units(window(units), [(500, 400), (0, 0), (750, 600)])
    assert places == pytest.approx(np.array(expected, float))


def test_places_in_degrees_are_those_of_psychopy() -> None:
    """28 cm and 1000 pixels at 60 cm: 250 px are 7 cm, atan(7 / 60) = 6.654 degrees.

    "deg" takes one scale for all, the tangent at the centre; "degFlat" is exact.
    """
    pytest.importorskip("psychopy", reason="needs the extra `screen`")
    from psychopy import monitors

    monitor = monitors.Monitor("bench", width=28.0, distance=60.0, autoLog=False)
    monitor.setSizePix((1000, 800))
    win = window("degFlat")
    win.monitor = monitor
    ((x, y),) = in_units(win, [(750, 400)])
    assert x == pytest.approx(math.degrees(math.atan(7 / 60)), abs=1e-3)
    assert y == pytest.approx(0.0)
    assert in_units(win, [(750, 400)], "cm")[0][0] == pytest.approx(7.0)
    plain = in_units(win, [(750, 400)], "deg")[0][0]
    assert plain == pytest.approx(7 / (60 * math.tan(math.radians(1))), rel=2e-3)
    with pytest.raises(CallError, match="'inches'"):
        in_units(win, [(750, 400)], "inches")
    win.monitor = monitors.Monitor("unmeasured", autoLog=False)
    with pytest.raises(CallError, match="Monitor Centre"):
        in_units(win, [(750, 400)])


class Experiment:
    """Takes data as PsychoPy's experiment handler does."""

    def __init__(self) -> None:
        self.data: dict[str, Any] = {}

    def addData(self, name: str, value: Any) -> None:
        self.data[name] = value


def gave(accepted: bool) -> Any:
    return SimpleNamespace(
        accepted=accepted,
        accuracy_deg=0.7,
        path=Path("x/a.h5"),
        result=SimpleNamespace(precision_sd_deg=0.2, loss=0.1),
        keys=SimpleNamespace(rows=3, columns=5),
    )


@pytest.mark.parametrize(
    ("answers", "tries", "accepted", "took"),
    [([False, True], 3, True, 2), ([False, False], 2, False, 2), ([True], 0, True, 1)],
)
def test_hold_tries_until_it_is_good_enough(
    monkeypatch: pytest.MonkeyPatch,
    answers: list[bool],
    tries: int,
    accepted: bool,
    took: int,
) -> None:
    left = list(answers)
    monkeypatch.setattr(present, "present", lambda **_: gave(left.pop(0)))
    exp = Experiment()
    held = running.hold(None, exp, "fit", tries=tries)
    assert (held.accepted, held.tries, left) == (accepted, took, [])
    assert not held.ends
    assert exp.data["fit.accepted"] is accepted
    assert exp.data["fit.tries"] == took
    assert exp.data["fit.recording"] == "a.h5"
    assert exp.data["fit.key_columns"] == 5


@pytest.mark.parametrize(
    ("error", "stopped", "ends"),
    [
        (StoppedError("it was stopped"), "goes on", False),
        (StoppedError("it was stopped"), "ends", True),
        (DeviceError("no stream"), "goes on", True),
    ],
)
def test_hold_raises_nothing_and_says_whether_the_experiment_ends(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: Exception,
    stopped: str,
    ends: bool,
) -> None:
    def fail(**_: Any) -> Any:
        raise error

    monkeypatch.setattr(present, "present", fail)
    exp = Experiment()
    held = running.hold(None, exp, "fit", tries=3, stopped=stopped)
    assert held.ends is ends
    assert held.tries == 1
    assert math.isnan(held.accuracy_deg)
    assert exp.data == {
        "fit.accepted": False, "fit.tries": 1, "fit.problem": str(error),
    }  # fmt: skip
    assert str(error) in capsys.readouterr().err


@pytest.fixture
def watched(
    monkeypatch: pytest.MonkeyPatch, rec: Recording, mapping: calibkit.Mapping
) -> running.Watched:
    """Gaze of a recording, 50 samples (0.2 s) a frame, after one frame of backlog."""
    inlet = Inlet(rec.channels, rec.time[:350], rec.samples[:350])
    source = Lent(inlet)
    waits = [Chunk(time_raw=np.empty(0), samples=np.empty((0, 1)), correction_s=0.0)]
    inlet._rows[1:1] = waits
    stream = SimpleNamespace(source=source, close=lambda: None)
    monkeypatch.setattr(present_live, "opened", lambda *_, **__: stream)
    monkeypatch.setattr(present_live, "needed", lambda *_: mapping)
    return running.Watched(window(), "seen", person="p01", last_s=0.1)


def test_a_routine_saves_place_and_share_of_what_counts(
    watched: running.Watched, rec: Recording, mapping: calibkit.Mapping
) -> None:
    """Plain recomputation; the backlog and the first frame do not count."""
    watched.begin(from_s=0.3)
    for frame in range(4):
        watched.look(0.2 * (frame + 1))
    exp = Experiment()
    watched.save(exp)
    counted = mapping.apply(rec.samples[100:250]).xy
    valid = np.isfinite(counted[:, 0] + counted[:, 1])
    assert exp.data["seen.samples"] == 150
    assert exp.data["seen.valid"] == pytest.approx(valid.mean(), abs=1e-4)
    time = rec.time[100:250]
    late = valid & (time >= time[-1] - 0.1)
    x, y = np.median((counted[late] - (500, 400)) * (1, -1) / 800, axis=0)
    assert exp.data["seen.x"] == pytest.approx(x, abs=1e-4)
    assert exp.data["seen.y"] == pytest.approx(y, abs=1e-4)
    assert exp.data["seen.problem"] == ""
    newest = np.flatnonzero(valid)[-1]
    assert watched.pos == pytest.approx((counted[newest] - (500, 400)) * (1, -1) / 800)
    assert watched.known is bool(valid[-1])
    sd = mapping.apply(rec.samples[100:250]).sd[late] / 800
    assert exp.data["seen.sd_x"] == pytest.approx(np.median(sd[:, 0]), abs=1e-4)
    assert exp.data["seen.sd_y"] == pytest.approx(np.median(sd[:, 1]), abs=1e-4)


def test_a_routine_without_gaze_goes_on_and_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise DeviceError("no stream of type Gaze is in reach")

    monkeypatch.setattr(present_live, "opened", fail)
    watched = running.Watched(window(), "seen", person="p01")
    for _ in range(2):
        exp = Experiment()
        watched.begin()
        watched.look(0.1)
        watched.save(exp)
        assert exp.data["seen.samples"] == 0
        assert "no stream" in exp.data["seen.problem"]
    watched.close()
    assert watched.pos == running.OUTSIDE
    assert not watched.known
    assert capsys.readouterr().err.count("no stream") == 1


def test_icons_are_what_the_script_draws() -> None:
    """Greys alone, and every theme's pictures as they would be drawn anew."""
    for path, picture in draw_icons.files(draw_icons.ICONS).items():
        with Image.open(path) as kept:
            assert kept.mode == "LA"
            differ = np.asarray(kept, int) - np.asarray(picture, int)
        assert np.abs(differ).max() <= 2
    for name in draw_icons.MARKS:
        text = (draw_icons.ICONS / f"{name}.svg").read_text(encoding="utf-8")
        assert text == draw_icons.vector(name)
