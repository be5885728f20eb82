"""Learning a population of linear mappings by expectation-maximisation; no files here.

Every array has the persons as its first axis; persons with fewer looks are padded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Blocks, Gaussian
from calibkit.fitted.observations import (
    Noise,
    Points,
    Prepared,
    blocks,
    carried,
    prepare,
    sound_or_lapse,
)
from calibkit.fitted.structured import structured

Array = NDArray[np.float64]

FEW_LAPSES = 0.05  # of the looks of those that are learned from
LEAST_DEG = 0.05
ALIKE_LOOKS = 60.0  # worth of the guess that both eyes are as noisy, either way
# How near to a target's middle people look, sd per axis (measured on simulated people),
# and worth of it in looks: few people's functions would take up all of this error.
AIM_DEG, AIM_LOOKS = 0.3, 60.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Population:
    """What was learned, and how far each look of each person is believed, (k, T)."""

    weights: Gaussian
    noise: Noise
    trust: Array
    mean_cov: Array


def stack(basis: Basis, persons: Sequence[Points]) -> Prepared:
    """Evaluate the basis for every person and pad to the same number of looks."""
    each = [prepare(basis, found) for found in persons]
    longest = max(1, *(len(found) for found in persons))

    def padded(name: str) -> Array:
        rows = [getattr(one, name) for one in each]
        out = np.zeros((len(rows), longest, *rows[0].shape[1:]), rows[0].dtype)
        for k, row in enumerate(rows):
            out[k, : len(row)] = row
        return out

    names = ("design", "target", "present", "slope", "mean_cov", "moving")
    return Prepared(**{name: padded(name) for name in names})  # type: ignore[arg-type]


def people(prepared: Prepared, which: NDArray[np.int_]) -> Prepared:
    """Return some of the persons."""
    return Prepared(**{name: value[which] for name, value in vars(prepared).items()})


def learn(
    prepared: Prepared,
    basis: Basis,
    start: Gaussian,
    noise: Noise,
    rounds: int,
    share: Array | None = None,
    people: int = 0,
    known: Array | None = None,
) -> Population:
    """Mean and covariance over people, and the noise that they share.

    Parameters
    ----------
    prepared : Prepared
        Of k persons, or sittings of them.
    basis : Basis
    start : Gaussian
        A broad prior; the first mean is found from all looks together.
    noise : Noise
        To start from.
    rounds : int
    share : array (k,), optional
        What each counts, 1 on average.
    people : int, optional
        How many persons they are, if not k.
    known : array (d, d), optional
        What goes together in how people differ, as `structured` takes it.

    Notes
    -----
    The covariance is the one of expectation-maximisation for a linear mixed model
    (Laird & Ware 1982, Biometrics 38:963), shrunk to a structured one; the mean is the
    generalised least squares one, which does not wait for the covariance to settle. A
    look is believed by what the *other* looks of its person predict.
    """
    count = len(prepared.target)
    share = np.ones(count) if share is None else share * (count / share.sum())
    mean = _pooled_mean(prepared, start, noise)
    cov = _first_cov(basis)
    prior = Gaussian(mean=mean, cov=cov)
    weights = np.broadcast_to(mean, (count, len(mean)))
    made = blocks(prepared, noise, carried(prepared, weights))
    trust = bayes.prior_weights(prior, made)
    for _ in range(rounds):
        prior = Gaussian(mean=mean, cov=cov)
        root = prior.root()
        made = blocks(prepared, noise, carried(prepared, weights))
        solution = bayes.solve(prior, made, trust, root)
        trust = inliers(solution, made)
        posterior = solution.posterior
        weights = posterior.mean
        middle = _mean(prior, root, posterior, share, start)
        mean = middle.mean
        spread = _spread(mean, posterior, share)
        cov = structured(spread, basis, people or count, known)
        noise = _noise(noise, prepared, made, posterior, trust)
    weights_over_people = Gaussian(mean=mean, cov=cov)
    return Population(
        weights=weights_over_people, noise=noise, trust=trust, mean_cov=middle.cov
    )


def _pooled_mean(prepared: Prepared, start: Gaussian, noise: Noise) -> Array:
    """Treat all looks as one person's, who is off by degrees everywhere."""
    width = prepared.target.shape[2]
    rows = prepared.present.any(-1)
    wide = np.broadcast_to(np.eye(width) * 4.0, (int(rows.sum()), width, width))
    pooled = Blocks(
        design=prepared.design[rows],
        target=prepared.target[rows],
        noise=wide,
        present=prepared.present[rows],
    )
    trust = np.ones(len(pooled.target))
    for _ in range(6):
        solution = bayes.solve(start, pooled, trust)
        trust = bayes.bounded_weights(solution.distance2(), pooled.counts)
    return solution.posterior.mean


def _first_cov(basis: Basis) -> Array:
    sd = np.array([2.0, 1.0, 0.5, 0.2, 0.5])[basis.group]
    return np.diag(np.tile(sd, 2 * len(basis.centre)) ** 2)


def inliers(solution: bayes.Solution, made: Blocks) -> Array:
    """Probability that each look was at its target, given the person's other looks."""
    logs = sound_or_lapse(solution, made)
    odds = logs[1] - logs[0] + np.log(FEW_LAPSES / (1.0 - FEW_LAPSES))
    inlier: Array = 1.0 / (1.0 + np.exp(np.clip(odds, -50.0, 50.0)))
    return np.clip(inlier, 1e-6, 1.0)


def _mean(
    prior: Gaussian, root: Array, posterior: Gaussian, share: Array, start: Gaussian
) -> Gaussian:
    """Mean over people, and how unsure it is: by people and by their few looks.

    `start` is what is known of it beforehand.
    """
    inverse = np.linalg.pinv(root)
    steps = (posterior.mean - prior.mean) @ inverse.T
    known = np.eye(len(root)) - inverse @ posterior.cov @ inverse.T
    before = root.T @ np.linalg.inv(start.cov)
    total = np.tensordot(share, known, axes=1) + before @ root
    step = np.linalg.solve(total, share @ steps + before @ (start.mean - prior.mean))
    return Gaussian(
        mean=prior.mean + root @ step, cov=root @ np.linalg.solve(total, root.T)
    )


def _spread(mean: Array, posterior: Gaussian, share: Array) -> Array:
    apart = posterior.mean - mean
    within = np.tensordot(share, posterior.cov, axes=1)
    cov: Array = (within + (apart.T * share) @ apart) / len(apart)
    return cov


def _noise(
    noise: Noise, prepared: Prepared, made: Blocks, posterior: Gaussian, trust: Array
) -> Noise:
    """Shared and eye errors from what the posteriors leave over."""
    design = prepared.design
    fitted = (design @ posterior.mean[:, None, :, None])[..., 0]
    left = np.where(prepared.present, prepared.target - fitted, 0.0)
    unsure = design @ posterior.cov[:, None] @ np.swapaxes(design, -1, -2)
    through = carried(prepared, posterior.mean)
    second = left[..., :, None] * left[..., None, :] + unsure - through
    # A look with much scatter of its own says little about the other errors.
    scatter = np.trace(through, axis1=-2, axis2=-1)
    seen = prepared.present.any(-1) & ~prepared.moving
    if not seen.any():
        return noise
    calm = scatter <= 4.0 * np.median(scatter[seen])
    weight = trust * seen * calm
    both = prepared.present[..., :, None] & prepared.present[..., None, :]
    each = weight[..., None, None] * both
    number = each.sum(axis=(0, 1))
    total = np.sum(each * second, axis=(0, 1)) / np.maximum(number, 1e-9)
    return _split(noise, total, np.diag(number))


def _split(noise: Noise, total: Array, number: Array) -> Noise:
    fixation, eye = noise.fixation.copy(), noise.eye.copy()
    eyes = len(eye)
    for a in range(2):
        own = np.clip(np.diag(total)[a::2], LEAST_DEG**2, None)
        if eyes == 2:
            together = float(np.clip(total[a, 2 + a], LEAST_DEG**2, own.min()))
        else:
            # One eye cannot tell the two apart; half each is as good as any.
            together = 0.5 * float(own[0])
        seen, aim = float(np.mean(number[a::2])), AIM_LOOKS * AIM_DEG**2
        fixation[a] = np.sqrt((seen * together + aim) / (seen + AIM_LOOKS))
        apart = np.sqrt(np.clip(own - together, LEAST_DEG**2, None))
        eye[:, a] = np.where(number[a::2] > 3, apart, eye[:, a])
    # Few people would make one eye exact and let the other bear everything.
    looks = number.reshape(eyes, 2)
    alike = np.sum(looks * eye**2) / max(float(looks.sum()), 1.0)
    shrunk = (looks * eye**2 + ALIKE_LOOKS * alike) / (looks + ALIKE_LOOKS)
    return replace(noise, fixation=fixation, eye=np.sqrt(shrunk))


@dataclass(frozen=True, kw_only=True, eq=False)
class Halves:
    """How each look is predicted from its person's other half, (k, T); NaN: padding.

    Parameters
    ----------
    error : array, degrees
        How far off, the mean of the eyes that were seen.
    density : array
        Logarithm, but for a constant; Student's t, so that no lapse costs much.
    """

    error: Array
    density: Array


def halves(population: Population, prepared: Prepared) -> Halves:
    """Predict each look from the other half's looks.

    Parameters
    ----------
    population : Population
        Learned without these persons.
    prepared : Prepared
    """
    count, longest = prepared.target.shape[:2]
    size = prepared.design.shape[-1]
    weights = np.broadcast_to(population.weights.mean, (count, size))
    made = blocks(prepared, population.noise, carried(prepared, weights))
    root = population.weights.root()
    start = bayes.prior_weights(population.weights, made)
    error, density = np.full((2, count, longest), np.nan)
    for half in range(2):
        hidden = (np.arange(longest) % 2 == half) & made.present.any(-1)
        trust = np.where(hidden, 1e-9, start)
        for _ in range(3):
            solution = bayes.solve(population.weights, made, trust, root)
            fresh = bayes.bounded_weights(solution.distance2(), made.counts)
            trust = np.where(hidden, 1e-9, fresh)
        found = bayes.solve(population.weights, made, trust, root)
        eyes = found.left_out.reshape(count, longest, -1, 2).sum(axis=2)
        seen = np.maximum(made.counts / 2.0, 1.0)
        away = np.linalg.norm(eyes, axis=-1) / seen
        error = np.where(hidden, away, error)
        volume = np.linalg.slogdet(found.left_out_cov)[1]
        told = bayes.student_density(found.distance2(), volume, made.counts)
        density = np.where(hidden, told, density)
    return Halves(error=error, density=density)
