"""Quality measures against published values and general libraries.

"literature" numbers are the project's table of check values: computed there from the
published formula unless another source stands beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibkit import geometry
from calibkit.errors import CallError
from calibkit.geometry import Setup
from calibkit.judged import quality

# 1 px = 0.1 mm, far away: a pixel is then 1/100 degree within 1e-6 near the centre.
FLAT = Setup(
    screen_px=(2000, 2000),
    screen_mm=(200.0, 200.0),
    distance_mm=0.1 * 100 / math.tan(math.radians(1.0)),
)
DESK = Setup(screen_px=(1920, 1080), screen_mm=(531.36, 298.89), distance_mm=650.0)
BCEA_XY = np.array(
    [
        (0.10, 0.00),
        (-0.20, 0.10),
        (0.05, -0.05),
        (0.30, 0.20),
        (-0.15, -0.10),
        (0.00, 0.05),
        (0.25, 0.15),
        (-0.10, -0.20),
    ]
)


def at_deg(offsets_deg: object) -> np.ndarray:
    """Pixels of points that are so many degrees right and down of the centre."""
    return geometry.angles_to_px(FLAT, np.asarray(offsets_deg, float))


def ar1(phi: float, n: int, rng: np.random.Generator) -> np.ndarray:
    from scipy.signal import lfilter

    return lfilter([1.0], [1.0, -phi], rng.standard_normal(n + 500))[500:]


def test_off_axis_accuracy_is_exact() -> None:
    """Literature 3: (1700, 900) to (1740, 870) is 1.13432, not 1.2197 by centre scale.

    Computed there with atan2(|a x b|, a . b).
    """
    offset = quality.offset_of_mean_deg(DESK, (1700, 900), [(1740, 870)])
    assert math.hypot(*offset) == pytest.approx(1.13432, abs=1e-4)
    assert offset[0] > 0 > offset[1]


def test_offset_of_the_mean_is_not_the_mean_offset() -> None:
    """Literature 6: gaze at +-1 degree gives 0 by A_off and 1 by the mean of angles."""
    gaze = at_deg([(1, 0), (-1, 0)] * 5)
    assert math.hypot(*quality.offset_of_mean_deg(FLAT, (1000, 1000), gaze)) < 1e-9
    target = np.broadcast_to((1000.0, 1000.0), gaze.shape)
    mean = geometry.angle_between(FLAT, target, gaze).mean()
    assert mean == pytest.approx(1.0, abs=1e-9)


def test_sample_to_sample_and_spread() -> None:
    """Literature 5: x = 0, 1, 0, -1, 0 gives RMS 1.0 and a sample SD of 0.70711."""
    gaze = at_deg([(0, 0), (1, 0), (0, 0), (-1, 0), (0, 0)])
    assert quality.sample_to_sample_deg(FLAT, gaze) == pytest.approx(1.0, abs=1e-5)
    covariance = quality.covariance_deg2(FLAT, gaze)
    assert quality.spread_deg(covariance) == pytest.approx(0.70711, abs=1e-5)


def test_gaps_are_not_bridged() -> None:
    gaze = at_deg([(0, 0), (1, 0), (5, 0), (6, 0)])
    joined = [True, False, True]
    assert quality.sample_to_sample_deg(FLAT, gaze, joined) == pytest.approx(
        1, abs=1e-3
    )
    assert math.isnan(quality.sample_to_sample_deg(FLAT, gaze, [False] * 3))


@pytest.mark.parametrize(
    ("phi", "expected", "tolerance"), [(0.0, 1.41421, 0.01), (0.9, 0.44721, 0.02)]
)
def test_ratio_of_the_two_precisions(
    phi: float, expected: float, tolerance: float
) -> None:
    """Literature 7 and 8: sqrt(2 (1 - phi)) (Niehorster et al. 2020)."""
    rng = np.random.default_rng(5)
    gaze = at_deg(0.1 * np.column_stack([ar1(phi, 100_000, rng) for _ in "xy"]))
    ratio = quality.sample_to_sample_deg(FLAT, gaze) / quality.spread_deg(
        quality.covariance_deg2(FLAT, gaze)
    )
    assert ratio == pytest.approx(expected, rel=tolerance)


@pytest.mark.parametrize(
    ("share", "k"), [(0.68, 1.13943), (0.95, 2.99573), (0.63212, 1.0)]
)
def test_ellipse_k(share: float, k: float) -> None:
    """Literature 9; and half the quantile of scipy's chi-square with 2 d.o.f."""
    from scipy.stats import chi2

    assert quality.ellipse_k(share) == pytest.approx(k, abs=2e-5)
    assert quality.ellipse_k(share) == pytest.approx(chi2.ppf(share, 2) / 2, rel=1e-12)


@pytest.mark.parametrize(
    ("share", "area"), [(0.68, 0.84176), (1 - math.exp(-1), 0.73875), (0.95, 2.21309)]
)
def test_ellipse_area(share: float, area: float) -> None:
    """Literature 10: sigma .3 and .4 degrees, correlation .2."""
    covariance = [[0.09, 0.2 * 0.3 * 0.4], [0.2 * 0.3 * 0.4, 0.16]]
    assert quality.ellipse_area_deg2(covariance, share) == pytest.approx(area, abs=1e-4)


def test_ellipse_of_ninety_five_against_sixty_three() -> None:
    """Literature 11: ln .05 / ln .37; the published means of 358 people give 3.00.

    Morales et al. 2016 (PMC5113982): 2.40 and 0.80 degrees squared.
    """
    ratio = quality.ellipse_k(0.95) / quality.ellipse_k(0.63)
    assert ratio == pytest.approx(3.0131, abs=1e-3)
    assert ratio == pytest.approx(2.40 / 0.80, rel=0.01)


def test_ellipse_area_against_shapely() -> None:
    """Literature 11 (libraries): 0.136230216 by determinant, 0.13623 by polygon."""
    from shapely import affinity
    from shapely import geometry as shapes

    covariance = np.cov(BCEA_XY, rowvar=False)
    area = quality.ellipse_area_deg2(covariance, 0.682)
    assert area == pytest.approx(0.136230216, abs=1e-9)
    values, vectors = np.linalg.eigh(covariance)
    sx, sy = np.sqrt(2 * quality.ellipse_k(0.682) * values)
    circle = shapes.Point(0, 0).buffer(1, quad_segs=512)
    angle = math.degrees(math.atan2(vectors[1, 0], vectors[0, 0]))
    polygon = affinity.rotate(affinity.scale(circle, sx, sy), angle)
    assert area == pytest.approx(polygon.area, rel=1e-5)


def test_precision_of_the_same_data() -> None:
    """Literature 11 (numpy): SD 0.225, RMS-S2S 0.371291183, at a flat scale."""
    gaze = at_deg(BCEA_XY)
    spread = quality.spread_deg(quality.covariance_deg2(FLAT, gaze))
    assert spread == pytest.approx(0.225, abs=1e-5)
    rms = quality.sample_to_sample_deg(FLAT, gaze)
    assert rms == pytest.approx(0.371291183, abs=1e-5)


def test_covariance_against_numpy() -> None:
    """Near the centre the angles are flat, and numpy's covariance must come out."""
    covariance = quality.covariance_deg2(FLAT, at_deg(BCEA_XY))
    assert covariance == pytest.approx(np.cov(BCEA_XY, rowvar=False), abs=1e-5)


def test_error_of_unbiased_noise_is_rayleigh() -> None:
    """Literature 12: mean 1.25331, median 1.17741, 95th 2.44775 sigma (Rayleigh)."""
    rng = np.random.default_rng(11)
    gaze = at_deg(0.1 * rng.standard_normal((200_000, 2)))
    target = np.broadcast_to((1000.0, 1000.0), gaze.shape)
    error = geometry.angle_between(FLAT, target, gaze) / 0.1
    assert error.mean() == pytest.approx(1.25331, rel=0.01)
    assert np.median(error) == pytest.approx(1.17741, rel=0.01)
    assert np.quantile(error, 0.95) == pytest.approx(2.44775, rel=0.01)


def test_data_loss() -> None:
    """Literature 13: 60 Hz, one second, 51 valid samples: 15 %."""
    assert quality.data_loss(60 * 1.0, 51) == pytest.approx(0.15, abs=1e-12)
    assert quality.data_loss(60, 61) == 0.0
    assert quality.data_loss(0, 0) == 1.0


@pytest.mark.parametrize(
    ("hits", "tries", "low", "high"),
    [
        (8, 10, 0.4902, 0.9433),
        (10, 10, 0.7225, 1.0),
        (0, 10, 0.0, 0.2775),
        (45, 50, 0.7864, 0.9565),
        (36, 40, 0.769482247725, 0.960420471317),
        (0, 20, 0.0, 0.161125158),
    ],
)
def test_wilson_published(hits: int, tries: int, low: float, high: float) -> None:
    """Literature 36, and the rows of its section 11 from statsmodels and scipy."""
    assert quality.wilson(hits, tries) == pytest.approx((low, high), abs=1e-4)


@given(st.integers(0, 200), st.integers(1, 200), st.floats(0.5, 0.999))
@settings(max_examples=50, deadline=None)
def test_wilson_against_libraries(hits: int, tries: int, confidence: float) -> None:
    """statsmodels proportion_confint and scipy binomtest, both by Wilson."""
    from scipy.stats import binomtest
    from statsmodels.stats.proportion import proportion_confint

    hits = min(hits, tries)
    ours = quality.wilson(hits, tries, confidence)
    theirs = proportion_confint(hits, tries, alpha=1 - confidence, method="wilson")
    assert ours == pytest.approx(theirs, abs=1e-9)
    other = binomtest(hits, tries).proportion_ci(confidence, method="wilson")
    assert ours == pytest.approx((other.low, other.high), abs=1e-9)


@pytest.mark.parametrize(("bound", "needed"), [(0.8, 16), (0.9, 35)])
def test_hits_in_a_row_that_prove_a_rate(bound: float, needed: int) -> None:
    """Literature 37: 16 of 16 put the lower bound above .8, 35 of 35 above .9."""
    assert quality.wilson(needed, needed)[0] > bound
    assert quality.wilson(needed - 1, needed - 1)[0] <= bound


def test_wilson_refuses_nonsense() -> None:
    with pytest.raises(CallError, match="11 hits in 10 tries"):
        quality.wilson(11, 10)
    assert quality.wilson(0, 0) == (0.0, 1.0)


def test_interval_of_a_mean_from_nine_targets() -> None:
    """Literature 5: nine points with SD 0.4 give +-0.31; scipy's t gives the same."""
    from scipy.stats import t

    values = np.array([-1, -1, -1, -1, 0, 1, 1, 1, 1]) * 0.4 + 2.0
    low, high = quality.mean_interval(values)
    assert (high - low) / 2 == pytest.approx(0.31, abs=0.005)
    theirs = t.interval(0.95, 8, values.mean(), values.std(ddof=1) / 3)
    assert (low, high) == pytest.approx(theirs, rel=1e-9)
    assert all(np.isnan(quality.mean_interval([1.0, math.nan])))
    assert quality.mean_interval([0.0, 0.5], high=1.0) == (0.0, 1.0)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_effective_number(phi: float) -> None:
    """AR(1): n (1 - phi) / (1 + phi) (Bartlett 1946; textbook result)."""
    rng = np.random.default_rng(3)
    found = [quality.effective_n(ar1(phi, 5000, rng)) for _ in range(20)]
    assert np.mean(found) == pytest.approx(5000 * (1 - phi) / (1 + phi), rel=0.1)


@given(st.lists(st.floats(-10, 10), max_size=40))
@settings(max_examples=60, deadline=None)
def test_effective_number_stays_in_range(values: list[float]) -> None:
    assert min(1, len(values)) <= quality.effective_n(values) <= len(values)


@given(st.floats(-5, 5), st.floats(-5, 5))
@settings(max_examples=30, deadline=None)
def test_precision_does_not_see_where_the_gaze_is(right: float, down: float) -> None:
    """Moving the eyes by a constant angle changes spread by the field's shape only."""
    here = quality.spread_deg(quality.covariance_deg2(FLAT, at_deg(0.1 * BCEA_XY)))
    there = at_deg(0.1 * BCEA_XY + (right, down))
    moved = quality.spread_deg(quality.covariance_deg2(FLAT, there))
    assert moved == pytest.approx(here, rel=0.02)


def test_nothing_in_gives_nothing_out() -> None:
    empty = np.empty((0, 2))
    assert np.isnan(quality.offset_of_mean_deg(FLAT, (0, 0), empty)).all()
    assert math.isnan(quality.sample_to_sample_deg(FLAT, empty))
    assert math.isnan(quality.spread_deg(quality.covariance_deg2(FLAT, empty)))
