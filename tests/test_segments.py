"""Steady stretches: against brute force, scipy and statsmodels."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import binned_statistic
from statsmodels.robust import mad

from calibkit.fitted import segments

Array = NDArray[np.float64]


def squares(part: Array) -> float:
    """Sum of squares about the mean, NaN left out."""
    total = 0.0
    for column in part.T:
        there = column[np.isfinite(column)]
        total += float(np.sum((there - there.mean()) ** 2)) if len(there) else 0.0
    return total


def brute(signal: Array, price: float) -> tuple[float, list[tuple[int, int]]]:
    """The cheapest of all ways to cut a signal, by trying each."""
    count = len(signal)
    best: tuple[float, list[tuple[int, int]]] = (np.inf, [])
    for cuts in range(count):
        for inner in combinations(range(1, count), cuts):
            parts = list(pairwise((0, *inner, count)))
            cost = sum(squares(signal[a:b]) + price for a, b in parts)
            if cost < best[0] - 1e-9:
                best = cost, parts
    return best


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.5, 12.0))
def test_the_best_of_all_cuts(seed: int, price: float) -> None:
    """Plain recomputation: every one of the 512 ways to cut ten bins."""
    rng = np.random.default_rng(seed)
    signal = np.repeat(rng.normal(0, 3, (4, 2)), [2, 3, 1, 4], axis=0)
    signal = signal + rng.normal(0, 1, signal.shape)
    signal[rng.random(10) < 0.15] = np.nan
    cost, _ = brute(signal, price)
    found = segments.stretches(signal, np.ones(2), price)
    assert all(b == c for (_, b), (c, _) in pairwise(found))
    mine = sum(squares(signal[a:b]) + price for a, b in found)
    assert mine == pytest.approx(cost, abs=1e-8)
    assert found[0][0] == 0
    assert found[-1][1] == len(signal)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_units_do_not_matter(seed: int) -> None:
    """Property: a signal in other units and from another zero has the same cuts."""
    rng = np.random.default_rng(seed)
    signal = np.repeat(rng.normal(0, 6, (3, 2)), 8, axis=0) + rng.normal(0, 1, (24, 2))
    there = segments.stretches(signal, np.ones(2))
    moved = segments.stretches(1e4 + 37.0 * signal, np.full(2, 37.0))
    assert moved == there


def test_time_backwards_is_the_same_cut() -> None:
    """Property: nothing in the cutting knows the direction of time."""
    rng = np.random.default_rng(1)
    signal = np.repeat([[0.0], [9.0], [4.0]], [7, 9, 5], axis=0)
    signal = signal + rng.normal(0, 1, signal.shape)
    ahead = segments.stretches(signal, np.ones(1))
    back = segments.stretches(signal[::-1], np.ones(1))
    assert [(21 - b, 21 - a) for a, b in reversed(back)] == ahead


def test_four_equal_columns_are_not_twice_the_evidence() -> None:
    """Two eyes see one movement: what they repeat counts once.

    A step h in m + m bins of two columns explains h² m squared sd: 19 and 29 of 25.
    """
    for step, cuts in ((1.8, 1), (2.2, 2)):
        one = np.repeat([[0.0, 0.0], [step, step]], 6, axis=0)
        both = np.hstack([one, one])
        assert len(segments.stretches(one, np.ones(2), 25.0)) == cuts
        assert len(segments.stretches(both, np.ones(4), 25.0)) == cuts


def test_columns_that_say_nothing_are_passed_over() -> None:
    signal = np.repeat([[0.0], [9.0]], 6, axis=0)
    odd = np.random.default_rng(3).normal(0, 1e6, (12, 1))
    never = np.full((12, 1), np.nan)
    found = segments.stretches(
        np.hstack([signal, odd, never]), np.array([1.0, np.nan, 0.0])
    )
    assert found == [(0, 6), (6, 12)]
    assert segments.stretches(never, np.array([np.nan])) == []
    assert segments.stretches(np.empty((0, 2)), np.ones(2)) == []
    assert segments.stretches(never, np.ones(1)) == [(0, 12)]


def test_means_of_bins_are_those_of_scipy() -> None:
    """scipy.stats.binned_statistic on the samples that are there."""
    rng = np.random.default_rng(4)
    time = np.sort(rng.uniform(10.0, 12.0, 300))
    signal = rng.normal(size=(300, 2))
    signal[rng.random(300) < 0.3, 0] = np.nan
    signal[(time > 11.0) & (time < 11.2)] = np.nan
    mine = segments.bins(time, signal, 10.0, 0.1, 20)
    for k in range(2):
        there = np.isfinite(signal[:, k])
        theirs = binned_statistic(
            time[there], signal[there, k], "mean", bins=20, range=(10.0, 12.0)
        ).statistic
        assert mine[:, k] == pytest.approx(theirs, abs=1e-12, nan_ok=True)
    assert np.isnan(mine[10:12]).all()


def test_noise_is_that_of_differences() -> None:
    """Median absolute difference by statsmodels (`mad`), by the root of two."""
    rng = np.random.default_rng(5)
    binned = rng.normal(0, 0.4, (6, 25, 2))
    steps = np.diff(binned, axis=1).reshape(-1, 2)
    theirs = mad(steps, c=1 / 1.4826, center=0.0) / np.sqrt(2.0)
    assert segments.noise(binned) == pytest.approx(theirs, rel=1e-9)


def test_noise_hardly_feels_jumps() -> None:
    """Two jumps of 20 sd among 24 steps: the robust sd is still near the true one."""
    rng = np.random.default_rng(6)
    binned = rng.normal(0, 1.0, (40, 25, 1))
    binned[:, 8:16] += 20.0
    assert segments.noise(binned)[0] == pytest.approx(1.0, rel=0.2)
    assert np.isnan(segments.noise(np.full((2, 5, 1), np.nan))[0])
