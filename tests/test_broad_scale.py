"""Raw features without a prior: where the screen lies in them, told by a few looks."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit import fit, simulation
from calibkit.errors import InputError
from calibkit.fitted.broad import TARGETS_REACH, over_screen
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.rivals import Rival, fit_rival
from calibkit.geometry import Setup, angle_between, px_to_angles
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
SETUP = Setup(screen_px=(1000, 600), screen_mm=(500.0, 300.0), distance_mm=600.0)
THREE = [(0.05, 0.05), (0.95, 0.05), (0.5, 0.95)]
NINE = [(x, y) for x in (0.05, 0.5, 0.95) for y in (0.05, 0.5, 0.95)]
CHECKS = [(x, y) for x in (0.15, 0.4, 0.6, 0.85) for y in (0.2, 0.5, 0.8)]


def looks(places: list[tuple[float, float]]) -> tuple[Array, Array]:
    """Features that go straight with gaze, and the gaze."""
    gaze = px_to_angles(SETUP, np.array(places) * SETUP.screen_px)
    return np.array([30.0, -8.0]) + gaze * [2.0, -0.5], gaze


@pytest.mark.parametrize("places", [THREE, NINE, [*NINE, (0.5, 0.9), (0.4, 0.9)]])
def test_the_middle_is_the_screens_not_that_of_the_looks(
    places: list[tuple[float, float]],
) -> None:
    """Outside: the straight line itself; two of these looks' three rows are one."""
    rows, gaze = looks(places)
    middle, scale = over_screen(rows, gaze, SETUP)
    edge = px_to_angles(SETUP, np.array([[1000.0, 600.0]]))[0]
    np.testing.assert_allclose(middle, [30.0, -8.0], rtol=1e-3)
    # Looks up to nine tenths of the way reach a little farther than targets mostly do.
    assert (scale / (np.array([2.0, 0.5]) * edge) <= 1.4).all()
    assert (scale / (np.array([2.0, 0.5]) * edge) >= TARGETS_REACH - 1e-6).all()


def test_lapses_among_nine_looks_move_the_middle_little() -> None:
    rows, gaze = looks(NINE)
    rows[[0, 4]] = rows[[8, 2]]
    middle, _ = over_screen(rows, gaze, SETUP)
    edge = px_to_angles(SETUP, np.array([[1000.0, 600.0]]))[0]
    assert (np.abs(middle - [30.0, -8.0]) < 0.1 * np.array([2.0, 0.5]) * edge).all()


def error_deg(
    made: Mapping | Rival, rec: Recording, times: Array, truth: Array
) -> float:
    errors = []
    for row in rec.targets[rec.targets["role"] == "validation"]:
        seen = (rec.time > row["offset"] - 0.5) & (rec.time < row["offset"])
        then = (times > row["offset"] - 0.5) & (times < row["offset"])
        found = np.nanmean(made.apply(rec.samples[seen]).xy, axis=0)
        errors.append(angle_between(rec.setup, found, truth[then].mean(axis=0)))
    return float(np.nanmedian(errors))


def test_three_looks_are_no_worse_than_an_affine_map() -> None:
    """Outside: least squares on the same looks (1.00 times its error on 38 people)."""
    ours: list[float] = []
    affine: list[float] = []
    for k in range(16):
        desk = simulation.desk(77_000 + k // 4, "pupil-reflex")
        who = simulation.person(
            tracker="pupil-reflex", kind="steady", seed=77_100 + k, desk=desk
        )
        places = np.array([*THREE, *CHECKS]) * desk.setup.screen_px
        roles = ["calibration"] * len(THREE) + ["validation"] * len(CHECKS)
        rec, times, truth = simulation.record(
            who, places, seed=k, roles=roles, lapse_share=0.0
        )
        try:
            made = [(fit(rec), ours), (fit_rival("affine", rec), affine)]
        except InputError:  # an eye that was not seen at one of three
            continue
        for mapping, out in made:
            out.append(error_deg(mapping, rec, times, truth))
    assert len(ours) >= 10
    assert np.mean(np.log(ours)) < np.mean(np.log(affine)) + np.log(1.05)
