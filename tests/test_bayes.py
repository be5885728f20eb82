"""The linear-Gaussian core against direct algebra, libraries, published values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.linear_model import BayesianRidge, Ridge

from calibkit.fitted import bayes
from calibkit.fitted.bayes import Blocks, Gaussian

Array = NDArray[np.float64]


def problem(seed: int, blocks: int = 7, size: int = 3, width: int = 2) -> tuple:  # type: ignore[type-arg]
    """A random prior and random blocks, some numbers missing."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(size, size))
    prior = Gaussian(mean=rng.normal(size=size), cov=root @ root.T + 0.1 * np.eye(size))
    noise = rng.normal(size=(blocks, width, width))
    noise = noise @ noise.swapaxes(1, 2) + 0.2 * np.eye(width)
    present = rng.random((blocks, width)) > 0.2
    design = rng.normal(size=(blocks, width, size)) * present[..., None]
    target = rng.normal(size=(blocks, width)) * present
    return prior, Blocks(design=design, target=target, noise=noise, present=present)


def flat(made: Blocks, weights: Array) -> tuple[Array, Array, Array]:
    """Design, target and full noise of the numbers that are there."""
    count, width = made.target.shape
    there = made.present.ravel()
    noise = np.zeros((count * width, count * width))
    for k in range(count):
        part = slice(k * width, (k + 1) * width)
        noise[part, part] = made.noise[k] / weights[k]
    design = made.design.reshape(count * width, -1)[there]
    return design, made.target.ravel()[there], noise[np.ix_(there, there)]


@pytest.mark.parametrize("seed", range(5))
def test_posterior_is_the_direct_inverse(seed: int) -> None:
    """Plain recomputation: Bishop 2006, equations 3.50 and 3.51."""
    prior, made = problem(seed)
    weights = np.random.default_rng(seed + 50).uniform(0.2, 1.0, len(made.target))
    design, target, noise = flat(made, weights)
    precision = np.linalg.inv(prior.cov) + design.T @ np.linalg.inv(noise) @ design
    cov = np.linalg.inv(precision)
    pull = np.linalg.inv(prior.cov) @ prior.mean
    mean = cov @ (pull + design.T @ np.linalg.inv(noise) @ target)
    found = bayes.solve(prior, made, weights).posterior
    assert found.mean == pytest.approx(mean, abs=1e-9)
    assert found.cov == pytest.approx(cov, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_evidence_is_the_density_of_all_numbers(seed: int) -> None:
    """Rasmussen & Williams 2006, equation 2.30, by scipy's multivariate normal."""
    from scipy.stats import multivariate_normal

    prior, made = problem(seed)
    weights = np.ones(len(made.target))
    design, target, noise = flat(made, weights)
    cov = design @ prior.cov @ design.T + noise
    expected = multivariate_normal(design @ prior.mean, cov).logpdf(target)
    assert bayes.solve(prior, made).log_evidence == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_left_out_blocks_are_those_of_refits(seed: int) -> None:
    """Plain recomputation: leave each block out and predict it."""
    prior, made = problem(seed)
    weights = np.random.default_rng(seed).uniform(0.3, 1.0, len(made.target))
    solution = bayes.solve(prior, made, weights)
    for k in range(len(made.target)):
        rest = np.arange(len(made.target)) != k
        others = Blocks(**{name: value[rest] for name, value in vars(made).items()})
        found = bayes.solve(prior, others, weights[rest]).posterior
        there = made.present[k]
        left = (made.target[k] - made.design[k] @ found.mean)[there]
        cov = made.design[k] @ found.cov @ made.design[k].T + made.noise[k]
        assert solution.left_out[k][there] == pytest.approx(left, abs=1e-9)
        assert solution.left_out_cov[k][np.ix_(there, there)] == pytest.approx(
            cov[np.ix_(there, there)], abs=1e-8
        )


def test_ridge_of_scikit_learn() -> None:
    """A prior with mean 0 and equal variances is ridge regression."""
    rng = np.random.default_rng(1)
    design, target = rng.normal(size=(20, 4)), rng.normal(size=20)
    made = single(design, target, 0.3**2)
    prior = Gaussian(mean=np.zeros(4), cov=np.eye(4) * 0.7**2)
    ridge = Ridge(alpha=0.3**2 / 0.7**2, fit_intercept=False).fit(design, target)
    assert bayes.solve(prior, made).posterior.mean == pytest.approx(
        ridge.coef_, abs=1e-10
    )


def test_bayesian_ridge_of_scikit_learn() -> None:
    """Its posterior at its own precisions: mean and covariance (sigma_)."""
    rng = np.random.default_rng(2)
    design = rng.normal(size=(40, 3))
    target = design @ [1.0, -2.0, 0.5] + 0.2 * rng.normal(size=40)
    other = BayesianRidge(fit_intercept=False).fit(design, target)
    prior = Gaussian(mean=np.zeros(3), cov=np.eye(3) / other.lambda_)
    found = bayes.solve(prior, single(design, target, 1.0 / other.alpha_)).posterior
    assert found.mean == pytest.approx(other.coef_, rel=1e-3)
    assert found.cov == pytest.approx(other.sigma_, rel=0.05, abs=1e-6)


def single(design: Array, target: Array, variance: float) -> Blocks:
    """Blocks of one number each."""
    count = len(target)
    return Blocks(
        design=design[:, None, :],
        target=target[:, None],
        noise=np.full((count, 1, 1), variance),
        present=np.ones((count, 1), bool),
    )


@pytest.mark.parametrize(("count", "share"), [(1, 0.8), (3, 0.92308), (5, 0.95238)])
def test_shrinkage_of_an_offset(count: int, share: float) -> None:
    """n tau²/(n tau² + sigma²), tau 2, sigma 1: literature check value 40."""
    made = single(np.ones((count, 1)), np.full(count, 10.0), 1.0)
    found = bayes.solve(Gaussian(mean=np.zeros(1), cov=np.full((1, 1), 4.0)), made)
    assert found.posterior.mean[0] / 10.0 == pytest.approx(share, abs=1e-5)


def test_student_weight() -> None:
    """t with 4 degrees of freedom at r = 3: literature check value 39, 0.38462."""
    weight = bayes.student_weights(np.array([9.0]), np.array([1.0]))
    assert weight == pytest.approx(0.38462, abs=1e-5)


def test_hat_values_and_leave_one_out() -> None:
    """3 x 3 points, full quadratic: .80556/.55556/.55556; LOO = e/(1-h), x 5.142857.

    Literature check values 14 and 16 (computed; D-optimality literature).
    """
    x, y = (v.ravel() for v in np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0]))
    design = np.column_stack([np.ones(9), x, y, x * x, x * y, y * y])
    target = np.random.default_rng(3).normal(size=9)
    vague = Gaussian(mean=np.zeros(6), cov=np.eye(6) * 1e8)
    solution = bayes.solve(vague, single(design, target, 1.0))
    hat = np.einsum("ij,jk,ik->i", design, solution.posterior.cov, design)
    corner, edge, centre = 0, 1, 4
    assert hat[[corner, edge, centre]] == pytest.approx(
        [29 / 36, 5 / 9, 5 / 9], abs=1e-5
    )
    assert hat.sum() == pytest.approx(6.0, abs=1e-4)
    residual = target - design @ solution.posterior.mean
    assert solution.left_out[corner, 0] / residual[corner] == pytest.approx(
        5.142857, rel=1e-5
    )


def test_robust_weights_agree_with_statsmodels_on_who_is_bad() -> None:
    """A gross error gets next to no weight, as in RLM with Tukey's biweight."""
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    x = np.linspace(-1, 1, 15)
    design = np.column_stack([np.ones(15), x])
    target = design @ [0.5, 2.0] + 0.1 * rng.normal(size=15)
    target[11] += 5.0
    vague = Gaussian(mean=np.zeros(2), cov=np.eye(2) * 100.0)
    made = single(design, target, 0.1**2)
    mine = bayes.robust_weights(vague, made)
    theirs = sm.RLM(target, design, M=sm.robust.norms.TukeyBiweight()).fit()
    assert mine[11] < 0.01
    assert theirs.weights[11] < 0.01
    found = bayes.solve(vague, made, mine).posterior.mean
    assert found == pytest.approx(theirs.params, abs=0.05)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_order_of_blocks_does_not_matter(seed: int) -> None:
    """Property: a permutation of blocks changes nothing."""
    prior, made = problem(seed)
    order = np.random.default_rng(seed).permutation(len(made.target))
    other = Blocks(**{name: value[order] for name, value in vars(made).items()})
    one, two = bayes.solve(prior, made).posterior, bayes.solve(prior, other).posterior
    assert one.mean == pytest.approx(two.mean, abs=1e-8)
    assert one.cov == pytest.approx(two.cov, abs=1e-8)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_a_repeat_is_worth_weight_two(seed: int) -> None:
    """Property: the same block twice is the block with twice the weight."""
    prior, made = problem(seed)
    twice = Blocks(
        **{
            name: np.concatenate([value, value[:1]])
            for name, value in vars(made).items()
        }
    )
    weights = np.ones(len(made.target))
    weights[0] = 2.0
    one = bayes.solve(prior, twice).posterior
    two = bayes.solve(prior, made, weights).posterior
    assert one.mean == pytest.approx(two.mean, abs=1e-8)
    assert one.cov == pytest.approx(two.cov, abs=1e-8)


def test_no_blocks_give_back_the_prior() -> None:
    prior, made = problem(0)
    none = Blocks(**{name: value[:0] for name, value in vars(made).items()})
    found = bayes.solve(prior, none).posterior
    assert found.mean == pytest.approx(prior.mean, abs=1e-12)
    assert found.cov == pytest.approx(prior.cov, abs=1e-12)


def test_many_at_once_equal_one_by_one() -> None:
    """Batch dimensions: three persons in one call."""
    several = [problem(seed)[1] for seed in range(3)]
    prior = problem(9)[0]
    stacked = Blocks(
        **{
            name: np.stack([getattr(m, name) for m in several])
            for name in vars(several[0])
        }
    )
    together = bayes.solve(prior, stacked)
    for k, made in enumerate(several):
        alone = bayes.solve(prior, made)
        assert together.posterior.mean[k] == pytest.approx(
            alone.posterior.mean, abs=1e-9
        )
        assert together.log_evidence[k] == pytest.approx(alone.log_evidence, abs=1e-9)
        assert together.distance2()[k] == pytest.approx(alone.distance2(), abs=1e-9)
