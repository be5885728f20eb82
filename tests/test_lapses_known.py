"""Looks elsewhere tell nothing of a person's noise, nor that a mapping is wrong."""

from __future__ import annotations

from dataclasses import replace

import invented
import numpy as np
import pytest

import calibkit
from calibkit.fitted.fitting import predicted_sd_deg
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.prior import SharedMapping
from calibkit.kept.recording import Recording


@pytest.fixture(scope="module")
def shared() -> SharedMapping:
    people = [invented.record(seed, invented.NINE)[0] for seed in range(50, 70)]
    named = [replace(rec, person=f"p{k}") for k, rec in enumerate(people)]
    return calibkit.learn_shared(named)


def both(
    shared: SharedMapping,
    seed: int,
    places: list[tuple[float, float]],
    lapses: list[int],
) -> tuple[Mapping, Mapping, Recording]:
    """Fitted with the lapses among the targets, and without these targets."""
    rec, _ = invented.record(seed, places, lapses=lapses)
    shown = np.flatnonzero(rec.targets["role"] == "calibration")
    rest = rec.with_targets([int(k) for k in shown if k not in lapses])
    return calibkit.fit(rec, shared), calibkit.fit(rest, shared), rec


@pytest.mark.parametrize("lapses", [[0, 2, 4, 6, 8], [1, 3, 5, 7], [0, 1, 2, 3, 4, 5]])
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_noise_is_that_of_the_looks_at_targets(
    shared: SharedMapping, seed: int, lapses: list[int]
) -> None:
    # Source: mapping, section on inattention: whole targets are left out; that what is
    # left out says nothing of noise is common practice, no source.
    every, rest, _ = both(shared, seed, invented.NINE, lapses)
    assert (every.looks["weight"][lapses] < 0.1).all()
    assert np.allclose(every.noise.eye, rest.noise.eye, rtol=0.1)
    assert np.allclose(every.noise.fixation, rest.noise.fixation, rtol=0.1)
    assert predicted_sd_deg(every) == pytest.approx(predicted_sd_deg(rest), rel=0.1)


def test_two_looks_that_agree_with_others_are_no_wrong_mapping(
    shared: SharedMapping,
) -> None:
    # Source: issue "never be poisoned by a look elsewhere, and state its own
    # uncertainty truly": three of five looks elsewhere leave what two looks tell.
    every, rest, _ = both(shared, 6, invented.NINE[::2], [0, 2, 3])
    assert predicted_sd_deg(every) == pytest.approx(predicted_sd_deg(rest), rel=0.15)


def test_looks_none_of_which_agrees_leave_a_wide_answer(shared: SharedMapping) -> None:
    # Source: issue "a wide, honest answer, never a confident wrong one".
    rec, _ = invented.record(7, invented.NINE[:5], lapses=[0, 1, 2, 3, 4])
    assert predicted_sd_deg(calibkit.fit(rec, shared)) > 2.0
