"""Sessions in an experiment, on a virtual clock and in a window that is none.

What a window is like before and after stands in tests/live/test_experiments.py.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import calibkit
from calibkit import simulation
from calibkit.errors import CallError, DeviceError, InputError
from calibkit.geometry import Setup
from calibkit.joined import present_plan, present_setup, run_conclude
from calibkit.joined.present_gaze import Lent, named
from calibkit.joined.run_headless import VirtualPresenter
from calibkit.kept import profile, protocol, records, settings

SETUP = Setup(screen_px=(1000, 700), screen_mm=(274.0, 192.0), distance_mm=600.0)
PERSON = simulation.person(seed=3, setup=SETUP, lapse_share=0.0)


class Monitor:
    """Answers as PsychoPy's monitors do, in centimetres."""

    def __init__(
        self, width: float | None = None, distance: float | None = None,
        size: Any = None, name: str = "bench",
    ) -> None:  # fmt: skip
        self.name, self._width, self._distance = name, width, distance
        self._size = size

    def getWidth(self) -> float | None:
        return self._width

    def getDistance(self) -> float | None:
        return self._distance

    def getSizePix(self) -> Any:
        return self._size


def handle(points: tuple[int, int]) -> Any:
    display = SimpleNamespace(width=1280, height=800)
    return SimpleNamespace(screen=display, get_size=lambda: points)


def window(monitor: Monitor | None = None, **more: Any) -> Any:
    given = {
        "winType": "pyglet",
        "_closed": False,
        "frameBufferSize": (1000, 700),
        "winHandle": handle((1000, 700)),
        "monitor": monitor or Monitor(27.4, 60.0, (1000, 700)),
        **more,
    }
    return SimpleNamespace(**given)


@pytest.fixture
def virtual(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(present_plan, "screen", lambda *_: VirtualPresenter())


def shown(home: Path, name: Any = "quick", **more: Any) -> calibkit.Presented:
    given: dict[str, Any] = {"gaze": PERSON, "win": window(), "seed": 2, **more}
    return calibkit.present(name, home=home, **given)


@pytest.mark.usefixtures("virtual")
def test_a_session_gives_what_the_library_makes_of_its_recording(
    tmp_path: Path,
) -> None:
    """Plain recomputation: fit, assess, keys from the file that it kept."""
    gave = shown(tmp_path, "standard", person="p01")
    rec = calibkit.Recording.load(gave.path)
    again = calibkit.assess(calibkit.fit(rec), rec)
    assert gave.result is not None
    assert gave.accuracy_deg == pytest.approx(again.accuracy_deg)
    assert gave.keys == calibkit.usable_keys(again, setup=rec.setup)
    assert gave.accepted
    assert "degrees" in gave.words or "°" in gave.words
    assert rec.setup.screen_mm == pytest.approx((274.0, 191.8))
    xy = gave.mapping.apply(rec.samples).xy
    assert np.isfinite(xy).any()


@pytest.mark.usefixtures("virtual")
def test_a_person_keeps_a_mapping_and_somebody_without_a_code_none(
    tmp_path: Path,
) -> None:
    shown(tmp_path)
    assert profile.people(tmp_path) == ()
    assert len(records.recordings(tmp_path, "unnamed")) == 1
    one = shown(tmp_path, person="p01")
    assert profile.people(tmp_path) == ("p01",)
    checked = shown(tmp_path, "off-grid", person="p01", do="validate")
    assert checked.mapping.id == one.mapping.id
    assert set(checked.recording.targets["role"]) == {"validation"}
    assert len(checked.recording.targets) == 8
    point = shown(tmp_path, None, person="p01", do="one-point")
    assert len(point.recording.targets) == 1
    assert point.keys is None
    assert "No size of key" not in point.words
    # A protocol of one point moves the person's own mapping.
    moved = shown(tmp_path, "offset", person="p01")
    assert moved.mapping.id != one.mapping.id
    assert (moved.recording.targets["role"] == "calibration").sum() == 1


@pytest.mark.usefixtures("virtual")
def test_within_decides_what_is_accepted(tmp_path: Path) -> None:
    good = shown(tmp_path, within_deg=5.0)
    assert good.accepted
    poor = shown(tmp_path, within_deg=0.01)
    assert not poor.accepted
    assert 0.05 < poor.accuracy_deg < 5.0
    given = {"do": "one-point", "mapping": good.mapping}
    assert shown(tmp_path, within_deg=5.0, **given).accepted
    assert not shown(tmp_path, within_deg=0.01, **given).accepted


@pytest.mark.usefixtures("virtual")
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"worse": 0.95}, "worse than the one in use"),
        ({"fault": "it is mirrored between two targets"}, "no usable mapping"),
    ],
)
def test_a_mapping_that_is_not_used_is_not_accepted(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    changes: dict[str, Any],
    words: str,
) -> None:
    """What the session found is altered on its way; what is made of it is not."""
    conclude = run_conclude.conclude
    monkeypatch.setattr(
        run_conclude,
        "conclude",
        lambda *a, **k: dataclasses.replace(conclude(*a, **k), **changes),
    )
    gave = shown(tmp_path)
    assert not gave.accepted
    assert words in gave.words


@pytest.mark.usefixtures("virtual")
def test_mapping_of_another_window_is_refused_before_anything_is_shown(
    tmp_path: Path,
) -> None:
    gave = shown(tmp_path)
    other = window(Monitor(50.0, 60.0, (1000, 700)))
    with pytest.raises(InputError, match="another set-up"):
        shown(tmp_path, None, do="one-point", mapping=gave.mapping, win=other)
    assert len(records.recordings(tmp_path, "unnamed")) == 1


def refusals() -> list[tuple[dict[str, Any], type[Exception], str]]:
    glide = protocol.load("glide")
    plain = protocol.load("quick", ["check.points=[]"])
    pictured = plain.model_copy(
        update={"targets": plain.targets.model_copy(update={"pictures": ("a.png",)})}
    )
    return [
        ({"do": "look"}, CallError, "'look'; use calibrate, validate, one-point"),
        ({"name": "off-grid"}, CallError, 'use it with do="validate"'),
        ({"do": "validate"}, InputError, "no mapping to check for unnamed"),
        ({"person": "Ana B."}, CallError, "unusable"),
        ({"within_deg": -1.0}, CallError, "degrees above 0"),
        ({"name": plain, "within_deg": 1.0}, CallError, "needs check points"),
        ({"name": pictured}, CallError, "give the file's path"),
        ({"name": glide, "do": "one-point"}, CallError, "has no point"),
        ({"name": "nothing"}, InputError, "no protocol 'nothing'"),
        ({"advance": "wish"}, CallError, "gaze, timer or key"),
        ({"gaze": 7}, CallError, "gaze is 'int'; give gaze as the source_id"),
        ({"win": window(winType="glfw")}, CallError, 'of the kind "pyglet"'),
        ({"win": window(_closed=True)}, CallError, "is closed already"),
        ({"win": object()}, CallError, "'object' of the kind None"),
    ]


@pytest.mark.usefixtures("virtual")
@pytest.mark.parametrize(("more", "kind", "words"), refusals())
def test_what_cannot_be_done_is_refused_in_a_sentence(
    tmp_path: Path, more: dict[str, Any], kind: type[Exception], words: str
) -> None:
    with pytest.raises(kind) as error:
        shown(tmp_path, **{"name": "quick", **more})
    assert words in str(error.value)
    assert "\n" not in str(error.value)
    assert not (tmp_path / "recordings").exists()


def found(monitor: Monitor, home: Path, **given: Any) -> Setup:
    return present_setup.of_window(
        window(monitor), home, "p01", given, {}, (0.5, 0.5, 0.5)
    )


def test_set_up_of_a_measured_monitor(tmp_path: Path) -> None:
    """A window of 1000 x 700 on 1280 x 800 pixels that are 35 cm wide together."""
    setup = found(Monitor(35.0, 57.0, (1280, 800)), tmp_path)
    assert setup.screen_px == (1000, 700)
    assert setup.screen_mm == pytest.approx((350 * 1000 / 1280, 350 * 700 / 1280))
    assert setup.distance_mm == 570.0
    unsized = found(Monitor(35.0, 57.0), tmp_path)
    assert unsized.screen_mm == pytest.approx(setup.screen_mm)


def test_a_window_of_two_pixels_a_point_has_the_display_s_millimetres(
    tmp_path: Path,
) -> None:
    """1000 x 700 pixels are 500 x 350 points of a display of 1280 x 800 points."""
    win = window(Monitor(35.0, 57.0), winHandle=handle((500, 350)))
    setup = present_setup.of_window(win, tmp_path, "p01", {}, {}, (0.5, 0.5, 0.5))
    assert setup.screen_px == (1000, 700)
    assert setup.screen_mm == pytest.approx((350 * 500 / 1280, 350 * 350 / 1280))


def test_what_is_given_comes_before_what_is_stored_before_the_monitor(
    tmp_path: Path,
) -> None:
    monitor = Monitor(35.0, 57.0, (1280, 800))
    settings.store_setup(tmp_path, {"distance_mm": 610.0})
    assert found(monitor, tmp_path).distance_mm == 610.0
    given = found(monitor, tmp_path, distance_mm=650.0, screen_mm=(300.0, 210.0))
    assert given.distance_mm == 650.0
    assert given.screen_mm == (300.0, 210.0)


@pytest.mark.parametrize(
    ("monitor", "given", "words"),
    [
        (Monitor(), {}, "give screen_mm=(W, H)"),
        (Monitor(35.0), {}, "give distance_mm=D"),
        (Monitor(30.0, 57.0, [1024, 768], "testMonitor"), {}, "nothing is guessed"),
        (Monitor(35.0, 57.0), {"distance_mm": 60.0}, "give distance_mm in millimetres"),
        (Monitor(0.35, 57.0), {}, "give screen_mm in millimetres"),
    ],
)
def test_a_size_is_never_guessed(
    tmp_path: Path, monitor: Monitor, given: dict[str, Any], words: str
) -> None:
    with pytest.raises(CallError) as error:
        found(monitor, tmp_path, **given)
    assert words in str(error.value)
    assert "--" not in str(error.value)


class Inlet:
    """An inlet of the caller's that is lost at once."""

    channels = PERSON.channels
    closed = False

    def pull(self) -> Any:
        raise DeviceError("stream x was lost")

    def close(self) -> None:
        self.closed = True


def test_a_lent_inlet_is_read_quietly_after_its_loss_and_left_open() -> None:
    inlet = Inlet()
    lent = Lent(inlet)
    assert len(lent.pull().time) == 0
    assert [text for _, text in lent.notes()] == ["stream x was lost"]
    assert lent.pull().samples.shape == (0, len(PERSON.channels))
    assert lent.notes() == []
    lent.close()
    assert not inlet.closed


@pytest.mark.parametrize(("source_id", "found"), [("desk-1", "desk-1"), ("", "eyes")])
def test_an_inlet_of_pylsl_names_its_stream(source_id: str, found: str) -> None:
    info = SimpleNamespace(source_id=lambda: source_id, name=lambda: "eyes")
    inlet = SimpleNamespace(pull_chunk=None, info=lambda: info)
    assert named(inlet) == found
    assert named(None) is None
    assert named(PERSON) is PERSON


def test_presented_is_a_value() -> None:
    fields = {field.name for field in dataclasses.fields(calibkit.Presented)}
    assert fields == {
        *("accepted", "words", "mapping", "result", "keys", "recording", "path")
    }
