"""One person's looks under one prior: at what lag, and which eye is on the targets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.alternating import SURE, TURNED_DEG, either, take_turns
from calibkit.fitted.deviating import (
    LOG_ODDS,
    deviating,
    suspected,
    suspected_alone,
    unsteady,
)
from calibkit.fitted.estimate import Estimate, estimate, evenly, unsure_by
from calibkit.fitted.likeness import with_likeness
from calibkit.fitted.material import Material
from calibkit.fitted.observations import Points
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]
Tried = tuple[SharedMapping, Estimate, float]  # a prior, what it gives, the lag

LAGS_S = np.arange(0.0, 0.351, 0.025)
LAG_MEAN_S, LAG_SD_S = 0.1, 0.1
# Where less of so many looks is believed, they may be of now one eye, now the other.
FEWEST_APART, AGREED = 3, 0.75
MARGIN = 3.0  # by so much more must it explain them, where the eyes do not disagree
# What is believed less than this is not the only answer.
CERTAIN = 0.97
# The ordinary answer is so likely that neither eye is to be preferred.
PLAIN = 0.9
# Of so few looks that one eye answered, the next may well be the other's.
FEW_TURNED = 2
# Without other people's prior: with fewer looks, or less eye error, it is not asked.
FEWEST_BROAD, ROUGH_DEG = 6, 0.8
FEWEST_TURNS = 2  # looks that both eyes answered: fewer are of one eye alone


def with_lag(
    prior: SharedMapping, material: Material, start: Array | None = None
) -> tuple[Estimate, float]:
    """Estimate, for moving targets at the lag that explains them best."""
    args = (prior.weights, prior.basis, prior.noise)
    if not material.points.moving.any():
        return estimate(*args, material.points, start), float("nan")
    best: tuple[float, Estimate, float] | None = None
    for lags in (LAGS_S[::4], None):
        if lags is None:
            assert best is not None
            lags = best[2] + np.array([-0.05, -0.025, 0.025, 0.05])
        for lag in lags:
            found = estimate(*args, material.at_lag(float(lag)), start)
            score = found.score - 0.5 * ((lag - LAG_MEAN_S) / LAG_SD_S) ** 2
            if best is None or score > best[0]:
                best = (score, found, float(lag))
    assert best is not None
    return best[1], best[2]


def either_eye(
    prior: SharedMapping, material: Material, start: Array | None = None
) -> Tried:
    """Estimate; where it may be, also for people one of whose eyes turns away.

    The prior that explains the looks best goes on.
    """
    best = (prior, *with_lag(prior, material, start))
    looks = material.points
    if suspected(prior, looks) or suspected_alone(looks, best[1].trust):
        best, margin = _or_turned(prior, material, best), 0.0
    elif _contradictory(best[1]):
        margin = MARGIN
    else:
        return best
    found = _by_turns(prior, looks, best[1], margin)
    return (prior, found, best[2]) if found.takes_turns else best


def _contradictory(found: Estimate) -> bool:
    """Whether so many looks are not believed that they may be of either eye."""
    count = len(found.trust)
    few = count >= FEWEST_APART and float(found.trust.mean()) < AGREED
    return few and _far(found)


def _far(found: Estimate) -> bool:
    """Whether gaze was away from a target by what an eye may be turned."""
    return bool((np.linalg.norm(found.away, axis=1) >= TURNED_DEG).any())


def _or_turned(prior: SharedMapping, material: Material, best: Tried) -> Tried:
    """Try one eye turned, then the other; unsure of what the likely ones differ in."""
    options = [best]
    for other in deviating(prior):
        found, lag = with_lag(other, material)
        options.append((other, replace(found, score=found.score + LOG_ODDS), lag))
    scores = np.array([found.score for _, found, _ in options])
    top = int(np.argmax(scores))
    chosen, found, lag = options[top]
    share = np.exp(scores - scores[top])
    share /= share.sum()
    if share[top] < CERTAIN:
        if share[0] > PLAIN:
            looks = material.at_lag(lag)
            found = with_likeness(prior.weights, prior.basis, found, looks)
        found = replace(found, averaged=True)
        for part, (_, answer, _) in zip(share, options, strict=True):
            apart = answer.weights.mean - found.weights.mean
            apart = evenly(apart, len(prior.eyes)) if share[0] > PLAIN else apart
            found = unsure_by(found, apart, part)
    turned, angle = _turned(prior, found)
    if turned is not None:
        found = replace(found, noise=unsteady(found.noise, turned))
        if int((found.trust >= SURE).sum()) <= FEW_TURNED:
            found = replace(found, noise=either(found.noise, angle, 0.0))
    return chosen, found, lag


def _turned(prior: SharedMapping, found: Estimate) -> tuple[int | None, Array]:
    """Which of two eyes is turned, if one is, and by how much (2,), in degrees."""
    gone = (found.weights.mean - prior.weights.mean).reshape(-1, 2, prior.basis.terms)
    angles = gone[..., 0]
    size = np.linalg.norm(angles, axis=1)
    eye = int(np.argmax(size))
    if len(size) < 2 or size[eye] - size[1 - eye] < TURNED_DEG:
        return None, angles[eye]
    return eye, angles[eye]


def _by_turns(
    prior: SharedMapping, looks: Points, best: Estimate, margin: float
) -> Estimate:
    """Try both eyes in turns, where there are looks of both."""
    if len(prior.eyes) < 2 or looks.moving.any():
        return best
    if int(looks.seen.all(axis=1).sum()) < FEWEST_TURNS:
        return best
    found = take_turns(prior, looks)
    return best if found is None or found.score <= best.score + margin else found


def or_by_turns(prior: SharedMapping, looks: Points, best: Estimate) -> Estimate:
    """Return an estimate by a broad prior, or that both eyes take turns.

    Of raw features without any prior too little is known for this: of people who look
    elsewhere at 40 % of nine targets some would be taken for these.

    Parameters
    ----------
    prior : SharedMapping
        Of features in degrees.
    looks : Points
    best : Estimate
    """
    rough = float(best.noise.eye.mean()) > ROUGH_DEG and _far(best)
    if len(looks) < FEWEST_BROAD or not (rough or _contradictory(best)):
        return best
    found = _by_turns(prior, looks, best, MARGIN)
    # Eyes that explain the looks by turns do it well, or it is inattention.
    return found if found.noise.eye.mean(axis=1).min() < ROUGH_DEG else best
