"""One person's posterior: prior, looks and inattention together. 0, 1, 2, ... looks.

Whole targets are re-weighted by a Student's t, from the prior's own residuals on; then
the person's noise is found by the evidence, and both once more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Blocks, Gaussian, Solution
from calibkit.fitted.between import Expected, expected
from calibkit.fitted.observations import (
    Noise,
    Points,
    Prepared,
    blocks,
    carried,
    factor_count,
    gains,
    glided,
    prepare,
    sample_noise,
    sound_or_lapse,
    structures,
)

Array = NDArray[np.float64]

# From how many looks on a person may be found far noisier than expected, rather than
# inattentive: soon where nothing was learned, later where the noise of people is known.
FEWEST_BROAD, FEWEST_LEARNED, VAGUE_SPREAD = 3, 6, 0.6
BROAD_STEPS, LEARNED_STEPS = np.array([0.0, 0.7, 1.4, 2.1]), np.array([0.0, 0.6, 1.2])
WIDE_STEP = 1.0
CALM_STRAIN = 1.5  # as expected: no other level of noise needs a trial
# How far below what looks predict of one another the evidence may put a person's noise:
# few looks and many functions make it sink too far.
LEAST_FACTOR = 0.35
TRUSTED = 0.5  # a look that is believed less counts as a lapse in a set of lapses
LAPSED = 0.2  # less trust than this: rather a gross error than a look at the target
# So many looks agree with people learned from by no chance: the rest are lapses then,
# and no sign of a mapping that is wrong.
AGREEING = 2
LAPSE_SHARE = 0.15  # of looks, where it is asked which of two mappings holds


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimate:
    """What is known of one person after T looks.

    Parameters
    ----------
    weights : Gaussian
        Of the basis' weights.
    noise : Noise
        This person's.
    trust : array (T,)
        Weight of each look, 0 to 1.
    away : array (T, 2), degrees
        Where gaze seems to have been, from the target, if the look is left out.
    score : float
        Log predictive density of each look given the others, summed (Student's t).
    strain : float
        How much farther off left-out looks are than expected; about 1. Under a learned
        prior that looks agree with, of looks that are no lapses.
    takes_turns : bool
        Whether now one eye is on the targets, now the other.
    averaged : bool
        Whether the weights are of more than one prior.
    untold : bool
        Whether the looks hardly predict one another, and no people told more.
    """

    weights: Gaussian
    noise: Noise
    trust: Array
    away: Array
    score: float
    strain: float
    takes_turns: bool = False
    averaged: bool = False
    untold: bool = False


def estimate(
    prior: Gaussian,
    basis: Basis,
    noise: Noise,
    found: Points,
    start: Array | None = None,
) -> Estimate:
    """Posterior of a person's weights.

    Parameters
    ----------
    prior : Gaussian
        Over the basis' weights.
    basis : Basis
    noise : Noise
        Of the population; the person's own is found from it, unless its spread is 0.
    found : Points
        T looks, T may be 0.
    start : array (T,), optional
        Weights to start from, instead of the prior's residuals.
    """
    if len(found) == 0:
        own = with_samples(noise, basis, prior.mean, found)
        return Estimate(
            weights=prior,
            noise=own,
            trust=np.empty(0),
            away=np.empty((0, 2)),
            score=0.0,
            strain=1.0,
        )
    prepared = prepare(basis, found)
    given = expected(prior, prepared)
    weights, factors, trust = prior.mean, np.zeros(factor_count(noise)), start
    vague = noise.spread >= VAGUE_SPREAD
    steps, fewest = (
        (BROAD_STEPS, FEWEST_BROAD) if vague else (LEARNED_STEPS, FEWEST_LEARNED)
    )
    if noise.spread > 0 and len(found) >= fewest:
        factors[:-1] += _first_factor(given, prepared, noise, steps, start)
    middle = factors.copy()
    for number in range(2):
        through = carried(prepared, weights)
        made = blocks(prepared, noise.scaled(factors), through)
        trust = given.robust_weights(made, trust)
        if noise.spread > 0:
            told = (given, prepared, noise, through, trust)
            factors = _person_noise(*told, middle, factors, first=not number)
            made = blocks(prepared, noise.scaled(factors), through)
        weights = given.solve(made, trust).posterior.mean
    through = carried(prepared, weights)
    made = blocks(prepared, noise.scaled(factors), through)
    trust = given.robust_weights(made, trust, rounds=4)
    solution = given.solve(made, trust)
    return Estimate(
        weights=solution.posterior,
        noise=with_samples(
            noise.scaled(factors), basis, solution.posterior.mean, found
        ),
        trust=trust,
        away=away(solution.left_out, made.present),
        score=solution.predictive(made),
        strain=solution.strain(made, _sound(noise, trust) if start is None else None),
    )


def evidence(prior: Gaussian, basis: Basis, found: Estimate, looks: Points) -> float:
    """Log evidence of another prior, at an estimate's noise and trust in the looks."""
    if len(looks) == 0:
        return 0.0
    prepared = prepare(basis, looks)
    made = blocks(prepared, found.noise, carried(prepared, found.weights.mean))
    return float(expected(prior, prepared).solve(made, found.trust).log_evidence)


def predicted(prior: Gaussian, basis: Basis, found: Estimate, looks: Points) -> float:
    """Log predictive density of each look given the others; any may be a lapse.

    Unlike an estimate's own score it holds looks that are left out to cost no more than
    lapses do, so that a mapping rough enough to leave none out does not win by that.
    """
    prepared = prepare(basis, looks)
    made = blocks(prepared, found.noise, carried(prepared, found.weights.mean))
    return _either(expected(prior, prepared).solve(made, found.trust), made)


def _either(solution: Solution, made: Blocks) -> float:
    """Log predictive density of looks that are at the target or lapses, summed."""
    share = np.log([[1.0 - LAPSE_SHARE], [LAPSE_SHARE]])
    return float(np.logaddexp(*(sound_or_lapse(solution, made) + share)).sum())


def _first_factor(
    given: Expected,
    prepared: Prepared,
    noise: Noise,
    steps: Array,
    start: Array | None,
) -> float:
    """Log factor on all noise under which the looks predict one another best.

    Without it, nearly every look of a far noisier person would seem a lapse.
    """
    best, chosen = -np.inf, 0.0
    count, vague = factor_count(noise), noise.spread >= VAGUE_SPREAD
    given_others = Solution.predictive if vague else _either
    for step in steps:
        factors = np.full(count, step)
        factors[-1] = 0.0
        weights, trust = given.prior.mean, start
        for _ in range(2):
            through = carried(prepared, weights)
            made = blocks(prepared, noise.scaled(factors), through)
            trust = given.robust_weights(made, trust, rounds=4)
            solution = given.solve(made, trust)
            weights = solution.posterior.mean
        score = given_others(solution, made) - 0.5 * (step / WIDE_STEP) ** 2
        if score > best:
            best, chosen = score, float(step)
        if step == 0.0 and solution.strain(made) < CALM_STRAIN:
            break
    return chosen


def _lapsed(noise: Noise, trust: Array) -> NDArray[np.bool_]:
    """Which looks are gross errors; none, where no people say what is one."""
    least = 0.0 if noise.spread >= VAGUE_SPREAD else LAPSED
    lapsed: NDArray[np.bool_] = trust < least
    return lapsed


def _sound(noise: Noise, trust: Array) -> NDArray[np.bool_] | None:
    """Which looks a mapping can be judged by; None for all.

    Not where the looks alone said which of them are lapses: some agree by chance.
    """
    sound = ~_lapsed(noise, trust)
    return sound if sound.sum() >= AGREEING else None


def unsure_by(found: Estimate, apart: Array, share: float) -> Estimate:
    """Return an estimate, as unsure as another answer would have it.

    Parameters
    ----------
    found : Estimate
    apart : array (d,)
        By how much the other's weights differ.
    share : float
        Of the square of that, which is unsure.
    """
    cov = found.weights.cov + share * np.outer(apart, apart)
    return replace(found, weights=replace(found.weights, cov=cov))


def unsure_everywhere(found: Estimate, basis: Basis, off: Array) -> Estimate:
    """Return an estimate, as unsure as if all gaze might be off by as much.

    Parameters
    ----------
    found : Estimate
    basis : Basis
    off : array (2, 2), degrees²
        Of what both eyes are off by together, right and down.
    """
    ones = np.zeros((2, basis.size))
    for axis in range(2):
        ones[axis, axis * basis.terms :: 2 * basis.terms] = 1.0
    cov = found.weights.cov + ones.T @ off @ ones
    return replace(found, weights=replace(found.weights, cov=cov))


def evenly(apart: Array, eyes: int) -> Array:
    """Return the mean of both eyes' weights for each, so that neither is preferred."""
    each = apart.reshape(eyes, -1)
    return np.broadcast_to(each.mean(axis=0), each.shape).ravel()


def away(left_out: Array, present: NDArray[np.bool_]) -> Array:
    """Gaze minus target, mean of the eyes that were seen."""
    count, width = left_out.shape
    there = present.reshape(count, width // 2, 2)
    total = np.sum(-left_out.reshape(there.shape) * there, axis=1)
    mean: Array = total / np.maximum(there.sum(axis=1), 1)
    return mean


def _person_noise(
    given: Expected,
    prepared: Prepared,
    noise: Noise,
    through: Array,
    trust: Array,
    middle: Array,
    factors: Array,
    *,
    first: bool,
) -> Array:
    """Log factors of this person's noise, by evidence: a short coordinate search.

    Persons differ about `middle`; the first search goes far, a later one mends.
    """
    # Blocks of a glide share their error: that they agree does not make them exact.
    least = middle - (0.0 if prepared.moving.any() else LEAST_FACTOR)

    glide = glided(prepared)
    # A lapse fits whatever the noise is: with less of it, its volume alone would win.
    fixed = structures(noise, middle[None])[:, None] * glide
    lapsed = _lapsed(noise, trust)[:, None, None]

    def scores(at: Array) -> Array:
        loud = structures(noise, at)[:, None] * glide
        loud = through + np.where(lapsed, fixed, loud)
        trusts = np.broadcast_to(trust, (len(at), len(trust)))
        away2 = np.sum((at - middle) ** 2, axis=1) / noise.spread**2
        value: Array = given.log_evidence(loud, trusts) - 0.5 * away2
        return value

    step, rounds = (0.8, 3) if first else (0.3, 1)
    return _climbed(scores, factors, least, step * noise.spread, rounds, given.few)


def _climbed(
    scores: Callable[[Array], Array],
    at: Array,
    least: Array,
    step: float,
    rounds: int,
    together: bool,
) -> Array:
    """Search by coordinates: the first step that is better is taken, up before down.

    `scores` takes several trials; tried together they are as if one after the other.
    """
    best = scores(at[None])[0]
    every = [(k, sign) for k in range(len(at)) for sign in (1.0, -1.0)]
    for _ in range(rounds):
        left = every
        while left:
            now = left if together else left[:1]
            trials = np.repeat(at[None], len(now), axis=0)
            for trial, (k, sign) in zip(trials, now, strict=True):
                trial[k] = max(trial[k] + sign * step, least[k])
            values = scores(trials)
            better = np.flatnonzero(values > best)
            left = left[len(now) :]
            if len(better):
                best, at = values[better[0]], trials[better[0]]
                left = [move for move in every if move[0] > now[better[0]][0]]
        step *= 0.6
    return at


def pose_noise(spread: Array, basis: Basis, weights: Array) -> Array:
    """What covariates' noise (ec, ec) does to a sample's gaze, (2e, 2e) degrees²."""
    eyes, count = len(basis.centre), len(basis.covariates)
    slope = weights.reshape(eyes, 2, basis.terms)[..., basis.terms - count :]
    slope = slope / basis.extra_scale[:, None]
    shaped = spread.reshape(eyes, count, eyes, count)
    each = np.einsum("eak,ekfl,fal->eaf", slope, shaped, slope)
    out = np.zeros((eyes, 2, eyes, 2))
    for axis in range(2):
        out[:, axis, :, axis] = each[:, axis]
    cov: Array = out.reshape(2 * eyes, 2 * eyes)
    return cov


def with_samples(noise: Noise, basis: Basis, weights: Array, found: Points) -> Noise:
    """Put this person's sample noise in the place of the population's."""
    if len(found) == 0:
        return noise
    slope = basis.derivatives(basis.centre[:, None, :])[:, 0]
    own = sample_noise(found.spread, gains(slope[None], weights)[0])
    if found.extra_spread is not None:
        own = own + pose_noise(found.extra_spread, basis, weights)
    # An eye that was never seen keeps the population's noise.
    never = np.repeat(~found.seen.any(axis=0), 2)
    sample = np.where(never[:, None] | never[None, :], noise.sample, own)
    return Noise(
        fixation=noise.fixation,
        eye=noise.eye,
        spread=noise.spread,
        sample=sample,
        drift=noise.drift,
    )


def honest(found: Estimate) -> Estimate:
    """Widen an estimate whose left-out looks are farther off than it can explain."""
    if len(found.trust) < 3 or found.strain < 2.5:
        return found
    factor = found.strain
    wider = replace(found.weights, cov=found.weights.cov * factor)
    noise = found.noise
    return replace(
        found,
        weights=wider,
        noise=replace(noise, eye=noise.eye * np.sqrt(factor)),
    )
