"""Directions that are counted another way: told by looks, never sure before."""

from __future__ import annotations

from dataclasses import replace

import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from test_mapping import errors_deg

import calibkit
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
Turn = tuple[float, float]
MIDDLE, LOW = (0.5, 0.5), (0.25, 0.8)
REGION = 4.605  # 0.9 quantile of chi-squared, two degrees of freedom (any table)
TURNS = [(1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)]


def turned(
    seed: int, places: list[tuple[float, float]], turn: Turn, lapses: range = range(0)
) -> tuple[Recording, Array]:
    """The standard of gaze streams names no direction of x and y (XDF, Gaze)."""
    rec, truth = invented.record(seed, places, kind="direction", lapses=lapses)
    samples = rec.samples * np.tile([*turn, 1.0], 2)
    return replace(rec, samples=samples), truth


def held(rec: Recording, truth: Array) -> float:
    gaze = calibkit.fit(rec).apply(rec.samples)
    seen = np.isfinite(gaze.xy).all(axis=1)
    off = (gaze.xy[seen] - truth[seen]) / gaze.sd[seen]
    return float(np.mean(np.sum(off**2, axis=1) < REGION))


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("places", [[], [MIDDLE]])
def test_until_a_look_tells_regions_hold_either_way(
    turn: Turn, places: list[tuple[float, float]]
) -> None:
    """90 % is the goal; without a look the eyes are 4 degrees off besides."""
    each = [held(*turned(seed, places, turn)) for seed in range(6)]
    assert np.mean(each) > (0.8 if places else 0.4)


@pytest.mark.parametrize("turn", TURNS)
def test_one_look_well_off_the_middle_tells(turn: Turn) -> None:
    for seed in range(6):
        rec, truth = turned(seed, [LOW], turn)
        assert np.median(errors_deg(calibkit.fit(rec), rec, truth)) < 3.0


@pytest.mark.parametrize("turn", TURNS)
def test_looks_elsewhere_do_not_turn_a_stream(turn: Turn) -> None:
    """Three of nine looked to the other side, as if they were mirrored."""
    for seed in range(6):
        rec, truth = turned(seed, invented.NINE, turn, lapses=range(3))
        assert np.median(errors_deg(calibkit.fit(rec), rec, truth)) < 0.8


def test_positions_on_the_screen_are_not_asked() -> None:
    """Their origin is the contract's: the screen's corner, down."""
    rec, truth = invented.record(1, [], kind="screen")
    sd = calibkit.fit(rec).apply(rec.samples).sd
    assert np.nanmax(np.nanmedian(sd, axis=0)) < 250.0
    assert held(rec, truth) > 0.8
