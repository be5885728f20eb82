"""The linear-Gaussian core as a Gaussian process, by scikit-learn; robust weights."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct, WhiteKernel

from calibkit.fitted import bayes
from calibkit.fitted.basis import powers, to_powers
from calibkit.fitted.bayes import Blocks, Gaussian

Array = NDArray[np.float64]


def numbers(design: Array, target: Array, variance: float) -> Blocks:
    """Blocks of one number each."""
    count = len(target)
    return Blocks(
        design=design[:, None, :],
        target=target[:, None],
        noise=np.full((count, 1, 1), variance),
        present=np.ones((count, 1), bool),
    )


@pytest.mark.parametrize("count", [1, 2, 5, 12])
def test_gaussian_process_of_scikit_learn(count: int) -> None:
    """A prior over linear weights is a process with a dot product as its kernel.

    sd 1.5 of constant and slopes: 1.5² (1 + x x'), no optimizer; mean, sd and evidence.
    """
    rng = np.random.default_rng(count)
    at, new = rng.normal(size=(count, 2)), rng.normal(size=(20, 2))
    y = at @ [1.0, -2.0] + rng.normal(0, 0.3, count)
    kernel = ConstantKernel(1.5**2) * DotProduct(1.0) + WhiteKernel(0.3**2)
    other = GaussianProcessRegressor(kernel, optimizer=None, alpha=1e-14).fit(at, y)
    mean, sd = other.predict(new, return_std=True)
    prior = Gaussian(mean=np.zeros(3), cov=np.eye(3) * 1.5**2)
    ones = np.ones((count, 1))
    found = bayes.solve(prior, numbers(np.hstack([ones, at]), y, 0.3**2))
    terms = np.column_stack([np.ones(20), new])
    assert terms @ found.posterior.mean == pytest.approx(mean, abs=1e-7)
    variance = np.sum((terms @ found.posterior.cov) * terms, axis=1)
    # Its predictive sd holds the white noise of a new observation as well.
    assert np.sqrt(variance + 0.3**2) == pytest.approx(sd, abs=1e-7)
    evidence = other.log_marginal_likelihood(other.kernel_.theta)
    assert float(found.log_evidence) == pytest.approx(evidence, abs=1e-6)


def test_surest_in_the_middle() -> None:
    """Nine points, quadratic: the variance is small inside and grows outside."""
    side = (-1.0, 0.0, 1.0)
    points = np.array([(x, y) for x in side for y in side])
    prior = Gaussian(mean=np.zeros(6), cov=np.eye(6) * 25.0)
    made = numbers(powers(points, 2) @ to_powers(2), np.zeros(9), 0.2**2)
    cov = bayes.solve(prior, made).posterior.cov
    along = np.column_stack([np.linspace(0.8, 2.5, 18), np.zeros(18)])
    terms = powers(along, 2) @ to_powers(2)
    variance = np.sum((terms @ cov) * terms, axis=1)
    assert (np.diff(variance) > 0).all()
    inner = powers(np.zeros((1, 2)), 2) @ to_powers(2)
    assert inner[0] @ cov @ inner[0] < variance[-1] / 10


def test_more_never_widens() -> None:
    """Property of Gaussians: a further block takes variance off in any direction."""
    rng = np.random.default_rng(1)
    prior = Gaussian(mean=np.zeros(4), cov=np.diag([4.0, 1.0, 0.5, 2.0]))
    design, target = rng.normal(size=(8, 4)), rng.normal(size=8)
    before = prior.cov
    for count in range(1, 9):
        made = numbers(design[:count], target[:count], 0.5)
        cov = bayes.solve(prior, made).posterior.cov
        assert np.linalg.eigvalsh(before - cov)[0] > -1e-10
        before = cov


def test_weights_of_statsmodels() -> None:
    """Student's t weights at scaled residuals, and the tabled value at r = 3.

    Literature check value 39: .38462 = 5/13. statsmodels has no t norm; its weights of
    Huber (1.345) and Tukey (4.685) are the same table's, and the order is theirs.
    """
    from statsmodels.robust.norms import HuberT, TukeyBiweight

    at_three = float(bayes.student_weights(np.array(9.0), np.array(1.0)))
    assert at_three == pytest.approx(0.38462, abs=1e-5)
    assert float(HuberT(1.345).weights(3.0)) == pytest.approx(0.44833, abs=1e-5)
    assert float(TukeyBiweight(4.685).weights(3.0)) == pytest.approx(0.34806, abs=1e-5)
    r = np.linspace(0.0, 12.0, 40)
    mine = bayes.bounded_weights(r**2, np.ones(40))
    assert (np.diff(mine) <= 1e-12).all()
    assert (mine <= 1.0).all()
    assert mine[-1] < 1e-4
    # Up to three sd nobody is suspected of a gross error.
    plain = np.minimum(bayes.student_weights(r**2, np.ones(40)), 1.0)
    assert (mine[r < 2.0] > 0.8 * plain[r < 2.0]).all()


@pytest.mark.parametrize("size", [1, 2, 4])
def test_weights_of_a_multivariate_t(size: int) -> None:
    """The slope of scipy's log density by half the squared distance is the weight."""
    from scipy.stats import multivariate_t

    law = multivariate_t(np.zeros(size), np.eye(size), df=4.0)
    direction = np.full(size, size**-0.5)
    for distance2 in (0.5, 4.0, 9.0, 60.0):
        step = 1e-4 * distance2
        ends = [direction * np.sqrt(distance2 + s) for s in (step, -step)]
        slope = -2.0 * (law.logpdf(ends[0]) - law.logpdf(ends[1])) / (2.0 * step)
        mine = float(bayes.student_weights(np.array(distance2), np.array(float(size))))
        assert mine == pytest.approx(slope, rel=1e-5)


def test_weights_are_scikit_learns_sample_weights() -> None:
    """A weight divides a block's noise: Ridge with sample_weight, same penalty."""
    from sklearn.linear_model import Ridge

    rng = np.random.default_rng(2)
    design, target = rng.normal(size=(15, 3)), rng.normal(size=15)
    weights = rng.uniform(0.05, 1.0, 15)
    prior = Gaussian(mean=np.zeros(3), cov=np.eye(3) * 2.0)
    made = numbers(design, target, 0.4)
    found = bayes.solve(prior, made, weights).posterior.mean
    ridge = Ridge(alpha=0.4 / 2.0, fit_intercept=False)
    ridge.fit(design, target, sample_weight=weights)
    assert found == pytest.approx(ridge.coef_, abs=1e-9)


def test_the_same_bad_row_as_robust_regression() -> None:
    """A gross error of 20 sd anywhere, also at a corner: as statsmodels' RLM says."""
    import statsmodels.api as sm

    side = np.linspace(-1, 1, 4)
    points = np.array([(x, y) for x in side for y in side])
    design = powers(points, 1) @ to_powers(1)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        target = design @ [1.0, 6.0, -4.0] + rng.normal(0, 0.3, 16)
        bad = int(rng.integers(16))
        target[bad] += rng.choice([-1.0, 1.0]) * 6.0
        prior = Gaussian(mean=np.zeros(3), cov=np.eye(3) * 100.0)
        made = numbers(design, target, 0.3**2)
        mine = bayes.robust_weights(prior, made)
        theirs = sm.RLM(target, design, M=sm.robust.norms.TukeyBiweight()).fit()
        assert int(np.argmin(mine)) == bad
        assert mine[bad] < 0.01
        assert theirs.weights[bad] < 0.01
        found = bayes.solve(prior, made, mine).posterior
        # The two estimates differ by less than either is unsure.
        apart = np.abs(found.mean - theirs.params) / np.sqrt(np.diag(found.cov))
        assert apart.max() < 1.0
