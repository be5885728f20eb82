"""Which of a few looks are lapses: every set of them is asked.

Judged one after the other from the prior on, a look is taken for what the first that
was believed makes it seem. Where people differ by degrees, as with webcams, that is
chance. Up to five looks there are few sets of lapses, and each has its evidence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.between import Expected, expected
from calibkit.fitted.estimate import (
    LAPSE_SHARE,
    TRUSTED,
    Estimate,
    estimate,
    evenly,
    unsure_by,
)
from calibkit.fitted.likeness import with_likeness
from calibkit.fitted.observations import (
    Noise,
    Points,
    anywhere,
    blocks,
    carried,
    prepare,
)

Array = NDArray[np.float64]

# Up to so many looks every set of lapses is tried.
MOST_SETS = 5
# A single look has nothing but people to be judged by, and how they differ is known.
FEWEST_TOLD = 2
LEFT_OUT = 1e-4  # trust in a lapse
LAPSE_ODDS = float(np.log(LAPSE_SHARE / (1.0 - LAPSE_SHARE)))
# Where it is asked how unsure gaze is: most people look at nearly all targets, and
# theirs is not to be much less sure for those who do not.
DOUBTED_SHARE = 0.07
LESS = float(np.log(DOUBTED_SHARE / (1.0 - DOUBTED_SHARE))) - LAPSE_ODDS
NEGLIGIBLE = 0.003


@dataclass(frozen=True, kw_only=True, eq=False)
class Sets:
    """Sets of lapses among T looks under one prior.

    Parameters
    ----------
    lapsed : array (m, T) of bool
    cov : array (m, n, n)
        Of all observations.
    given : Expected
    """

    lapsed: NDArray[np.bool_]
    cov: Array
    given: Expected

    @property
    def trust(self) -> Array:
        """In each look, (m, T), to start from."""
        return np.where(self.lapsed, LEFT_OUT, 1.0)

    @cached_property
    def score(self) -> Array:
        """Log evidence of each set, (m,), with the odds of its lapses."""
        start = self.given.start.ravel()
        solved = np.linalg.solve(self.cov, start[:, None])[..., 0]
        fit = solved @ start + np.linalg.slogdet(self.cov)[1]
        return np.asarray(LAPSE_ODDS * self.lapsed.sum(axis=1) - 0.5 * fit, float)

    @cached_property
    def share(self) -> Array:
        """Probability of each set, (m,), where a lapse is as rare as DOUBTED_SHARE."""
        score = self.score + LESS * self.lapsed.sum(axis=1)
        share = np.exp(score - score.max())
        normed: Array = share / share.sum()
        return normed

    def posterior(self, which: NDArray[np.bool_], share: Array) -> Gaussian:
        """Mixture of the posteriors of some sets, by what each of them counts."""
        given, part = self.given, share[which] / share[which].sum()
        inverse = np.asarray(np.linalg.inv(self.cov[which]), float)
        ones, start = np.ones((len(part), 1)), given.start.ravel()
        return bayes.mixture(given.prior, ones, given.crossed, start, inverse, part)


def each_set(prior: Gaussian, basis: Basis, noise: Noise, looks: Points) -> Sets:
    """Return every set of lapses; a look that no eye was seen in is of none.

    Parameters
    ----------
    prior : Gaussian
        Over the basis' weights.
    basis : Basis
    noise : Noise
    looks : Points
        T looks, at most MOST_SETS.
    """
    count = len(looks)
    sets = (np.arange(2**count)[:, None] >> np.arange(count)) % 2 == 1
    seen = ~(sets & ~looks.seen.any(axis=1)).any(axis=1)
    return of_sets(prior, basis, noise, looks, sets[seen])


def of_sets(
    prior: Gaussian,
    basis: Basis,
    noise: Noise,
    looks: Points,
    lapsed: NDArray[np.bool_],
) -> Sets:
    """Return some sets (m, T) of lapses."""
    prepared = prepare(basis, looks)
    given = expected(prior, prepared)
    made = blocks(prepared, noise, carried(prepared, prior.mean))
    added = anywhere(made.target.shape[1]) * lapsed[..., None, None]
    each = bayes.masked_noise(made.noise + added, made.present)
    cov = np.repeat(given.base[None], len(lapsed), axis=0)
    bayes.add_noise(cov, each, np.ones(len(looks)), made.present)
    return Sets(lapsed=lapsed, cov=cov, given=given)


def or_lapses(
    prior: Gaussian, basis: Basis, noise: Noise, found: Estimate, looks: Points
) -> Estimate:
    """Return an estimate by few looks, started anew where others are likelier lapses.

    It is as unsure as the other sets of lapses, each by its probability, would have it.

    Parameters
    ----------
    prior : Gaussian
        Learned, over the basis' weights.
    basis : Basis
    noise : Noise
        Of people.
    found : Estimate
        Under that prior.
    looks : Points
    """
    few = FEWEST_TOLD <= len(looks) <= MOST_SETS and not looks.moving.any()
    if not few:
        return with_likeness(prior, basis, found, looks)
    sets = each_set(prior, basis, noise, looks)
    likeliest = int(np.argmax(sets.score))
    if (sets.lapsed[likeliest] != (found.trust < TRUSTED)).any():
        found = estimate(prior, basis, noise, looks, sets.trust[likeliest])
    return unsure_which(with_likeness(prior, basis, found, looks), sets)


def unsure_which(found: Estimate, sets: Sets) -> Estimate:
    """Return an estimate that holds what other sets of lapses would say, too.

    Both eyes looked, or neither did: what is unsure prefers neither.
    """
    ours = (sets.lapsed == (found.trust < TRUSTED)).all(axis=1)
    others = ~ours & (sets.share > NEGLIGIBLE)
    if not ours.any() or not others.any():
        return found
    mine = sets.posterior(ours, sets.share)
    theirs = sets.posterior(others, sets.share)
    part, eyes = float(sets.share[others].sum()), len(found.noise.eye)
    found = unsure_by(found, evenly(theirs.mean - mine.mean, eyes), part)
    size = len(mine.mean) // eyes
    wider = (theirs.cov - mine.cov).reshape(eyes, size, eyes, size).mean(axis=(0, 2))
    root = bayes.symmetric_root(wider)  # where they are as unsure, or less, nothing
    added = np.tile(part * root @ root.T, (eyes, eyes))
    return replace(found, weights=replace(found.weights, cov=found.weights.cov + added))
