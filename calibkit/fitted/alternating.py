"""Eyes that take turns (alternating strabismus): one is on the target, or the other.

The angle between two such eyes is about the same whichever looks (Adams, Economides &
Horton 2017, Invest Ophthalmol Vis Sci 58:4049: 18 degrees, and 1.7 between one eye's
and the other's in 16 of 37 people), so a single sample does not tell which one it is.
Known targets do: that eye's features fit. Both eyes are mapped from the looks in which
each was on the target; gaze is what the eye says that was so more often, and unsure by
what the other would say.
"""

from __future__ import annotations

from dataclasses import replace
from math import comb, log

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.between import expected
from calibkit.fitted.deviating import DEVIATION_DEG, LOG_ODDS, unsteady
from calibkit.fitted.estimate import Estimate, estimate
from calibkit.fitted.observations import Noise, Points, blocks, carried, prepare
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]

TURNED = "turned"  # the covariate that says so of an eye, at a look
# Correlation of what one eye turns by with what the other does: sideways by the same,
# outwards or inwards both; up and down by the same the other way, or both upwards.
ALIKE = (-0.97, 0.0)
# Of people with a turned eye, how many take turns, by how many always look with the
# first: from memory, about as many.
TAKE_TURNS = 1.0
# So much of the squared angle, at least, is unsure: a region of 90 % then holds both.
LEAST_SHARE = 0.22
# What explains fewer of the looks, or an angle less than this, is rather inattention.
ANSWERED, TURNED_DEG = 0.7, 3.0
SURE = 0.5  # looks that are believed less are not asked which eye it was
ROUNDS = 3
FAR_DEG = 3.0  # as good as a lapse
IGNORED = 1e-6  # trust in looks that do not count


def take_turns(prior: SharedMapping, found: Points) -> Estimate | None:
    """Estimate a person whose eyes take turns; None where one alone is on the targets.

    Parameters
    ----------
    prior : SharedMapping
        Of two eyes.
    found : Points
        T looks.

    Returns
    -------
    Estimate or None
        Gaze is what the eye says that was on more targets, and is unsure by what the
        other would say. The odds of taking turns are in its score.
    """
    wider, straight = _wider(prior), _straight(found)
    tried: dict[bytes, Estimate | None] = {}
    for first in _starts(wider, straight):
        for _ in range(ROUNDS):
            if first.tobytes() in tried:
                break
            looks = _told(straight, first)
            made = estimate(wider.weights, wider.basis, wider.noise, looks)
            counts = np.bincount(first[made.trust >= SURE], minlength=2)
            told = None
            if counts.min() and counts.sum() >= ANSWERED * len(first):
                told = _as_one(prior, wider.basis, made, counts, first)
            tried[first.tobytes()] = told
            first = _nearer(wider, straight, made.weights.mean)[0]
    answers = [made for made in tried.values() if made is not None]
    return max(answers, key=lambda made: made.score, default=None)


def _starts(wider: SharedMapping, straight: Points) -> list[NDArray[np.int_]]:
    """Which eye each look is of, by the prior alone, and by it and the best look."""
    options = [_nearer(wider, straight, wider.weights.mean)]
    count = len(straight)
    for eye in range(2):
        looks = _told(straight, np.full(count, eye))
        prepared = prepare(wider.basis, looks)
        given = expected(wider.weights, prepared)
        made = blocks(prepared, wider.noise, carried(prepared, wider.weights.mean))
        for look in np.flatnonzero(straight.seen.all(axis=1)):
            only = np.where(np.arange(count) == look, 1.0, IGNORED)
            mean = given.solve(made, only).posterior.mean
            options.append(_nearer(wider, straight, mean))
    best = min(options[1:], key=lambda option: option[1], default=options[0])
    return [options[0][0], best[0]]


def either(noise: Noise, angle: Array, share: float) -> Noise:
    """Return the noise where now and then the other eye looks.

    Parameters
    ----------
    noise : Noise
    angle : array (2,), degrees
        By which gaze is off then.
    share : float
        How often.
    """
    unsure = max(share, LEAST_SHARE) * angle**2
    return replace(noise, drift=np.sqrt(noise.drift**2 + unsure))


def _wider(prior: SharedMapping) -> SharedMapping:
    """Return the prior with one more covariate: 1 where an eye is turned."""
    basis = prior.basis
    one = np.ones((2, 1))
    more = replace(
        basis,
        covariates=(*basis.covariates, TURNED),
        extra_centre=np.hstack([basis.extra_centre, 0.0 * one]),
        extra_scale=np.hstack([basis.extra_scale, one]),
    )
    rows, turns = _places(more)
    cov = np.zeros((more.size, more.size))
    cov[np.ix_(rows, rows)] = prior.weights.cov
    mean = np.zeros(more.size)
    mean[rows] = prior.weights.mean
    cov[np.ix_(turns, turns)] = _angles()
    return replace(prior, basis=more, weights=Gaussian(mean=mean, cov=cov))


def _angles() -> Array:
    """Covariance (4, 4) of what the eyes turn by: the first right, down, the other."""
    cov = np.diag(np.tile(DEVIATION_DEG, 2)) ** 2
    for axis, (degrees, alike) in enumerate(zip(DEVIATION_DEG, ALIKE, strict=True)):
        cov[axis, axis + 2] = cov[axis + 2, axis] = alike * degrees**2
    return cov


def _places(basis: Basis) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Which weights are the mapping's, and which (4,) the turned eyes'."""
    each = np.arange(basis.size).reshape(-1, basis.terms)
    return each[:, :-1].ravel(), each[:, -1]


def _straight(found: Points) -> Points:
    """Return the looks with one more covariate that says that no eye is turned."""
    count, eyes, covariates = found.extra.shape
    extra = np.concatenate([found.extra, np.zeros((count, eyes, 1))], axis=2)
    spread = found.extra_spread
    if spread is not None:
        shape = (eyes, covariates, eyes, covariates)
        more = [(0, 0), (0, 1), (0, 0), (0, 1)]
        size = eyes * (covariates + 1)
        spread = np.pad(spread.reshape(shape), more).reshape(size, size)
    return replace(found, extra=extra, extra_spread=spread)


def _told(straight: Points, first: NDArray[np.int_]) -> Points:
    """Say which eye (T,) is on the target at each look: the other one is turned."""
    extra = straight.extra.copy()
    extra[np.arange(len(first)), 1 - first, -1] = 1.0
    return replace(straight, extra=extra)


def _nearer(
    prior: SharedMapping, straight: Points, mean: Array
) -> tuple[NDArray[np.int_], float]:
    """Which eye (T,), 0 or 1, is nearer to each target, and how far all are off."""
    prepared = prepare(prior.basis, straight)
    left = (prepared.target - prepared.design @ mean).reshape(-1, 2, 2)
    apart = np.where(straight.seen, np.linalg.norm(left, axis=2), np.inf)
    off = np.minimum(apart.min(axis=1), FAR_DEG)
    return np.argmin(apart, axis=1), float(np.sum(off**2))


def _as_one(
    prior: SharedMapping,
    basis: Basis,
    made: Estimate,
    counts: NDArray[np.int_],
    first: NDArray[np.int_],
) -> Estimate | None:
    """Return the estimate by the basis of the prior, as the usual eye's answer.

    The other eye is taken as turned, as it mostly is; None where neither is.
    """
    usual = int(np.argmax(counts))
    rows, turns = _places(basis)
    angles = made.weights.mean[turns]
    angle = angles[2 * usual : 2 * usual + 2]
    if np.linalg.norm(angle) < TURNED_DEG:
        return None
    centre = basis.extra_centre.copy()
    centre[1 - usual, -1] = 1.0
    matrix = basis.moved(centre)[1][rows]
    share = (counts.min() + 1.0) / (counts.sum() + 2.0)
    total, few = len(first), int((first != usual).sum())
    # Looks left out do not tell how unlikely the angles are that the others gave.
    unlikely = 0.5 * float(angles @ np.linalg.solve(_angles(), angles))
    odds = LOG_ODDS + log(TAKE_TURNS) - log((total + 1) * comb(total, few))
    return replace(
        made,
        weights=Gaussian(
            mean=matrix @ made.weights.mean,
            cov=matrix @ made.weights.cov @ matrix.T,
        ),
        noise=unsteady(either(made.noise, angle, share), 1 - usual),
        score=made.score + odds - unlikely,
        takes_turns=True,
        averaged=True,
    )
