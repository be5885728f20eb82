"""One person's looks between observations, against weight space and direct algebra."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal
from test_bayes import flat, problem

from calibkit.fitted import bayes
from calibkit.fitted.between import expected
from calibkit.fitted.observations import Noise, structures

Array = NDArray[np.float64]
# Fewer observations than weights, more, and far more: by observations, then by weights.
SHAPES = [(4, 12, 2), (6, 10, 2), (9, 3, 2), (7, 40, 4)]


@pytest.mark.parametrize(("blocks", "size", "width"), SHAPES)
def test_it_says_what_weight_space_says(blocks: int, size: int, width: int) -> None:
    """Outside: the solution that is itself held to a direct inverse."""
    prior, made = problem(3, blocks, size, width)
    trust = np.random.default_rng(4).uniform(0.2, 1.0, blocks)
    ours, theirs = (
        expected(prior, made).solve(made, trust),
        bayes.solve(prior, made, trust),
    )
    for one, other in (
        (ours.posterior.mean, theirs.posterior.mean),
        (ours.posterior.cov, theirs.posterior.cov),
        (ours.left_out, theirs.left_out),
        (ours.left_out_cov, theirs.left_out_cov),
        (ours.log_evidence, theirs.log_evidence),
    ):
        np.testing.assert_allclose(one, other, atol=1e-8)
    weights = bayes.robust_weights(prior, made)
    np.testing.assert_allclose(
        expected(prior, made).robust_weights(made, None), weights, atol=1e-8
    )


@pytest.mark.parametrize(("blocks", "size", "width"), SHAPES)
def test_evidence_of_several_noises_is_the_density(
    blocks: int, size: int, width: int
) -> None:
    """Rasmussen & Williams 2006, equation 2.30, by scipy's multivariate normal."""
    prior, made = problem(5, blocks, size, width)
    noises = made.noise * np.array([0.5, 1.0, 3.0])[:, None, None, None]
    trusts = np.random.default_rng(6).uniform(0.2, 1.0, (3, blocks))
    found = expected(prior, made).log_evidence(noises, trusts)
    for noise, trust, ours in zip(noises, trusts, found, strict=True):
        loud = bayes.Blocks(**{**vars(made), "noise": noise})
        design, target, own = flat(loud, trust)
        cov = design @ prior.cov @ design.T + own
        theirs = multivariate_normal(design @ prior.mean, cov).logpdf(target)
        assert ours == pytest.approx(theirs, abs=1e-7)


def test_several_trusts_at_once_are_each_alone() -> None:
    prior, made = problem(7, 5, 9, 2)
    made = replace(made, target=9.0 * made.target)
    trusts = np.random.default_rng(8).uniform(0.02, 1.0, (5, 5))
    given = expected(prior, made)
    together = given.judged(made.noise[None], trusts)
    for k in range(5):
        alone = given.judged(made.noise[None], trusts[[k]])[0]
        np.testing.assert_allclose(together[k], alone, atol=1e-12)
    assert np.ptp(together, axis=0).max() > 0.01


@pytest.mark.parametrize(("blocks", "size", "width"), SHAPES)
def test_one_look_alone_is_all_others_with_next_to_no_trust(
    blocks: int, size: int, width: int
) -> None:
    """Outside: the same by weights, trust in the others going to nothing."""
    prior, made = problem(11, blocks, size, width)
    made = replace(made, target=made.target * size)
    first = np.array([0, blocks - 1])
    only = np.where(np.arange(blocks) == first[:, None], 1.0, 1e-8)
    given = expected(prior, made)
    ours = given.judged_by_one(made.noise, first)
    for trust, each in zip(only, ours, strict=True):
        found = bayes.solve(prior, made, trust)
        theirs = bayes.bounded_weights(found.distance2(), made.counts)
        np.testing.assert_allclose(each, theirs, atol=1e-4)
    assert ours.min() < 0.9


def test_structures_are_those_of_scaled_noise() -> None:
    """Plain recomputation: shared errors in both eyes, eye errors on the diagonal."""
    noise = Noise(
        fixation=np.array([0.3, 0.4]),
        eye=np.array([[0.2, 0.5], [0.6, 0.1]]),
        spread=0.4,
        sample=np.eye(4),
        drift=np.zeros(2),
    )
    factors = np.random.default_rng(9).normal(size=(3, 4))
    for ours, each in zip(structures(noise, factors), factors, strict=True):
        scaled = noise.scaled(each)
        shared = np.kron(np.ones((2, 2)), np.diag(scaled.fixation**2))
        plain = shared + np.diag(scaled.eye.ravel() ** 2)
        np.testing.assert_allclose(ours, plain, rtol=1e-12)
