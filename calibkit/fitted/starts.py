"""Where to start a robust fit when no prior says which looks are lapses."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.between import expected
from calibkit.fitted.observations import Noise, Points, blocks, carried, prepare
from calibkit.fitted.upright import skewed

Array = NDArray[np.float64]

MOST_TRIPLES = 600
ROUNDS = 4
# How far off a look may be that agrees with a map; how much farther none counts more,
# nor a camera that is not upright: less than two looks that do not agree.
OFF_DEG, MOST_OFF, MOST_SKEWED = 1.5, 3.0, 12.0
FEWEST_UPRIGHT, FEWEST_PREDICT = 4, 6
BENT_DEG = 3.0  # so far off an affine map is where raw features bend, lapses farther


def start_of(
    prior: Gaussian, basis: Basis, noise: Noise, found: Points, in_degrees: bool
) -> Array | None:
    """Weights (T,) to start a robust fit from; None for the prior's own residuals.

    Of these two, those go on under which the looks predict one another best. Where all
    looks agree with one map there is nothing to choose between. Of raw features nothing
    is expected, so that few looks predict nothing of one another.
    """
    if not len(found):
        return None
    eye = int(np.argmax(found.seen.sum(axis=0)))
    rows = np.where(found.seen[:, eye, None], found.mean[:, eye], np.nan)
    trimmed = (trimmed_start if in_degrees else upright_start)(rows, found.gaze)
    if trimmed is None or (trimmed == 1.0).all():
        return trimmed
    if not in_degrees and len(found) < FEWEST_PREDICT:
        return trimmed
    prepared = prepare(basis, found)
    given = expected(prior, prepared)
    best: tuple[float, Array] | None = None
    for start in (None, trimmed):
        weights, trust = prior.mean, start
        for _ in range(2):
            made = blocks(prepared, noise, carried(prepared, weights))
            trust = given.robust_weights(made, trust, ROUNDS)
            solution = given.solve(made, trust)
            weights = solution.posterior.mean
        score = solution.predictive(made)
        if best is None or score > best[0]:
            assert trust is not None
            best = (score, trust)
    return best[1] if best else None


def triples(count: int) -> NDArray[np.int_]:
    """All triples of `count` looks, or a fixed random part of them, (k, 3)."""
    if count <= 16:
        return np.array(list(combinations(range(count), 3)), int).reshape(-1, 3)
    rng = np.random.default_rng(0)
    picks = rng.random((MOST_TRIPLES, count)).argsort(axis=1)
    return picks[:, :3]


def _affine_maps(x: Array, y: Array) -> Array:
    """Affine maps (k, 3, 2) by all triples of looks that lie on no line, or nearly."""
    chosen = triples(len(x))
    apart = np.abs(np.linalg.det(x[chosen]))
    good = chosen[apart > 0.05 * apart.max(initial=0.0)]
    return np.asarray(np.linalg.solve(x[good], y[good]), float)


def upright_start(features: Array, gaze: Array) -> Array | None:
    """Weights (T,) from the affine map of an upright camera that most looks agree with.

    Where half the looks are lapses, as many agree with a skewed one. Parameters and
    source as of `trimmed_start`.
    """
    rows = np.flatnonzero(np.isfinite(features).all(axis=1))
    if len(rows) < FEWEST_UPRIGHT:
        return None
    span = float(np.ptp(features[rows], axis=0).max())
    x = np.column_stack([np.ones(len(rows)), features[rows] / (span or 1.0)])
    y = gaze[rows]
    maps = _affine_maps(x, y)
    if not len(maps):
        return None
    off = np.linalg.norm(x @ maps - y, axis=2) / OFF_DEG
    cost = np.sum(np.minimum(off, MOST_OFF) ** 2, axis=1)
    cost = cost + np.minimum(skewed(maps[:, 1:]), MOST_SKEWED)
    agree = off[int(np.argmin(cost))] < MOST_OFF
    # Three looks tell a map roughly: what agrees with all that do is none of a lapse.
    for _ in range(2):
        line = np.linalg.lstsq(x[agree], y[agree], rcond=None)[0]
        left = np.linalg.norm(x @ line - y, axis=1)
        agree = agree | (left < max(2.0 * float(left[agree].max()), BENT_DEG))
    weights = np.ones(len(features))
    weights[rows] = np.where(agree, 1.0, 0.02)
    return weights


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
    maps = _affine_maps(x, y)
    if not len(maps):
        return None
    errors = np.linalg.norm(x @ maps - y, axis=2)
    kept = max(4, int(np.ceil(0.6 * len(rows))))
    trimmed = np.sort(errors, axis=1)[:, :kept]
    best = errors[int(np.argmin(np.sum(trimmed**2, axis=1)))]
    limit = max(3.0 * float(np.sort(best)[kept - 1]) / 1.5, 0.8)
    weights = np.ones(len(features))
    weights[rows] = np.where(best < limit, 1.0, 0.02)
    return weights
