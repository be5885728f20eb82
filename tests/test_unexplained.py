"""Drift of people who had no checks: what looks left out exceed."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from calibkit.fitted.bayes import Blocks, Gaussian, Solution
from calibkit.fitted.unexplained import unexplained

LOOKS = 4000


def left_out(
    errors: NDArray[np.float64], seen: NDArray[np.bool_]
) -> tuple[Solution, Blocks]:
    """Residuals (1, T, 4) of which a normal of sd 1 in every number is expected."""
    shape = (*errors.shape, 4)
    cov = np.broadcast_to(np.eye(4) * 2.0, shape)
    weights = Gaussian(mean=np.zeros((1, 1)), cov=np.ones((1, 1, 1)))
    made = Blocks(
        design=np.zeros((*errors.shape, 1)),
        target=np.zeros(errors.shape),
        noise=cov,
        present=seen,
    )
    found = Solution(
        posterior=weights,
        log_evidence=np.zeros(1),
        left_out=errors,
        left_out_cov=cov,
    )
    return found, made


def spread(sd: float, seed: int = 4) -> NDArray[np.float64]:
    """Errors of both eyes, whose mean has the sd given."""
    rng = np.random.default_rng(seed)
    return rng.normal(0.0, sd * np.sqrt(2.0), (1, LOOKS, 4))


def test_what_exceeds_a_normal_is_the_drift() -> None:
    """Variances of independent errors add: 1.5² is 1 and 1.25 (any textbook)."""
    seen = np.ones((1, LOOKS, 4), bool)
    found = unexplained(*left_out(spread(1.5), seen))
    assert found == pytest.approx(np.sqrt(1.25), rel=0.07)


def test_as_expected_or_calmer_leaves_none() -> None:
    seen = np.ones((1, LOOKS, 4), bool)
    for sd in (0.6, 1.0):
        assert (unexplained(*left_out(spread(sd), seen)) < 0.35).all()


def test_long_tails_count_by_three_quarters_of_the_looks() -> None:
    """scipy's Student t: its 75 % quantile of squares by the normal's."""
    seen = np.ones((1, LOOKS, 4), bool)
    t = stats.t(3.0)
    rng = np.random.default_rng(8)
    both = t.rvs(size=(1, LOOKS, 1, 2), random_state=rng)
    errors = np.tile(both, (1, 1, 2, 1)).reshape(1, LOOKS, 4)
    more = t.ppf(0.875) ** 2 / stats.norm.ppf(0.875) ** 2 - 1.0
    found = unexplained(*left_out(errors, seen))
    assert found == pytest.approx(np.sqrt(more), rel=0.1)


def test_looks_of_one_eye_alone_tell_nothing() -> None:
    seen = np.ones((1, LOOKS, 4), bool)
    seen[..., 2:] = False
    assert (unexplained(*left_out(spread(3.0), seen)) == 0.0).all()
