"""Linear-Gaussian regression on blocks of observations; no gaze words here.

A block is what is seen at one occasion: up to P numbers that share an error. Blocks
are padded to the same P; `present` marks the numbers that are there. Every function
takes leading batch dimensions, so that one person and two hundred cost one call.

Everything is worked out in weight space, whitened by a root of the prior's covariance:
the matrix to invert is then the identity plus something positive, never singular.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Student's t with four degrees of freedom: Lange, Little & Taylor 1989, JASA 84:881.
NU = 4.0
WIDER, ODDS = 5.0, 7.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Gaussian:
    """A multivariate normal: mean (..., d) and covariance (..., d, d)."""

    mean: Array
    cov: Array

    def root(self) -> Array:
        """Return R (d, d) with R R' = cov; cov may be singular."""
        return symmetric_root(self.cov)


@dataclass(frozen=True, kw_only=True, eq=False)
class Blocks:
    """Observations `target = design @ weights + noise` in blocks.

    Parameters
    ----------
    design : array (..., T, P, d)
    target : array (..., T, P)
    noise : array (..., T, P, P)
        Covariance within a block; blocks are independent.
    present : array (..., T, P) of bool
        False for padding, whose design and target must be 0.
    """

    design: Array
    target: Array
    noise: Array
    present: NDArray[np.bool_]

    @property
    def counts(self) -> Array:
        """Numbers that are there in each block, (..., T)."""
        counts: Array = self.present.sum(-1).astype(float)
        return counts


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """A posterior, and what leaving out each block would have predicted.

    `left_out` (..., T, P) are the residuals of each block against the fit to the
    others, `left_out_cov` (..., T, P, P) their predictive covariance at weight 1.
    """

    posterior: Gaussian
    log_evidence: Array
    left_out: Array
    left_out_cov: Array

    def strain(self, blocks: Blocks, which: NDArray[np.bool_] | None = None) -> float:
        """How much farther off left-out blocks are than expected: about 1.

        From the calmest third, whatever the rest of the blocks does: the 0.35 quantile
        of squared distances per number, which is 0.6 for blocks of four. `which` (T,)
        says of which blocks.
        """
        counts = blocks.counts
        kept = counts > 0 if which is None else (counts > 0) & which
        each = self.distance2()[kept] / counts[kept]
        return float(np.quantile(each, 0.35)) / 0.6 if len(each) else 1.0

    def distance2(self) -> Array:
        """Squared Mahalanobis distance of each left-out block, (..., T)."""
        solved = np.linalg.solve(self.left_out_cov, self.left_out[..., None])[..., 0]
        distance2: Array = np.sum(self.left_out * solved, axis=-1)
        return distance2

    def predictive(self, blocks: Blocks) -> float:
        """Log predictive density of each block given the others, summed."""
        volume = np.linalg.slogdet(self.left_out_cov)[1]
        density = student_density(self.distance2(), volume, blocks.counts)
        return float(np.sum(density))


def symmetric_root(cov: Array) -> Array:
    """Return R (..., d, d) with R R' = cov, by eigenvalues; tiny negatives become 0."""
    values, vectors = np.linalg.eigh(cov)
    root: Array = vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :]
    return root


def _transpose(matrix: Array) -> Array:
    return np.swapaxes(matrix, -1, -2)


def add_noise(
    cov: Array, noise: Array, trust: Array, present: NDArray[np.bool_]
) -> Array:
    """Add each look's own errors, inflated by its trust, to all looks' covariance.

    `cov` (h, T * P, T * P) is changed in place; `noise` (h or 1, T, P, P), `trust`
    (T,) or (h, T), `present` (T, P). The noise is returned as it was added.
    """
    count, width = present.shape
    share = 1.0 / trust[..., None]
    share = share if present.all() else np.where(present, share, 1.0)
    loud: Array = noise * share[..., None]
    each, rows = np.arange(count), cov.reshape(-1, count, width, count, width)
    rows[:, each, :, each, :] += np.swapaxes(loud, 0, 1)
    return loud


def masked_noise(noise: Array, present: NDArray[np.bool_]) -> Array:
    """Cut padding out of block covariances: its rows become those of the identity."""
    if present.all():
        return noise
    both = present[..., :, None] & present[..., None, :]
    eye = np.eye(noise.shape[-1])
    cut: Array = np.where(both, noise, 0.0) + eye * ~present[..., None, :]
    return cut


def solve(
    prior: Gaussian,
    blocks: Blocks,
    weights: Array | None = None,
    root: Array | None = None,
) -> Solution:
    """Posterior of the weights, evidence and leave-one-block-out residuals.

    Parameters
    ----------
    prior : Gaussian
        Of d weights.
    blocks : Blocks
        T blocks; T may be 0.
    weights : array (..., T), optional
        Each block's noise is divided by its weight (1 by default).
    root : array (d, d), optional
        A root of the prior's covariance, where it is at hand.

    Returns
    -------
    Solution

    Notes
    -----
    Bishop, Pattern Recognition and Machine Learning, equations 3.50, 3.51 and 3.86.
    Leave-one-out by the inverse of the covariance of all observations: Rasmussen &
    Williams, Gaussian Processes for Machine Learning, equation 5.12, block by block.
    """
    root = prior.root() if root is None else root
    weights = np.ones(blocks.target.shape[:-1]) if weights is None else weights
    noise = masked_noise(blocks.noise, blocks.present)
    white = blocks.design @ (root if root.ndim == 2 else root[..., None, :, :])
    start = blocks.target - (blocks.design @ _columns(prior.mean, blocks))[..., 0]
    # Padding keeps weight 1, so that it adds nothing to the determinant.
    shrink = np.where(blocks.present, np.sqrt(weights)[..., None], 1.0)
    precision = np.linalg.inv(noise) * shrink[..., :, None] * shrink[..., None, :]
    weighted = precision @ white
    flat = (*white.shape[:-3], -1, white.shape[-1])
    inner = _transpose(white.reshape(flat)) @ weighted.reshape(flat)
    inner = inner + np.eye(inner.shape[-1])
    pull = np.sum(_transpose(weighted) @ start[..., None], axis=-3)
    inverse = np.linalg.inv(inner)
    step = inverse @ pull
    posterior = Gaussian(
        mean=prior.mean + (root @ step)[..., 0],
        cov=root @ inverse @ _transpose(root),
    )
    evidence = _log_evidence(blocks, precision, inner, start, pull, step)
    residual = start - (white @ step[..., None, :, :])[..., 0]
    spread = precision - weighted @ inverse[..., None, :, :] @ _transpose(weighted)
    gone, gone_cov = _left_out(blocks, precision, noise, residual, spread, weights)
    return Solution(
        posterior=posterior,
        log_evidence=evidence,
        left_out=gone,
        left_out_cov=gone_cov,
    )


def _columns(mean: Array, blocks: Blocks) -> Array:
    return mean[:, None] if mean.ndim == 1 else mean[..., None, :, None]


def _log_evidence(
    blocks: Blocks,
    precision: Array,
    inner: Array,
    start: Array,
    pull: Array,
    step: Array,
) -> Array:
    fit = np.sum(start * (precision @ start[..., None])[..., 0], axis=(-1, -2))
    fit = fit - np.sum(pull * step, axis=(-1, -2))
    spread = np.linalg.slogdet(inner)[1] - np.sum(np.linalg.slogdet(precision)[1], -1)
    count = np.sum(blocks.counts, axis=-1)
    evidence: Array = -0.5 * (fit + spread + count * np.log(2 * np.pi))
    return evidence


def _left_out(
    blocks: Blocks,
    precision: Array,
    noise: Array,
    residual: Array,
    spread: Array,
    weights: Array,
) -> tuple[Array, Array]:
    cov = np.linalg.inv(spread)
    gone = (cov @ (precision @ residual[..., None]))[..., 0]
    # The left-out block is judged at its own noise, not at the inflated one.
    extra = (1.0 / weights - 1.0)[..., None, None] * noise
    both = blocks.present[..., :, None] & blocks.present[..., None, :]
    cov = cov - np.where(both, extra, 0.0)
    return np.where(blocks.present, gone, 0.0), masked_noise(cov, blocks.present)


def student_weights(distance2: Array, counts: Array, nu: float = NU) -> Array:
    """Weights of a multivariate Student's t: (nu + p) / (nu + distance2).

    Parameters
    ----------
    distance2 : array (...)
        Squared Mahalanobis distances.
    counts : array (...)
        Numbers p in each block.
    nu : float

    Source
    ------
    Lange, Little & Taylor 1989; with p = 1, nu = 4 and r = 3 the weight is 5/13.
    """
    weights: Array = (nu + counts) / (nu + distance2)
    return weights


def student_density(
    distance2: Array, volume: Array, counts: Array, nu: float = NU
) -> Array:
    """Log density of a multivariate Student's t, but for a constant.

    `volume` is the logarithm of the determinant of the scale matrix.
    """
    density: Array = -0.5 * ((nu + counts) * np.log1p(distance2 / nu) + volume)
    return density


def mixture(
    prior: Gaussian,
    factors: Array,
    crossed: Array,
    start: Array,
    inverses: Array,
    share: Array,
) -> Gaussian:
    """Mean and covariance of a mixture of posteriors, worked out between observations.

    Parameters
    ----------
    prior : Gaussian
    factors : array (h, d) or (h, 1)
        Of each hypothesis, on the prior's covariance; that joins weights of one factor
        only.
    crossed : array (d, n)
        The prior's covariance times the design's transpose.
    start : array (n,)
        Observations less what the prior's mean expects of them.
    inverses : array (h, n, n)
        Of the observations' covariance.
    share : array (h,)
        Probabilities.

    Notes
    -----
    Rasmussen & Williams, Gaussian Processes for Machine Learning, equations 2.23 to
    2.30.
    """
    steps, within = [], np.zeros_like(prior.cov)
    for factor, inverse, part in zip(factors, inverses, share, strict=True):
        mine = factor[:, None] * crossed
        gain = mine @ inverse
        steps.append(gain @ start)
        within += part * (factor[:, None] * prior.cov - gain @ mine.T)
    middle = share @ np.array(steps)
    apart = np.array(steps) - middle
    cov = within + (apart.T * share) @ apart
    return Gaussian(mean=prior.mean + middle, cov=0.5 * (cov + cov.T))


def robust_weights(
    prior: Gaussian,
    blocks: Blocks,
    *,
    start: Array | None = None,
    root: Array | None = None,
    nu: float = NU,
    rounds: int = 8,
) -> Array:
    """Weights of whole blocks, started from the prior's own residuals.

    Each block is judged by what the *others* and the prior predict, so that a block
    with high leverage cannot hide behind the fit that it pulls to itself.

    Returns
    -------
    array (..., T), at most 1
    """
    root = prior.root() if root is None else root
    weights = prior_weights(prior, blocks, nu) if start is None else start
    for _ in range(rounds):
        solution = solve(prior, blocks, weights, root)
        fresh = bounded_weights(solution.distance2(), blocks.counts, nu)
        done = np.max(np.abs(fresh - weights), initial=0.0) < 0.01
        weights = fresh
        if done:
            break
    return weights


def bounded_weights(distance2: Array, counts: Array, nu: float = NU) -> Array:
    """Student weights times the probability that a block is no gross error.

    Parameters
    ----------
    distance2, counts, nu
        As for `student_weights`.

    Returns
    -------
    array (...), between a millionth and 1

    Notes
    -----
    Student's t bounds the pull of a gross error, but where blocks are few what is left
    of it still hurts. A gross error is taken for WIDER times as spread out as the rest,
    and one block in 1 + ODDS; the probability is that of a mixture of two normals.
    """
    against = 0.5 * distance2 - counts * np.log(WIDER) - np.log(ODDS)
    sound = 1.0 / (1.0 + np.exp(np.clip(against, -50.0, 50.0)))
    weights = student_weights(distance2, counts, nu) * sound
    bounded: Array = np.clip(weights, 1e-6, 1.0)
    return bounded


def prior_weights(prior: Gaussian, blocks: Blocks, nu: float = NU) -> Array:
    """Weights of each block by the prior alone, as if it were the only one."""
    cov = prior.cov if prior.cov.ndim == 2 else prior.cov[..., None, :, :]
    spread = blocks.design @ cov @ _transpose(blocks.design) + blocks.noise
    spread = masked_noise(spread, blocks.present)
    start = blocks.target - (blocks.design @ _columns(prior.mean, blocks))[..., 0]
    solved = np.linalg.solve(spread, start[..., None])[..., 0]
    return bounded_weights(np.sum(start * solved, axis=-1), blocks.counts, nu)
