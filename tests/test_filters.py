"""Live filters against published values (numbers are those of the evidence's table)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from calibkit import errors
from calibkit.live import filters


def run(
    chosen: filters.Filter, xs: list[float], rate: float = 60.0, y: float = 0.0
) -> list[float]:
    state, out = None, []
    for k, x in enumerate(xs):
        state, smooth = chosen.step(state, k / rate, (x, y))
        out.append(smooth[0])
    return out


# Check 29. Source: Casiez, Roussel, Vogel 2012 (CHI), alpha = 1 / (1 + tau / Te).
@pytest.mark.parametrize(
    ("cutoff", "rate", "alpha"),
    [(1.0, 60.0, 0.094793), (10.0, 60.0, 0.511527), (1.0, 30.0, 0.173171)],
)
def test_smoothing_factor_published(cutoff: float, rate: float, alpha: float) -> None:
    assert filters.smoothing_factor(cutoff, 1 / rate) == pytest.approx(alpha, abs=1e-6)


# Check 30. Source: the same paper's algorithm, worked through on a step at 60 Hz; the
# speed is taken against the previous smoothed value.
@pytest.mark.parametrize(
    ("slope", "expected"),
    [
        (0.0, [0, 0, 0.94793, 1.80600, 2.58274, 3.28584]),
        (0.007, [0, 0, 1.27713, 2.60039, 3.84726, 4.95272]),
    ],
)
def test_one_euro_step_published(slope: float, expected: list[float]) -> None:
    chosen = filters.OneEuro(cutoff_hz=1.0, slope=slope, derivative_hz=1.0)
    got = run(chosen, [0, 0, 10, 10, 10, 10])
    assert got == pytest.approx(expected, abs=1e-4)


def test_one_euro_without_slope_is_scipys_first_order_filter() -> None:
    # Source: scipy.signal.lfilter as an independent reference.
    x = np.random.default_rng(3).normal(size=200)
    alpha = filters.smoothing_factor(2.0, 1 / 120)
    got = run(filters.OneEuro(cutoff_hz=2.0, slope=0.0), list(x), 120.0)
    start = [(1 - alpha) * x[0]]
    want, _ = signal.lfilter([alpha], [1, alpha - 1], x, zi=start)
    np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-12)


# Check 31. Source: Spakov 2012 (triangular kernel); lag (N-1)/3 and (N-1)/2 samples.
def test_kernel_lag_and_variance_published() -> None:
    triangle, box = filters.triangular(10), np.full(10, 0.1)
    assert filters.kernel_lag(triangle) == pytest.approx(3.0, abs=1e-5)
    assert filters.kernel_variance(triangle) == pytest.approx(0.12727, abs=1e-5)
    assert filters.kernel_lag(box) == pytest.approx(4.5, abs=1e-5)
    assert filters.kernel_variance(box) == pytest.approx(0.1, abs=1e-5)


# Check 32. Source: textbook variance ratio alpha / (2 - alpha) of an exponentially
# weighted mean; the filter's own impulse response must give it.
def test_variance_left_by_one_euro_published() -> None:
    impulse = [0.0, 1.0] + [0.0] * 600
    response = np.array(run(filters.OneEuro(cutoff_hz=1.0, slope=0.0), impulse))
    assert response @ response == pytest.approx(0.049755, abs=1e-5)


def test_look_mean_is_the_triangular_mean_of_the_look() -> None:
    x = list(np.random.default_rng(5).normal(0, 0.1, 60))
    got = run(filters.LookMean(window_s=10 / 60 - 1e-6, jump=2.0), x)
    want = filters.triangular(10) @ x[:-11:-1]
    assert got[-1] == pytest.approx(want, abs=1e-12)


def test_look_mean_follows_a_saccade_after_one_confirming_sample() -> None:
    got = run(filters.LookMean(jump=2.0), [0.0] * 20 + [9.0, 10.0, 10.0])
    assert got[20] == 0.0
    # Plain recomputation: weights 1 and 2 on the two samples of the new look.
    assert got[21] == pytest.approx((9.0 + 2 * 10.0) / 3)


def test_look_mean_ignores_a_single_stray_sample() -> None:
    got = run(filters.LookMean(jump=2.0), [0.0] * 20 + [10.0] + [0.0] * 5)
    assert set(got) == {0.0}


@pytest.mark.parametrize("name", filters.FILTERS)
def test_missing_stays_missing_and_a_long_gap_starts_afresh(name: str) -> None:
    chosen = filters.named(name, 40.0)
    state, _ = chosen.step(None, 0.0, (100.0, 100.0))
    state, gone = chosen.step(state, 0.01, (math.nan, 5.0))
    assert all(map(math.isnan, gone))
    state, near = chosen.step(state, 0.02, (101.0, 100.0))
    assert 100.0 < near[0] < 101.0
    _, afresh = chosen.step(state, 1.0, (900.0, 100.0))
    assert afresh == (900.0, 100.0)


@pytest.mark.parametrize("name", filters.FILTERS)
def test_lag_stated_is_the_lag_of_a_slow_ramp(name: str) -> None:
    # Plain recomputation: a ramp of 1 unit/s comes out late by the lag.
    chosen = filters.named(name, 1e9)  # so slow for this scale that nothing adapts
    rate = 250.0
    got = run(chosen, [k / rate for k in range(1500)], rate)
    late = 1499 / rate - got[-1]
    assert late == pytest.approx(chosen.lag_s(rate), abs=1.5 / rate)


@pytest.mark.parametrize("name", filters.FILTERS)
@settings(max_examples=50, deadline=None)
@given(
    xs=st.lists(st.floats(-5000, 5000), min_size=1, max_size=50),
    shift=st.floats(-1000, 1000),
)
def test_smoothed_stays_within_what_came_and_moves_along(
    name: str, xs: list[float], shift: float
) -> None:
    chosen = filters.named(name, 40.0)
    got = np.array(run(chosen, xs))
    assert got.min() >= min(xs) - 1e-6
    assert got.max() <= max(xs) + 1e-6
    assert run(chosen, xs, y=shift) == pytest.approx(list(got), abs=1e-6)


def test_unknown_filter_is_refused() -> None:
    with pytest.raises(errors.CallError, match="one-euro, look-mean"):
        filters.named("magic", 40.0)
