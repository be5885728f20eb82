"""A look at a target: its samples, their mean, and how sure that mean is.

Gaze noise is correlated in time, so the variance of a mean exceeds sigma²/n; by how
much is found over all looks of a recording together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """One way to see a target: which samples, their mean and how sure it is.

    Parameters
    ----------
    target : int
        Row in the recording's targets.
    rows : array (n,)
        The samples that count.
    mean : array (e, 2)
        Mean features per eye; NaN for an eye that was not seen.
    spread : array (2e, 2e)
        Covariance of the samples, eye by eye, x and y.
    counts : array (e,)
        Samples seen per eye.
    extra : array (e, c)
        Mean covariates.
    path_time : array (n,) or None
        Times of the samples, where the target was moving.
    """

    target: int
    rows: NDArray[np.intp]
    mean: Array
    spread: Array
    counts: Array
    extra: Array
    path_time: Array | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What was found for one target.

    Parameters
    ----------
    target : int
    looks : tuple of Look
        One for a target that stood still, one per block for a moving one.
    others : tuple of array of int
        Samples of other steady stretches, the next likely first.
    reason : str
        In plain words.
    """

    target: int
    looks: tuple[Look, ...]
    others: tuple[NDArray[np.intp], ...]
    reason: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Sight:
    """All targets of a recording, with the noise that they share.

    `spread` (2e, 2e) is the samples' covariance over all looks; `correlation` says by
    how much the variance of a mean exceeds sigma²/n. `clean` (e, n, 2) are the features
    without the edges of blinks.
    """

    seen: tuple[Seen, ...]
    spread: Array
    correlation: float
    clean: Array
    extra_spread: Array


def median_rows(values: Array) -> Array:
    """Median per column, NaN where a column is empty (without a warning)."""
    out = np.full(values.shape[1], np.nan)
    for k, column in enumerate(values.T):
        there = np.sort(column[np.isfinite(column)])
        if len(there):
            out[k] = 0.5 * (there[(len(there) - 1) // 2] + there[len(there) // 2])
    return out


def look_at(
    target: int,
    time: Array,
    xy: Array,
    extra: Array,
    rows: NDArray[np.intp],
    *,
    moving: bool = False,
) -> Look:
    """Mean and scatter of the features over some samples."""
    eyes = len(xy)
    mean = np.full((eyes, 2), np.nan)
    counts = np.zeros(eyes)
    deviations = np.full((len(rows), 2 * eyes), np.nan)
    for e in range(eyes):
        part = xy[e, rows]
        kept = _near_median(part) if not moving else np.isfinite(part[:, 0])
        number = int(np.count_nonzero(kept))
        if number >= 2:
            counts[e] = number
            mean[e] = part[kept].sum(axis=0) / number
            apart = part[kept] - mean[e]
            if moving:
                apart = _off_a_line(time[rows[kept]], apart)
            deviations[kept, 2 * e : 2 * e + 2] = apart
    covariates = np.array([median_rows(extra[e, rows]) for e in range(eyes)])
    return Look(
        target=target,
        rows=rows,
        mean=mean,
        spread=_pair_covariance(deviations),
        counts=counts,
        extra=covariates.reshape(eyes, extra.shape[-1]),
        path_time=time[rows] if moving else None,
    )


def _off_a_line(time: Array, apart: Array) -> Array:
    """What is left of (n, 2) without a steady pace: following a target is no noise."""
    at = time - time.mean()
    pace = at @ apart / max(float(at @ at), 1e-12)
    left: Array = apart - at[:, None] * pace
    return left


def _near_median(part: Array) -> NDArray[np.bool_]:
    """Rows that are seen and within four robust sd of the median."""
    kept = np.isfinite(part[:, 0])
    number = int(np.count_nonzero(kept))
    if number < 3:
        return kept
    # The upper median by sorting: np.median costs more than all the rest here.
    inside = part if number == len(part) else part[kept]
    away = np.abs(part - np.sort(inside, axis=0)[number // 2])
    inside = away if number == len(part) else away[kept]
    scale = 1.4826 * np.sort(inside, axis=0)[number // 2]
    with np.errstate(invalid="ignore"):
        near = (away <= 4.0 * scale + 1e-12).all(axis=1)
    near &= kept
    return near if np.count_nonzero(near) >= 2 else kept


def _pair_covariance(deviations: Array) -> Array:
    """Covariance about zero from the rows where both of a pair are there."""
    there = np.isfinite(deviations)
    value = np.where(there, deviations, 0.0)
    number = there.T.astype(float) @ there.astype(float)
    cov: Array = value.T @ value / np.maximum(number - 1.0, 1.0)
    return cov


def pooled(seen: Sequence[Seen], eyes: int) -> Array:
    """Median variances and correlations over the best looks at still targets."""
    still = [s.looks[0] for s in seen if s.looks and s.looks[0].path_time is None]
    looks = still or [look for s in seen for look in s.looks]
    if not looks:
        return np.zeros((2 * eyes, 2 * eyes))
    weight = np.array([np.repeat(look.counts > 0, 2) for look in looks], float)
    both = weight[:, :, None] * weight[:, None, :]
    total = np.array([look.spread for look in looks])
    # One restless look must not speak for all: each is held to three times the median.
    size = np.array([np.trace(s) for s in total])
    cap = np.minimum(1.0, 3.0 * np.median(size) / np.maximum(size, 1e-300))
    pooled: Array = np.sum(total * both * cap[:, None, None], axis=0) / np.maximum(
        both.sum(axis=0), 1.0
    )
    return pooled


def covariate_spread(extra: Array, looks: Sequence[NDArray[np.intp]]) -> Array:
    """Covariance (ec, ec) of covariates (e, n, c) within looks, the mean over these."""
    eyes, _, count = extra.shape
    none = np.zeros((eyes * count, eyes * count))
    if not none.size or not looks:
        return none
    each = []
    for rows in looks:
        part = np.concatenate(list(extra[:, rows]), axis=1)
        each.append(_pair_covariance(part - median_rows(part)))
    total = np.array(each)
    usual = np.median(np.diagonal(total, axis1=1, axis2=2), axis=0)
    size = np.diagonal(total, axis1=1, axis2=2) / np.maximum(usual, 1e-300)
    # A head that moved in a look must not speak for all.
    cap = np.minimum(1.0, 3.0 / np.maximum(size.max(axis=1), 1e-300))
    found: Array = np.mean(total * cap[:, None, None], axis=0)
    return found


def correlation(xy: Array, looks: Sequence[NDArray[np.intp]], rate: float) -> float:
    """By how much correlation in time inflates the variance of a mean.

    1 + 2 times the sum of autocorrelations up to where they vanish (the initial
    positive sequence of Geyer 1992, Statistical Science 7:473), pooled over looks.
    """
    longest = max(1, int(0.4 * rate))
    columns = []
    for rows in looks:
        for eye in xy:
            part = eye[rows]
            kept = _near_median(part)
            number = int(np.count_nonzero(kept))
            if number >= 4:
                middle = part[kept].sum(axis=0) / number
                columns.append(np.where(kept[:, None], part - middle, 0.0))
    if not columns:
        return 1.0
    length = max(len(column) for column in columns)
    stack = np.zeros((length, 2 * len(columns)))
    for k, column in enumerate(columns):
        stack[: len(column), 2 * k : 2 * k + 2] = column / np.sqrt(len(column))
    size = 1 << (2 * length - 1).bit_length()
    power = np.abs(np.fft.rfft(stack, size, axis=0)) ** 2
    top = np.fft.irfft(power.sum(axis=1), size)[: min(longest, length // 2) + 1]
    if top[0] <= 0:
        return 1.0
    typical = float(np.mean([len(column) for column in columns]))
    return _inflation(top / top[0], typical)


def _inflation(rho: Array, length: float) -> float:
    """Length times the variance of a mean, by the samples' variance about that mean.

    Taking the mean away lowers every autocovariance by about the mean's own variance
    (Anderson 1971, The Statistical Analysis of Time Series, chapter 8): with looks
    of forty samples and noise that lasts ten, by half. It is put back, and where the
    correlations vanish is looked for anew.
    """
    lags = np.arange(len(rho))
    grown = rho * length / np.maximum(length - lags, 1.0)
    mean_variance = 0.0
    for _ in range(6):
        gone = grown + mean_variance < 0.05 * (1.0 + mean_variance)
        end = int(np.argmax(gone)) if gone.any() else len(rho)
        total = 1.0 + 2.0 * float(np.sum(rho[1:end]))
        lost = (1.0 + 2.0 * float(np.sum(1.0 - lags[1:end] / length))) / length
        mean_variance = total / length / max(1.0 - lost, 0.25)
    return max(1.0, mean_variance * length)


def mean_covariance(look: Look, pooled: Array, correlation: float) -> Array:
    """Covariance (2e, 2e) of a look's mean.

    The look's own scatter counts as far as it has independent samples; the pooled
    scatter stands in for the rest (worth six).
    """
    own = np.maximum(np.repeat(look.counts, 2) / correlation, 1e-9)
    number = np.sqrt(own[:, None] * own[None, :])
    spread = (number * look.spread + 6.0 * pooled) / (number + 6.0)
    larger = np.maximum(own[:, None], own[None, :])
    cov: Array = spread / np.maximum(larger, 1.0)
    return cov
