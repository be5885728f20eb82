"""How like others a person is: the learned spread over people, scaled by the looks.

Most people are nearer to the average than one covariance over all of them says, and a
few are much farther. Each person's distance is a hypothesis of its own, weighed by its
evidence; so that regions are narrower for the many, and wider for the few.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.estimate import Estimate
from calibkit.fitted.observations import Points, blocks, carried, prepare

Array = NDArray[np.float64]

# Sd of the logarithm of a person's distance from the average (simulated people, other
# desks than those of any test or benchmark).
LIKENESS_SD = 0.4
NODES = 5
MOST_NUMBERS = 100  # with more, what is known of others hardly matters


def scales() -> tuple[Array, Array]:
    """Factors (h,) on the covariance over people, and their log odds.

    Log-normal with mean 1, since the learned covariance is a mean over people; the
    nodes are those of Gauss and Hermite.
    """
    nodes, odds = np.polynomial.hermite_e.hermegauss(NODES)
    factors = np.exp(2.0 * LIKENESS_SD * (nodes - LIKENESS_SD))
    return factors, np.log(odds / odds.sum())


def with_likeness(
    prior: Gaussian, basis: Basis, found: Estimate, looks: Points
) -> Estimate:
    """Average the posteriors of all scales, at an estimate's noise and trust.

    Parameters
    ----------
    prior : Gaussian
        Learned, over the basis' weights.
    basis : Basis
    found : Estimate
        Under that prior.
    looks : Points
        T looks; none, or very many, change nothing.

    Notes
    -----
    A scale mixture of normals: West 1987, Biometrika 74:646.
    """
    if not 0 < 2 * looks.seen.size <= MOST_NUMBERS:
        return found
    prepared = prepare(basis, looks)
    made = blocks(prepared, found.noise, carried(prepared, found.weights.mean))
    flat = made.design.reshape(-1, basis.size)
    crossed = prior.cov @ flat.T
    factors, odds = scales()
    total = factors[:, None, None] * (flat @ crossed)
    noise = bayes.masked_noise(made.noise, made.present)[None]
    bayes.add_noise(total, noise, found.trust, made.present)
    start = (made.target - made.design @ prior.mean).ravel()
    inverse: Array = np.asarray(np.linalg.inv(total), float)
    score = odds - 0.5 * (inverse @ start @ start + np.linalg.slogdet(total)[1])
    share = np.exp(score - score.max())
    share /= share.sum()
    posterior = bayes.mixture(prior, factors[:, None], crossed, start, inverse, share)
    return replace(found, weights=posterior)
