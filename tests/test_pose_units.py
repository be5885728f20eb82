"""A head's place and size in whatever unit a stream counts them: the same mapping.

Source: dimensional analysis, a change of unit changes no gaze; factors between
units by hand (a picture of 640 by 480 pixels, pi / 180).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit import simulation
from calibkit.channels import measure
from calibkit.fitted.pose_units import pose_steps
from calibkit.geometry import angle_between
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
THIRDS = (0.1, 0.5, 0.9)
NINE = [(x, y) for y in THIRDS for x in THIRDS]
CHECKS = [(0.3, 0.3), (0.7, 0.4), (0.4, 0.7), (0.2, 0.6)]
UNITS = {
    "pixels": {"HeadX": (640.0, "pixels"), "HeadY": (480.0, "pixels")},
    "pixels of which nobody told": {"HeadX": (640.0, ""), "HeadY": (480.0, "")},
    "a size in pixels": {"HeadScale": (150.0, "pixels")},
    "radians": {
        name: (np.pi / 180.0, "radians")
        for name in ("HeadYaw", "HeadPitch", "HeadRoll")
    },
}


def in_units(rec: Recording, units: dict[str, tuple[float, str]]) -> Recording:
    """The recording with channels of these types times a factor, in another unit."""
    factors = [units.get(c.type, (1.0, c.unit)) for c in rec.channels]
    channels = tuple(
        replace(channel, unit=unit)
        for channel, (_, unit) in zip(rec.channels, factors, strict=True)
    )
    samples = rec.samples * np.array([factor for factor, _ in factors])
    return replace(rec, samples=samples, channels=channels)


@pytest.mark.parametrize("units", UNITS.values(), ids=UNITS)
@pytest.mark.parametrize("looks", [3, 9])
def test_a_pose_in_another_unit_gives_the_same_gaze(
    units: dict[str, tuple[float, str]], looks: int
) -> None:
    who = simulation.person(tracker="webcam", seed=3)
    where = np.array(NINE + CHECKS) * who.setup.screen_px
    rec = simulation.record(who, where, seed=3)[0]
    kept = [0, 2, 7] if looks == 3 else list(range(9))
    answers = []
    for each in (rec, in_units(rec, units)):
        mapping = calibkit.fit(each.with_targets(kept))
        answers.append(mapping.apply(each.samples))
    seen = np.isfinite(answers[0].xy).all(axis=1)
    apart = angle_between(who.setup, answers[0].xy[seen], answers[1].xy[seen])
    assert np.quantile(apart, 0.95) < 0.12
    ratio = answers[1].sd[seen] / answers[0].sd[seen]
    assert np.all(np.abs(np.quantile(ratio, [0.05, 0.95]) - 1.0) < 0.1)


def test_steps_of_a_pose_by_hand() -> None:
    still = np.ones((4, 1)) + 1e-4 * np.arange(4)[:, None]

    def step(name: str, at: float, unit: str) -> float:
        return float(pose_steps(at * still, (name,), np.array([measure(unit)]))[0])

    assert step("HeadX", 0.5, "normalized") == pytest.approx(0.03)
    assert step("HeadX", 320.0, "px") == pytest.approx(0.03 * 640.0, rel=1e-3)
    assert step("HeadX", 960.0, "") == pytest.approx(0.03 * 1920.0, rel=1e-3)
    assert step("HeadX", 20.0, "mm") == pytest.approx(10.0)
    assert step("HeadZ", 60.0, "cm") == pytest.approx(5.0)
    assert step("HeadYaw", 0.1, "rad") == pytest.approx(np.pi / 180.0)
    for unit in ("px", "cm", "m"):  # by itself, whatever it is counted in
        assert step("HeadScale", 150.0, unit) == pytest.approx(15.0, rel=1e-3)
    assert step("PositionX", 0.02, "m") == pytest.approx(0.01)


def test_what_was_never_seen_or_has_no_known_name_has_no_step() -> None:
    values = np.column_stack([np.full(5, np.nan), np.arange(5.0)])
    assert np.isnan(pose_steps(values, ("HeadX", "Temperature"), np.zeros(2))).all()
