"""Where to start a robust fit when no prior says which looks are lapses."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_TRIPLES = 600


def triples(count: int) -> NDArray[np.int_]:
    """All triples of `count` looks, or a fixed random part of them, (k, 3)."""
    if count <= 16:
        return np.array(list(combinations(range(count), 3)), int).reshape(-1, 3)
    rng = np.random.default_rng(0)
    picks = rng.random((MOST_TRIPLES, count)).argsort(axis=1)
    return picks[:, :3]


def trimmed_start(features: Array, gaze: Array) -> Array | None:
    """Weights (T,) from the affine map that most looks agree with.

    Parameters
    ----------
    features : array (T, 2)
        NaN where unseen.
    gaze : array (T, 2), degrees

    Returns
    -------
    array (T,), 1 for looks that agree and little for the others; None with too few

    Notes
    -----
    Least trimmed squares by all triples (Rousseeuw 1984, JASA 79:871), since there are
    few looks: 560 triples of 16.
    """
    rows = np.flatnonzero(np.isfinite(features).all(axis=1))
    if len(rows) < 5:
        return None
    x = np.column_stack([np.ones(len(rows)), features[rows]])
    y = gaze[rows]
    chosen = triples(len(rows))
    matrices = x[chosen]
    apart = np.abs(np.linalg.det(matrices))
    good = apart > 0.05 * apart.max(initial=0.0)
    if not good.any():
        return None
    maps = np.linalg.solve(matrices[good], y[chosen[good]])
    errors = np.linalg.norm(x @ maps - y, axis=2)
    kept = max(4, int(np.ceil(0.6 * len(rows))))
    trimmed = np.sort(errors, axis=1)[:, :kept]
    best = errors[int(np.argmin(np.sum(trimmed**2, axis=1)))]
    limit = max(3.0 * float(np.sort(best)[kept - 1]) / 1.5, 0.8)
    weights = np.ones(len(features))
    weights[rows] = np.where(best < limit, 1.0, 0.02)
    return weights
