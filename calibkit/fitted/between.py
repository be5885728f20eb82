"""One person's few looks under one prior, worked out between observations.

What the prior expects of all of them together does not depend on their noise nor on the
trust in them; both change many times while a person is fitted. With more observations
than weights the same is worked out in weight space (`bayes.solve`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.bayes import Blocks, Gaussian, Solution
from calibkit.fitted.observations import Prepared

Array = NDArray[np.float64]

CLOSE = 0.01  # trust that changes by less has settled
# Up to so many times as many observations as weights, matrices are as well of these.
MORE, MOST = 1.25, 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class LeftOut:
    """Of several noises or trusts: each block left out, (h, T, P) and (h, T, P, P)."""

    inverse: Array  # (h, n, n): of all observations' covariance
    gone: Array
    cov: Array

    def distance2(self) -> Array:
        """Squared Mahalanobis distance of each left-out block, (h, T)."""
        solved = np.linalg.solve(self.cov, self.gone[..., None])[..., 0]
        distance2: Array = np.sum(self.gone * solved, axis=-1)
        return distance2


def left_out(
    base: Array, noise: Array, start: Array, trust: Array, present: NDArray[np.bool_]
) -> LeftOut:
    """Leave out each block, for several priors, noises or trusts at once.

    Parameters
    ----------
    base : array (h, n, n)
        Covariance that the priors alone give to all observations; not changed.
    noise : array (h or 1, T, P, P)
        Padding cut out.
    start : array (T, P)
        Observations less what is expected of them.
    trust : array (h, T)
    present : array (T, P) of bool

    Notes
    -----
    Rasmussen & Williams, Gaussian Processes for Machine Learning, equation 5.12, block
    by block.
    """
    count, width = start.shape
    each = np.arange(count)
    cov = base.copy()
    loud = bayes.add_noise(cov, noise, trust, present)
    inverse = np.asarray(np.linalg.inv(cov), float)
    pulled = (inverse @ start.ravel()).reshape(-1, count, width)
    own = inverse.reshape(-1, count, width, count, width)[:, each, :, each, :]
    alone = np.linalg.inv(np.swapaxes(own, 0, 1))
    gone = (alone @ pulled[..., None])[..., 0]
    # The left-out look is judged at its own noise, not at the inflated one.
    spread = alone - (loud - noise)
    if not present.all():
        both = present[..., :, None] & present[..., None, :]
        spread = bayes.masked_noise(np.where(both, spread, 0.0), present)
        gone = np.where(present, gone, 0.0)
    return LeftOut(inverse=inverse, gone=gone, cov=spread)


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """What a prior expects of observations: see `expected`."""

    prior: Gaussian
    seen: Blocks | Prepared
    crossed: Array  # (d, n): covariance of weights with observations
    base: Array  # (n, n): of observations, without their noise
    start: Array  # (T, P): observations less what is expected
    counts: Array  # (T,): numbers in each look

    @property
    def few(self) -> bool:
        """Whether there are no more observations than weights, or hardly."""
        return len(self.base) <= MORE * len(self.prior.mean)

    @cached_property
    def _root(self) -> Array:
        return self.prior.root()

    def _within(self, noise: Array, trust: Array) -> Solution:
        """In weight space, for noises (h, T, P, P) and trusts (h, T) or one of each."""
        lead, seen = trust.shape[:-1], self.seen

        def each(part: NDArray[Any]) -> NDArray[Any]:
            return np.broadcast_to(part, (*lead, *part.shape))

        made = Blocks(
            design=each(seen.design),
            target=each(seen.target),
            noise=np.broadcast_to(noise, (*lead, *noise.shape[-3:])),
            present=each(seen.present),
        )
        return bayes.solve(self.prior, made, trust, self._root)

    def solve(self, blocks: Blocks, trust: Array) -> Solution:
        """As `bayes.solve`; of the blocks only the noise is looked at."""
        if not self.few:
            return self._within(blocks.noise, trust)
        noise = bayes.masked_noise(blocks.noise, self.seen.present)[None]
        made = left_out(
            self.base[None], noise, self.start, trust[None], self.seen.present
        )
        inverse, start = made.inverse[0], self.start.ravel()
        gain = self.crossed @ inverse
        cov = self.prior.cov - gain @ self.crossed.T
        fit = start @ inverse @ start - np.linalg.slogdet(inverse)[1]
        total = self.counts.sum() * np.log(2 * np.pi)
        return Solution(
            posterior=Gaussian(
                mean=self.prior.mean + gain @ start, cov=0.5 * (cov + cov.T)
            ),
            log_evidence=-0.5 * (fit + total),
            left_out=made.gone[0],
            left_out_cov=made.cov[0],
        )

    def robust_weights(
        self, blocks: Blocks, start: Array | None, rounds: int = 8
    ) -> Array:
        """As `bayes.robust_weights`."""
        if start is None:
            start = bayes.prior_weights(self.prior, blocks)
        return self.settled(blocks.noise[None], start[None], rounds)[0]

    def settled(self, noise: Array, trust: Array, rounds: int) -> Array:
        """Trust (h, T) that follows from the looks, started from this one."""
        for _ in range(rounds):
            fresh = self.judged(noise, trust)
            done = np.max(np.abs(fresh - trust), initial=0.0) < CLOSE
            trust = fresh
            if done:
                break
        return trust

    def judged(self, noise: Array, trust: Array) -> Array:
        """Trust (h, T) in each look by what the others say at a trust (h, T).

        The noise is (h or 1, T, P, P).
        """
        if self.few:
            noise = bayes.masked_noise(noise, self.seen.present)
            base = np.broadcast_to(self.base, (len(trust), *self.base.shape))
            made: LeftOut | Solution = left_out(
                base, noise, self.start, trust, self.seen.present
            )
        else:
            made = self._within(noise, trust)
        return bayes.bounded_weights(made.distance2(), self.counts)

    def judged_by_one(self, noise: Array, first: NDArray[np.int_]) -> Array:
        """Trust (m, T) in each look where only one is believed, and in that by none.

        Parameters
        ----------
        noise : array (T, P, P)
        first : array (m,) of int
            The look that is believed.
        """
        count, width = self.start.shape
        own, each = bayes.masked_noise(noise, self.seen.present), np.arange(count)
        base = self.base.reshape(count, width, count, width)
        alone = base[each, :, each] + own
        shared = base[:, :, first].transpose(2, 0, 1, 3)  # (m, T, P, P)
        gain = shared @ np.linalg.inv(alone[first])[:, None]
        left = self.start - (gain @ self.start[first][:, None, :, None])[..., 0]
        cov = alone - gain @ np.swapaxes(shared, -1, -2)
        itself = np.arange(len(first))
        left[itself, first], cov[itself, first] = self.start[first], alone[first]
        solved = np.linalg.solve(cov, left[..., None])[..., 0]
        return bayes.bounded_weights(np.sum(left * solved, axis=-1), self.counts)

    def log_evidence(self, noise: Array, trust: Array) -> Array:
        """Log evidence (h,) at noises (h, T, P, P) and trusts (h, T).

        Rasmussen & Williams, equation 2.30; where looks are many, in weight space.
        """
        noise = bayes.masked_noise(noise, self.seen.present)
        if len(self.base) > MOST * len(self.prior.mean):
            return self._within(noise, trust).log_evidence
        cov = np.repeat(self.base[None], len(trust), axis=0)
        bayes.add_noise(cov, noise, trust, self.seen.present)
        factor = np.linalg.cholesky(cov)
        start = np.broadcast_to(self.start.reshape(-1, 1), (*cov.shape[:2], 1))
        solved = np.linalg.solve(factor, start)[..., 0]
        diagonal = np.diagonal(factor, axis1=-2, axis2=-1)
        spread = np.sum(solved**2, axis=-1) + 2.0 * np.log(diagonal).sum(axis=-1)
        evidence: Array = -0.5 * (spread + self.counts.sum() * np.log(2 * np.pi))
        return evidence


def expected(prior: Gaussian, seen: Blocks | Prepared) -> Expected:
    """Return what a prior expects of one person's looks, whatever their noise."""
    flat = seen.design.reshape(-1, seen.design.shape[-1])
    crossed = prior.cov @ flat.T
    return Expected(
        prior=prior,
        seen=seen,
        crossed=crossed,
        base=flat @ crossed,
        start=seen.target - seen.design @ prior.mean,
        counts=seen.present.sum(-1).astype(float),
    )
