"""A prior learned at other set-ups, brought to one that nobody was learned from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.bayes import Blocks
from calibkit.fitted.broad import NOISE_SPREAD
from calibkit.fitted.frames import centres, directions, turned, widened
from calibkit.fitted.observations import Points, blocks, carried, prepare
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]

# Of a set-up that nobody was learned from: the sizes that are tried, in steps of a
# logarithm, and what is unknown beside the best: degrees of place, logarithms of size
# and of height by width, radians of the camera's roll.
SIZES, SIZES_SD = np.arange(-4, 5) * 0.25, 0.35
UNKNOWN = (3.0, 5.0, 0.12, 0.03, 0.03)
# Which way round features may be, with the log odds of that; not as others are is rare.
TURNS = {(1, 1): 0.0, (-1, 1): -3.0, (1, -1): -4.0, (-1, -1): -4.0}
# What people differ in counts so many times, since another desk adds to it.
ELSEWHERE = 1.2
# Lapses: their share, how far off they are, and how many looks are believed first.
LAPSE_SHARE, LAPSE_DEG, MOST_FIRST = 0.15, 8.0, 8

# What is added to a doubted prior's sd by group, degrees rms over the screen.
WIDER_SD = {0: 6.0, 1: 4.0, 2: 0.6, 3: 0.2, 4: 0.5}


def elsewhere(
    prior: SharedMapping, found: Points, zeros: Sequence[bool]
) -> tuple[SharedMapping, Array]:
    """Return a prior of other set-ups as it holds where looks come from; trust in them.

    Size of the features and which way round they are: what most looks agree with.

    Parameters
    ----------
    prior : SharedMapping
    found : Points
        T looks.
    zeros : sequence of bool
        Per eye, whether its features have a zero of their own.

    Returns
    -------
    SharedMapping, and array (T,)
    """
    theirs = np.where(np.array(zeros)[:, None], 0.0, prior.basis.centre)
    here = centres([found], zeros)
    ways = directions(prior.basis, prior.weights.mean, theirs)
    spread = replace(prior.weights, cov=ELSEWHERE * prior.weights.cov)
    wide = widened(spread, ways, np.array(UNKNOWN) ** 2)

    def tried(turn: tuple[int, int], sizes: NDArray[np.floating]) -> list[_Option]:
        way = np.array(turn, float)
        weights = turned(prior.basis, wide, way)
        root, out = weights.root(), []
        for step in sizes:
            size = float(np.exp(step))
            basis = replace(
                prior.basis,
                centre=here + way * (prior.basis.centre - theirs) / size,
                scale=prior.basis.scale / size,
            )
            moved = replace(prior, basis=basis, weights=weights)
            score, trust = _agreement(moved, found, root)
            score += TURNS[turn] - 0.5 * (step / SIZES_SD) ** 2
            out.append((score, turn, moved, trust))
        return out

    straight = next(iter(TURNS))
    if len(found) < 2:
        options = tried(straight, np.zeros(1))
    else:
        options = tried(straight, SIZES)
        for turn in list(TURNS)[1:]:
            options += tried(turn, SIZES[::2])
        turn = max(options, key=_score)[1]
        if turn != straight:
            options += tried(turn, SIZES[1::2])
    _, _, moved, trust = max(options, key=_score)
    return moved, trust


_Option = tuple[float, tuple[int, int], SharedMapping, Array]


def _score(option: _Option) -> float:
    return option[0]


def _agreement(prior: SharedMapping, found: Points, root: Array) -> tuple[float, Array]:
    """Log evidence of looks, some of which may be lapses, and trust in each.

    Where a set-up is unknown, no look is far off by itself: each in turn is believed
    first and says which others agree with it.
    """
    prepared, weights = prepare(prior.basis, found), prior.weights
    made = blocks(prepared, prior.noise, carried(prepared, weights.mean))
    count, width = made.target.shape
    first = np.unique(np.linspace(0, count - 1, MOST_FIRST).astype(int))
    parts = {name: value[None] for name, value in vars(made).items()}
    many = Blocks(**{n: np.repeat(v, len(first), axis=0) for n, v in parts.items()})
    only = np.where(np.arange(count) == first[:, None], 1.0, 1e-6)
    alone = bayes.solve(weights, many, only, root).distance2()
    start = np.maximum(only, bayes.bounded_weights(alone, many.counts))
    trust = bayes.robust_weights(weights, many, start=start, root=root, rounds=2)
    lapsed = (trust < 0.5) & (many.counts > 0)
    anywhere = np.tile(np.eye(2), (width // 2, width // 2)) * LAPSE_DEG**2
    noise = many.noise + lapsed[..., None, None] * anywhere
    each = bayes.solve(weights, replace(many, noise=noise), root=root).log_evidence
    each = each + np.log(LAPSE_SHARE) * lapsed.sum(axis=-1)
    best = int(np.argmax(each))
    return float(each[best]), trust[best]


def loosened(prior: SharedMapping, share: float) -> SharedMapping:
    """Return the prior with more sd for every group, and persons' noise vaguer."""
    more = share * np.array([WIDER_SD[int(g)] for g in prior.basis.group])
    cov = (1.0 + 3.0 * share) * prior.weights.cov
    cov = cov + np.diag(np.tile(more, 2 * len(prior.eyes)) ** 2)
    noise = replace(prior.noise, spread=max(prior.noise.spread, NOISE_SPREAD))
    return replace(prior, weights=replace(prior.weights, cov=cov), noise=noise)
