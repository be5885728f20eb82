"""An eye that turns away (strabismus): a hypothesis beside the ordinary one.

Most people's eyes look at the same place, and a prior learned from them says so. One
look that both eyes answer tells whether they agree; an inattentive person's eyes do.
Of one eye alone it takes two looks that are off by the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.observations import Noise, Points, blocks, carried, prepare
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]

# How far an eye may turn away, sd in degrees right and down: 2 to 4 % of people squint,
# mostly sideways by some 5 to 20 degrees (textbook knowledge, from memory).
DEVIATION_DEG = (8.0, 4.0)
# What its angle changes by later, at least: no vision holds it (25 people; ellipses of
# 95 % of positions of 18 square degrees for the eye that looks and 63 for the other:
# Economides, Adams & Horton 2016, JAMA Ophthalmol 134:63).
UNSTEADY_DEG = 1.0
LOG_ODDS = float(np.log(0.02))
# Eyes that disagree by less, squared per number as expected, need no second thought.
DISAGREE = 2.5
# An eye alone: with so many looks, believed less than this in the mean.
ALONE_LOOKS, ALONE_TRUST = 2, 0.5


def disagreement(prior: SharedMapping, found: Points) -> float:
    """How much farther apart the eyes are than the prior expects; about 0.7.

    The median over looks of the squared distance between what the two eyes say, by its
    expected variance, per number; 0 where no look was seen by both.
    """
    if len(prior.eyes) != 2 or not found.seen.all(axis=1).any():
        return 0.0
    both = found.take(np.flatnonzero(found.seen.all(axis=1)))
    prepared, weights = prepare(prior.basis, both), prior.weights
    made = blocks(prepared, prior.noise, carried(prepared, weights.mean))
    apart = np.array([[1.0, 0.0, -1.0, 0.0], [0.0, 1.0, 0.0, -1.0]])
    design = apart @ made.design
    left = (apart @ made.target[..., None] - design @ weights.mean[:, None])[..., 0]
    cov = design @ weights.cov @ np.swapaxes(design, -1, -2)
    cov = cov + apart @ made.noise @ apart.T
    solved = np.linalg.solve(cov, left[..., None])[..., 0]
    return float(np.median(np.sum(left * solved, axis=1))) / 2.0


def deviating(prior: SharedMapping) -> Iterator[SharedMapping]:
    """Yield the prior of people whose first, then whose second eye turns away."""
    terms = prior.basis.terms
    for eye in range(len(prior.eyes)):
        more = np.zeros(prior.basis.size)
        for axis, degrees in enumerate(DEVIATION_DEG):
            more[(2 * eye + axis) * terms] = degrees**2
        weights = prior.weights
        wider = Gaussian(mean=weights.mean, cov=weights.cov + np.diag(more))
        yield replace(prior, weights=wider)


def unsteady(noise: Noise, eye: int) -> Noise:
    """Return the noise of a person whose one eye is turned: less can be told by it."""
    loose = noise.eye.copy()
    loose[eye] = np.maximum(loose[eye], UNSTEADY_DEG)
    return replace(noise, eye=loose)


def suspected(prior: SharedMapping, found: Points) -> bool:
    """Whether the looks call for asking if an eye turns away."""
    return disagreement(prior, found) > DISAGREE


def suspected_alone(found: Points, trust: Array) -> bool:
    """Whether to ask it of an eye that no other can be compared with.

    Parameters
    ----------
    found : Points
    trust : array (looks,)
        How far each look is believed under the ordinary prior.
    """
    compared = found.seen.shape[1] > 1 and found.seen.all(axis=1).any()
    return (
        not compared and len(trust) >= ALONE_LOOKS and float(trust.mean()) < ALONE_TRUST
    )
