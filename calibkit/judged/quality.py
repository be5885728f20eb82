"""Measures of gaze data quality: pure numbers, no recordings, no mappings.

Definitions follow the minimal reporting guideline (Dunn et al. 2023, Behavior Research
Methods 56:4351) and McConkie 1981. Gaze is (n, 2) in screen pixels, one row a sample in
which the eye was seen; every angle is exact off-axis. Spread always has n - 1 below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit import geometry
from calibkit.errors import CallError
from calibkit.geometry import Setup

Array = NDArray[np.float64]
Interval = tuple[float, float]


def offset_of_mean_deg(setup: Setup, target_px: ArrayLike, gaze_px: ArrayLike) -> Array:
    """Signed offset of the mean gaze point from the target.

    Parameters
    ----------
    setup : Setup
    target_px : array (2,), px
    gaze_px : array (n, 2), px

    Returns
    -------
    array (2,), degrees, right and down positive; its length is the accuracy. NaN
    without gaze.

    Notes
    -----
    This is accuracy as the offset of the mean ("A_off"), not the mean of the samples'
    offsets, which would mix precision in.
    """
    gaze = np.asarray(gaze_px, float).reshape(-1, 2)
    if not len(gaze):
        return np.full(2, np.nan)
    offset: Array = geometry.offset_deg(setup, target_px, gaze.mean(axis=0))[0]
    return offset


def covariance_deg2(setup: Setup, gaze_px: ArrayLike) -> Array:
    """Covariance of gaze about its own mean point, as seen by the person.

    Parameters
    ----------
    setup : Setup
    gaze_px : array (n, 2), px

    Returns
    -------
    array (2, 2), degrees squared, right and down; NaN for fewer than two samples
    """
    gaze = np.asarray(gaze_px, float).reshape(-1, 2)
    if len(gaze) < 2:
        return np.full((2, 2), np.nan)
    centre = np.broadcast_to(gaze.mean(axis=0), gaze.shape)
    offsets = geometry.offset_deg(setup, centre, gaze)
    return np.asarray(np.cov(offsets, rowvar=False), float)


def spread_deg(covariance_deg2: ArrayLike) -> float:
    """Precision as spread: the root of the summed variances of both axes.

    Parameters
    ----------
    covariance_deg2 : array (2, 2), degrees squared

    Returns
    -------
    float, degrees
    """
    return float(np.sqrt(np.trace(np.asarray(covariance_deg2, float))))


def sample_to_sample_deg(
    setup: Setup, gaze_px: ArrayLike, joined: ArrayLike | None = None
) -> float:
    """Precision as the root mean square angle between successive samples.

    Parameters
    ----------
    setup : Setup
    gaze_px : array (n, 2), px
    joined : array (n - 1,) bool, optional
        Which neighbours really follow one another; gaps are never bridged.

    Returns
    -------
    float, degrees; NaN where nothing follows anything
    """
    gaze = np.asarray(gaze_px, float).reshape(-1, 2)
    steps = geometry.angle_between(setup, gaze[:-1], gaze[1:])
    if joined is not None:
        steps = steps[np.asarray(joined, bool)]
    return float(np.sqrt(np.mean(steps**2))) if len(steps) else math.nan


def ellipse_area_deg2(covariance_deg2: ArrayLike, share: float = 0.68) -> float:
    """Area of the ellipse that holds a share of Gaussian gaze (BCEA).

    Parameters
    ----------
    covariance_deg2 : array (2, 2), degrees squared
    share : float, 0-1

    Returns
    -------
    float, degrees squared

    Notes
    -----
    2 pi k sqrt(det), with share = 1 - exp(-k) (Steinman 1965; Crossland & Rubin 2002).
    """
    determinant = np.linalg.det(np.asarray(covariance_deg2, float))
    k = ellipse_k(share)
    return float(2 * math.pi * k * np.sqrt(max(determinant, 0.0)))


def ellipse_k(share: float) -> float:
    """Half the squared radius, in standard deviations, that holds a share.

    Parameters
    ----------
    share : float, 0-1

    Returns
    -------
    float
    """
    return -math.log1p(-share)


def data_loss(expected: float, valid: float) -> float:
    """Fraction of the expected samples that are not there; 1 where none was expected.

    Parameters
    ----------
    expected, valid : float
        Numbers of samples.

    Returns
    -------
    float, 0-1
    """
    if expected <= 0:
        return 1.0
    return min(1.0, max(0.0, (expected - valid) / expected))


def effective_n(series: ArrayLike) -> float:
    """How many independent samples a series of correlated ones is worth.

    Parameters
    ----------
    series : array (n,)
        One axis of gaze in time order.

    Returns
    -------
    float between 1 and n (0 for an empty series)

    Notes
    -----
    n / (1 + 2 sum of autocorrelations), summed while pairs of neighbours stay positive
    (Geyer 1992, Statistical Science 7:473). Real fixations are all autocorrelated
    (Friedman 2023), so sigma over root n flatters a mean.
    """
    values = np.asarray(series, float)
    n = len(values)
    about = values - values.mean() if n else values
    # Differences so small that their squares vanish are none.
    if n < 3 or not about @ about > 1e-200:
        return float(n)
    padded = np.fft.rfft(about, 2 * n)
    together = np.fft.irfft(padded * np.conj(padded))[:n]
    r = together / together[0]
    pairs = r[1 : n - 1 : 2] + r[2:n:2]
    ends = np.flatnonzero(pairs <= 0)
    total = 1 + 2 * pairs[: ends[0] if len(ends) else None].sum()
    return float(np.clip(n / max(total, 1e-9), 1, n))


def wilson(hits: int, tries: int, confidence: float = 0.95) -> Interval:
    """Interval for a proportion, by the score method.

    Parameters
    ----------
    hits, tries : int
    confidence : float, 0-1

    Returns
    -------
    (low, high), 0-1; the whole of it for no tries

    Raises
    ------
    CallError
        When there are more hits than tries.

    Notes
    -----
    Wilson 1927, J. Am. Stat. Assoc. 22:209.
    """
    if not 0 <= hits <= tries:
        raise CallError(f"{hits} hits in {tries} tries is impossible; check the counts")
    if tries == 0:
        return 0.0, 1.0
    z2 = NormalDist().inv_cdf(0.5 + confidence / 2) ** 2
    centre = (hits + z2 / 2) / (tries + z2)
    half = math.sqrt(z2 * (hits * (tries - hits) / tries + z2 / 4)) / (tries + z2)
    # At the ends the two terms are equal, and rounding must not leave 0 or 1.
    low = 0.0 if hits == 0 else centre - half
    return low, 1.0 if hits == tries else centre + half


def mean_interval(
    values: Sequence[float] | Array,
    *,
    low: float = 0.0,
    high: float = math.inf,
    confidence: float = 0.95,
) -> Interval:
    """Interval for the mean of independent values, by Student's t.

    Parameters
    ----------
    values : array (m,)
        One value per target; NaN is left out.
    low, high : float
        What the quantity cannot go beyond.
    confidence : float, 0-1

    Returns
    -------
    (low, high); NaN for fewer than two values
    """
    from scipy.special import stdtrit

    known = np.asarray(values, float)
    known = known[np.isfinite(known)]
    if len(known) < 2:
        return math.nan, math.nan
    error = float(known.std(ddof=1)) / math.sqrt(len(known))
    half = float(stdtrit(len(known) - 1, 0.5 + confidence / 2)) * error
    middle = float(known.mean())
    return max(low, middle - half), min(high, middle + half)
