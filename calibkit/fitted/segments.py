"""Where a signal is steady: stretches between jumps, by the data's own noise.

The signal is averaged into short bins, and the stretches are those that explain the
bins best, each new stretch having its price. A fixed velocity threshold would fail on a
noisy tracker: white noise of 0.3 degrees at 60 Hz already looks like 25 degrees/s.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# What a new stretch must explain, in squared units of noise: a jump of 3.5 sd for those
# of five bins. Common practice is 6 sd for single samples (Engbert & Kliegl 2003).
PRICE = 25.0


def bins(time: Array, signal: Array, start: float, width: float, count: int) -> Array:
    """Mean of a signal in equal bins.

    Parameters
    ----------
    time : array (n,), s
    signal : array (n, k)
        NaN where missing.
    start, width : float, s
    count : int

    Returns
    -------
    array (count, k), NaN for empty bins
    """
    which = np.clip(((time - start) / width).astype(int), 0, count - 1)
    out = np.empty((count, signal.shape[1]))
    with np.errstate(invalid="ignore"):
        for k, column in enumerate(signal.T):
            there = np.isfinite(column)
            number = np.bincount(which[there], minlength=count)
            total = np.bincount(which[there], column[there], minlength=count)
            out[:, k] = total / number
    return out


def noise(binned: Array) -> Array:
    """Sd of the noise of bins (m, count, k) by their differences, robust to jumps.

    Returns
    -------
    array (k,); NaN where nothing was seen
    """
    steps = np.diff(binned, axis=1).reshape(-1, binned.shape[2])
    found = np.full(binned.shape[2], np.nan)
    for k, column in enumerate(steps.T):
        there = np.abs(column[np.isfinite(column)])
        if len(there):
            found[k] = 1.4826 * np.median(there) / np.sqrt(2.0)
    return found


def stretches(binned: Array, sd: Array, price: float = PRICE) -> list[tuple[int, int]]:
    """Split bins into steady stretches.

    Parameters
    ----------
    binned : array (count, k)
        NaN where missing.
    sd : array (k,)
        Noise of a bin; columns without noise (NaN) are ignored.
    price : float
        What another stretch costs.

    Returns
    -------
    list of (first, one past the last) bin

    Notes
    -----
    Optimal partitioning by dynamic programming: Jackson et al. 2005, IEEE Signal
    Processing Letters 12:105.
    """
    usable = np.isfinite(sd) & (sd > 0)
    if not usable.any() or len(binned) == 0:
        return []
    cost = _costs(binned[:, usable] / sd[usable]) / max(1.0, usable.sum() / 2.0)
    count = len(binned)
    best = np.zeros(count + 1)
    back = np.zeros(count + 1, int)
    for end in range(1, count + 1):
        total = best[:end] + cost[:end, end] + price
        back[end] = int(np.argmin(total))
        best[end] = total[back[end]]
    edges = [count]
    while edges[-1] > 0:
        edges.append(int(back[edges[-1]]))
    edges.reverse()
    return list(itertools.pairwise(edges))


def _costs(scaled: Array) -> Array:
    """Sum of squares about the mean of bins i to j - 1, for all i < j."""
    there = np.isfinite(scaled)
    filled = np.where(there, scaled, 0.0)
    middle = filled.sum(axis=0) / np.maximum(there.sum(axis=0), 1)
    value = np.where(there, scaled - middle, 0.0)
    zero = np.zeros((1, scaled.shape[1]))
    number, first, second = (
        np.concatenate([zero, np.cumsum(part, axis=0)])
        for part in (there.astype(float), value, value**2)
    )
    n = number[None] - number[:, None]
    total = first[None] - first[:, None]
    square = second[None] - second[:, None]
    spread = square - total**2 / np.maximum(n, 1.0)
    cost: Array = np.clip(spread, 0.0, None).sum(-1)
    return cost
