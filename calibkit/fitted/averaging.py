"""Where nothing was learned: several states of the tracker, weighed by the looks.

A stream of screen positions may come from a tracker that is right already, from one
that is shifted, or from one that is degrees off in every way; raw features may be bent
or nearly straight; looks may be exact or, as with webcams, degrees apart from one
another. A look or two cannot tell, and choosing one state would be wrong half the time:
the states are averaged, each by its evidence.

Worked out between observations: a few looks make small matrices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Blocks, Gaussian
from calibkit.fitted.between import left_out
from calibkit.fitted.estimate import Estimate, away
from calibkit.fitted.observations import Points, blocks, carried, prepare

Array = NDArray[np.float64]

# Factors on the prior's sd (of the constant, of all else), on that of bending and on
# all noise, each with log odds. Webcams give less than SLOW_HZ: their looks are degrees
# apart (six times the scatter of samples within one, on 148 open blocks), and what they
# are off by differs from place to place more than it is the same everywhere.
SLOW_HZ = 45.0
SCALES = ((1.0, 1.0, 0.0), (0.3, 0.3, -3.0), (0.08, 0.08, -2.0))
SCALES_SLOW = (
    (1.0, 1.0, -6.0),
    (1.0, 0.08, -3.0),
    (0.3, 0.3, -3.0),
    (0.08, 0.08, -1.0),
    (0.01, 0.01, 0.0),
)
SCALES_RAW = ((1.0, 1.0, 0.0),)
BENDS = ((3.0, -2.0), (1.0, 0.0), (0.2, 0.0))
# By the last one a mapping is straight, as one fixation each of real people often is.
BENDS_RAW = ((2.0, 2.0), (1.0, 2.0), (0.3, 1.0), (0.03, -3.0))
NOISES = ((0.6, -1.2), (1.0, 0.0), (1.7, -1.2), (3.0, -2.5), (5.5, -4.0), (9.0, -5.5))
NOISES_SLOW = ((0.6, -1.0), *((n, 0.0) for n in (1.0, 1.7, 3.0, 5.5)), (9.0, -1.0))
NOISES_MANY = ((0.75, -0.4), (1.0, 0.0), (1.4, -0.4))
NOISES_RAW = ((1.0, 0.0), (1.7, -0.3), (3.0, -0.6))
# Three looks are fitted exactly by any straight mapping: they tell nothing of bends and
# noise, which are then those of trackers (shared mappings of raw streams from three
# simulators and of real ones: bends of 0.1 to 0.4 degrees), if nobody looked elsewhere:
# features would not go with gaze as in a picture, evenly and at right angles.
BENDS_FEW = ((2.0, -3.0), (1.0, -1.0), (0.3, 0.0), (0.1, -1.0))
NOISES_FEW = ((0.35, 0.0), (0.6, 0.0), (1.0, 0.0), (1.7, -1.0), (3.0, -2.5))
FEW_RAW, SQUARE, EVEN = 4, 0.2, 0.55
MANY_LOOKS, MOST_NUMBERS = 6, 72
ROUNDS = 3
# Times as spread out as the rest: what a gross error may cost. By 5, which bounds the
# trust, states call half the looks lapses; by more, rough ones win (invented people).
GROSS = 10.0
NEGLIGIBLE = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class States:
    """Hypotheses (h,): variance factors by group of functions (h, 5), noise, odds.

    `expecting`: whether each says already, before any look, about where it will be.
    """

    factors: Array
    noise: Array
    odds: Array
    expecting: bool


def states(
    looks: int, rate_hz: float, in_degrees: bool, pictured: bool = False
) -> States:
    """Return every combination of scale, bend and noise.

    Parameters
    ----------
    looks : int
    rate_hz : float
        Of the stream.
    in_degrees : bool
        Whether features are gaze angles already.
    pictured : bool
        Whether features go with gaze as in a picture of an eye.
    """
    slow = rate_hz < SLOW_HZ
    scales: Sequence[tuple[float, float, float]] = SCALES_SLOW if slow else SCALES
    bends: Sequence[tuple[float, float]] = BENDS
    noises: Sequence[tuple[float, float]] = NOISES_SLOW if slow else NOISES
    if not in_degrees:
        scales, bends, noises = SCALES_RAW, BENDS_RAW, NOISES_RAW
        if looks <= FEW_RAW and pictured:
            bends, noises = BENDS_FEW, NOISES_FEW
    elif looks >= MANY_LOOKS:
        noises = NOISES_MANY
    rows = list(product(scales, bends, noises))
    factors = [[c, s, s * b, s * b, s] for (c, s, _), (b, _), _ in rows]
    return States(
        factors=np.array(factors) ** 2,
        noise=np.array([n for *_, (n, _) in rows]) ** 2,
        odds=np.array([sum(part[-1] for part in row) for row in rows]),
        expecting=in_degrees,
    )


def as_pictured(weights: Array, basis: Basis, found: Points) -> bool:
    """Whether features go with gaze about evenly and at right angles, however turned.

    Parameters
    ----------
    weights : array (d,)
        Of the basis' functions.
    basis : Basis
    found : Points
        Only eyes of every look tell.
    """
    gain = basis.straight(weights) / basis.scale[:, None]
    gain = gain[found.seen.all(axis=0)]
    if not len(gain):
        return False
    stretch = np.linalg.svd(gain, compute_uv=False)
    even = stretch[:, 1] > EVEN * stretch[:, 0]
    # A picture may be stretched before or after it is turned.
    apart = np.minimum(
        _cosine(gain[:, :, 0], gain[:, :, 1]), _cosine(gain[:, 0], gain[:, 1])
    )
    return bool((even & (apart < SQUARE)).all())


def _cosine(one: Array, other: Array) -> Array:
    size = np.linalg.norm(one, axis=-1) * np.linalg.norm(other, axis=-1)
    cosine: Array = np.abs(np.sum(one * other, axis=-1)) / np.maximum(size, 1e-300)
    return cosine


def few_enough(found: Points) -> bool:
    """Whether the looks are few enough for this."""
    return len(found) > 0 and 2 * found.seen.size <= MOST_NUMBERS


def averaged(
    prior: Gaussian, basis: Basis, best: Estimate, found: Points, kinds: States
) -> Estimate:
    """Average the posteriors of all states.

    Parameters
    ----------
    prior : Gaussian
        Broad; its covariance joins weights of one group of functions only.
    basis : Basis
    best : Estimate
        Under that prior; its noise and its trust are where the states start from.
    found : Points
        T looks, of which there may be few only.
    kinds : States
    """
    prepared = prepare(basis, found)
    through = carried(prepared, best.weights.mean)
    made = blocks(prepared, best.noise, through)
    noise = through + kinds.noise[:, None, None, None] * (made.noise - through)
    noise = bayes.masked_noise(noise, made.present)
    flat = made.design.reshape(-1, basis.size)
    crossed = prior.cov @ flat.T
    group = np.tile(basis.group, basis.size // basis.terms)
    grams = [flat[:, group == g] @ crossed[group == g] for g in range(5)]
    base = np.asarray(np.tensordot(kinds.factors, np.stack(grams), axes=1), float)
    start = made.target - made.design @ prior.mean
    result = _robust(base, noise, start, made, best.trust, kinds.expecting)
    weight = np.exp(result.score + kinds.odds - np.max(result.score + kinds.odds))
    kept = np.flatnonzero(weight > NEGLIGIBLE)
    share = weight[kept] / weight[kept].sum()
    factors, inverse = kinds.factors[kept][:, group], result.inverse[kept]
    posterior = bayes.mixture(prior, factors, crossed, start.ravel(), inverse, share)
    factor, own = float(np.sqrt(share @ kinds.noise[kept])), best.noise
    return replace(
        best,
        weights=posterior,
        noise=replace(own, fixation=own.fixation * factor, eye=own.eye * factor),
        trust=share @ result.trust[kept],
        away=away(np.tensordot(share, result.left_out[kept], axes=1), made.present),
        score=float(share @ result.predictive[kept]),
        strain=float(share @ result.strain[kept]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Robust:
    """Of each state: inverse covariance of all observations, trust, left-out looks.

    `score` is the evidence, `predictive` that of each look given the others.
    """

    inverse: Array  # (h, n, n)
    trust: Array  # (h, T)
    left_out: Array  # (h, T, P)
    score: Array  # (h,)
    predictive: Array  # (h,)
    strain: Array  # (h,)


def _robust(
    base: Array,
    noise: Array,
    start: Array,
    made: Blocks,
    trust: Array,
    expecting: bool,
) -> Robust:
    """Student's t on whole looks, for all states at once."""
    count = len(start)
    trusts, rounds = np.broadcast_to(trust, (len(base), count)), 2
    # A gross error may be far off, but where a state expects something of a few
    # looks it may be the state that is wrong: there lapses are no cheap excuse.
    widest = GROSS
    if count < MANY_LOOKS:
        rounds = ROUNDS
        if expecting:
            # From each state's own expectation of every look, not from another's.
            trusts, widest = _alone(base, noise, start, made), np.inf
    for _ in range(rounds):
        used = trusts
        out = left_out(base, noise, start, used, made.present)
        distance2 = out.distance2()
        trusts = bayes.bounded_weights(distance2, made.counts)
    seen, volume = made.counts > 0, np.linalg.slogdet(out.cov)[1]
    density = bayes.student_density(distance2, volume, made.counts)
    strain = np.quantile(distance2[:, seen] / made.counts[seen], 0.35, axis=1) / 0.6
    return Robust(
        inverse=out.inverse,
        trust=used,
        left_out=out.gone,
        score=_evidence(out.inverse, start.ravel(), used, made.counts, widest),
        predictive=density.sum(axis=-1),
        strain=strain,
    )


def _evidence(
    inverse: Array, start: Array, trust: Array, counts: Array, widest: float
) -> Array:
    """Log evidence at the looks' weights, and of these weights (h,).

    A Student's t is a normal whose precision has a gamma prior (Lange, Little & Taylor
    1989); a look can cost no more than being a gross error does, which is `widest`
    times as spread out as the rest. Without that bound rough states win, which leave
    no lapse out.
    """
    fit = np.sum((inverse @ start) * start, axis=-1)
    weights = 0.5 * bayes.NU * (np.log(trust) - trust + 1.0)
    cost = np.maximum(weights, -np.log(1.0 + bayes.ODDS))
    beyond = np.maximum(-np.log(trust) - 2.0 * np.log(widest), 0.0)
    cost = (cost + 0.5 * counts * beyond).sum(axis=-1)
    evidence: Array = 0.5 * (np.linalg.slogdet(inverse)[1] - fit) + cost
    return evidence


def _alone(base: Array, noise: Array, start: Array, made: Blocks) -> Array:
    """Trust in each look as if it were the only one."""
    count, width = start.shape
    each = np.arange(count)
    own = base.reshape(-1, count, width, count, width)[:, each, :, each, :]
    total = np.swapaxes(own, 0, 1) + noise
    rows = np.broadcast_to(start, total.shape[:-1])
    solved = np.linalg.solve(total, rows[..., None])[..., 0]
    return bayes.bounded_weights(np.sum(rows * solved, axis=-1), made.counts)
