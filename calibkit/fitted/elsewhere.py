"""A prior learned at other set-ups, brought to one that nobody was learned from.

How large features are there, and which way round they count, is tried; which looks are
lapses, too, for where nothing is known no look is far off by itself. Few looks agree by
chance: then every answer counts by its evidence, and what they differ by is unsure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.between import expected
from calibkit.fitted.broad import NOISE_SPREAD
from calibkit.fitted.estimate import TRUSTED, Estimate, away, unsure_everywhere
from calibkit.fitted.frames import centres, directions, turned, widened
from calibkit.fitted.lapses import (
    LAPSE_ODDS,
    MOST_SETS,
    NEGLIGIBLE,
    each_set,
    of_sets,
)
from calibkit.fitted.observations import (
    Noise,
    Points,
    anywhere,
    blocks,
    carried,
    prepare,
)
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]

# The sizes that are tried, in steps of a logarithm.
SIZES = np.arange(-4, 5) * 0.25
# Which way round features may be, with the log odds of that; not as others are is rare.
TURNS = {(1, 1): 0.0, (-1, 1): -3.0, (1, -1): -4.0, (-1, -1): -4.0}
# Sd of the sizes, and what is unknown beside the best: degrees of place, logarithms of
# size and of height by width, radians of the camera's roll. Of several set-ups it is in
# their prior already what places and sizes differ by.
SIZES_SD, UNKNOWN = 0.35, (2.0, 5.0, 0.12, 0.03, 0.03)
SIZES_SD_MIXED, UNKNOWN_MIXED = 0.25, (0.0, 0.0, 0.06, 0.02, 0.02)
# What people differ in counts so many times, since another desk adds to it.
ELSEWHERE = 1.2
# With more looks than all sets of lapses are tried of, so many are believed first.
MOST_FIRST = 8
# Where of more looks than these so large a share is believed, none is seen mirrored.
AGREED = 0.75
# Where no look is believed so much, all may be of a camera that was moved; this share
# of the square of what they are off by, and a region of 90 % holds that.
BELIEVED, UNSURE_SHARE, FEW_UNSURE = 0.5, 0.3, 3

# What is added to a doubted prior's sd by group, degrees rms over the screen.
WIDER_SD = {0: 6.0, 1: 4.0, 2: 0.6, 3: 0.2, 4: 0.5}


@dataclass(frozen=True, kw_only=True, eq=False)
class Option:
    """A prior as it would hold at a size and a turn of features.

    Parameters
    ----------
    turn : tuple of 1 or -1
    step : float
        Logarithm of the size.
    prior : SharedMapping
    trust : array (m, T)
        What may be believed of the looks.
    score : array (m,)
        Log evidence of each of these.
    """

    turn: tuple[int, int]
    step: float
    prior: SharedMapping
    trust: Array
    score: Array

    @property
    def believed(self) -> float:
        """Mean trust in looks, by the likeliest answer."""
        return float(self.trust[np.argmax(self.score)].mean())


@dataclass(frozen=True, kw_only=True, eq=False)
class Elsewhere:
    """Priors as they may hold where looks come from.

    Parameters
    ----------
    looks : Points
        T looks.
    options : tuple of Option
    best, chosen : int
        The best option, and what it believes of the looks.
    """

    looks: Points
    options: tuple[Option, ...]
    best: int
    chosen: int

    @property
    def prior(self) -> SharedMapping:
        """As it holds most likely."""
        return self.options[self.best].prior

    @property
    def trust(self) -> Array:
        """In each look, (T,), to start from."""
        return self.options[self.best].trust[self.chosen]

    def unsure(self, found: Estimate) -> Estimate:
        """Return an estimate under the best prior, as unsure as the options differ.

        It stays where the likeliest set of lapses puts it, at whatever size.
        """
        if len(self.looks) > MOST_SETS:
            return found
        top = max(float(option.score.max()) for option in self.options)
        share, near, means, covs = [], [], [], []
        for option in self.options:
            each = np.exp(option.score - top)
            same = np.arange(len(each)) == self.chosen
            for alike in (True, False):
                kept = (each > NEGLIGIBLE) & (same == alike)
                if kept.any():
                    made = self._posterior(option, kept, each[kept], found.noise)
                    share.append(each[kept].sum())
                    near.append(alike)
                    means.append(made.mean)
                    covs.append(made.cov)
        part, chosen, mean = np.array(share), np.array(near), np.array(means)
        part /= part.sum()
        middle = part[chosen] @ mean[chosen] / part[chosen].sum()
        apart = mean - middle
        cov = np.tensordot(part, covs, axes=1) + (apart.T * part) @ apart
        return replace(found, weights=Gaussian(mean=middle, cov=0.5 * (cov + cov.T)))

    def _posterior(
        self, option: Option, kept: NDArray[np.bool_], share: Array, noise: Noise
    ) -> Gaussian:
        """Of some sets of lapses at one size, in the best prior's basis."""
        prior, lapsed = option.prior, option.trust[kept] < TRUSTED
        sets = of_sets(prior.weights, prior.basis, noise, self.looks, lapsed)
        found = sets.posterior(np.ones(len(lapsed), bool), share)
        matrix = prior.basis.as_in(self.prior.basis)
        return Gaussian(mean=matrix @ found.mean, cov=matrix @ found.cov @ matrix.T)


def elsewhere(prior: SharedMapping, found: Points, zeros: Sequence[bool]) -> Elsewhere:
    """Return a prior of other set-ups as it may hold where looks come from.

    Parameters
    ----------
    prior : SharedMapping
    found : Points
        T looks, at least one.
    zeros : sequence of bool
        Per eye, whether its features have a zero of their own.
    """
    theirs = np.where(np.array(zeros)[:, None], 0.0, prior.basis.centre)
    here = centres([found], zeros)
    size_sd = SIZES_SD_MIXED if prior.mixed else SIZES_SD
    unknown = np.array(UNKNOWN_MIXED if prior.mixed else UNKNOWN)
    ways = directions(prior.basis, prior.weights.mean, theirs)
    spread = replace(prior.weights, cov=ELSEWHERE * prior.weights.cov)
    wide = widened(spread, ways, unknown**2)
    few = len(found) <= MOST_SETS

    def tried(turn: tuple[int, int], sizes: NDArray[np.floating]) -> Iterator[Option]:
        way = np.array(turn, float)
        weights = turned(prior.basis, wide, way)
        for step in sizes:
            size = float(np.exp(step))
            basis = replace(
                prior.basis,
                centre=here + way * (prior.basis.centre - theirs) / size,
                scale=prior.basis.scale / size,
            )
            moved = replace(prior, basis=basis, weights=weights)
            score, trust = (_each_set if few else _each_first)(moved, found)
            score = score + TURNS[turn] - 0.5 * (step / size_sd) ** 2
            yield Option(
                turn=turn, step=float(step), prior=moved, trust=trust, score=score
            )

    straight = next(iter(TURNS))
    options = list(tried(straight, SIZES if few else SIZES[::2]))
    if few or max(options, key=_most).believed < AGREED:
        for turn in list(TURNS)[1:]:
            options += tried(turn, SIZES[::2])
    top = max(options, key=_most)
    if few and top.turn != straight:
        options += tried(top.turn, SIZES[1::2])
    elif not few:
        # Many looks tell the size so well that only its neighbours are in question.
        options += tried(top.turn, SIZES[abs(SIZES - top.step) == SIZES[1] - SIZES[0]])
    best, chosen = _best(options, few)
    return Elsewhere(looks=found, options=tuple(options), best=best, chosen=chosen)


def _most(option: Option) -> float:
    return float(option.score.max())


def _best(options: Sequence[Option], sets: bool) -> tuple[int, int]:
    """Which option, and what it believes; `sets`: all options have the same sets."""
    score = np.array([option.score for option in options])
    if not sets:
        best = int(np.argmax(score.max(axis=1)))
        return best, int(np.argmax(score[best]))
    chosen = int(np.argmax(np.exp(score - score.max()).sum(axis=0)))
    return int(np.argmax(score[:, chosen])), chosen


def _each_set(prior: SharedMapping, found: Points) -> tuple[Array, Array]:
    """Log evidence (m,) of every set of lapses, and the trust (m, T) in looks."""
    sets = each_set(prior.weights, prior.basis, prior.noise, found)
    return sets.score, sets.trust


def _each_first(prior: SharedMapping, found: Points) -> tuple[Array, Array]:
    """Each of some looks is believed first and says which others agree with it."""
    prepared, weights = prepare(prior.basis, found), prior.weights
    given = expected(weights, prepared)
    made = blocks(prepared, prior.noise, carried(prepared, weights.mean))
    count = len(found)
    first = np.unique(np.linspace(0, count - 1, MOST_FIRST).astype(int))
    only = np.where(np.arange(count) == first[:, None], 1.0, 1e-6)
    start = np.maximum(only, given.judged_by_one(made.noise, first))
    trust = given.settled(made.noise[None], start, rounds=2)
    lapsed = (trust < TRUSTED) & (given.counts > 0)
    added = lapsed[..., None, None] * anywhere(made.target.shape[1])
    each = given.log_evidence(made.noise + added, np.ones(trust.shape))
    return each + LAPSE_ODDS * lapsed.sum(axis=-1), trust


def perhaps_moved(prior: SharedMapping, found: Estimate, looks: Points) -> Estimate:
    """Return an estimate by few looks, as unsure as they are off if none is expected.

    A person who looked elsewhere every time and a camera that stands elsewhere look
    alike in a look or two. The answer stays; its regions hold the other one, too.

    Parameters
    ----------
    prior : SharedMapping
    found : Estimate
        Under it.
    looks : Points
    """
    if not 0 < len(looks) <= FEW_UNSURE:
        return found
    prepared, weights = prepare(prior.basis, looks), prior.weights
    made = blocks(prepared, prior.noise, carried(prepared, weights.mean))
    alone = bayes.prior_weights(weights, made)
    if np.minimum(alone, found.trust).max() >= BELIEVED:
        return found
    apart = away(made.target - made.design @ weights.mean, made.present)
    off = UNSURE_SHARE * apart.T @ apart / len(apart)
    return unsure_everywhere(found, prior.basis, off)


def loosened(prior: SharedMapping, share: float) -> SharedMapping:
    """Return the prior with more sd for every group, and persons' noise vaguer."""
    more = share * np.array([WIDER_SD[int(g)] for g in prior.basis.group])
    cov = (1.0 + 3.0 * share) * prior.weights.cov
    cov = cov + np.diag(np.tile(more, 2 * len(prior.eyes)) ** 2)
    noise = replace(prior.noise, spread=max(prior.noise.spread, NOISE_SPREAD))
    return replace(prior, weights=replace(prior.weights, cov=cov), noise=noise)
