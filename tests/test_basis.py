"""The functions of a mapping, against libraries and published optimal designs."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.linear_model import LinearRegression
from sklearn.preprocessing import PolynomialFeatures

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis, exponents, powers, slopes, to_powers
from calibkit.fitted.bayes import Blocks, Gaussian

Array = NDArray[np.float64]
THREE = (-1.0, 0.0, 1.0)
LATTICE = np.array([(x, y) for y in THREE for x in THREE])
CORNERS_AND_CENTRE = LATTICE[[0, 2, 4, 6, 8]]
CORNER, EDGE, CENTRE = [0, 2, 6, 8], [1, 3, 5, 7], [4]


def made(degree: int, eyes: int = 1, covariates: int = 0) -> Basis:
    """A basis in units of its features."""
    return Basis(
        degree=degree,
        covariates=tuple("abc"[:covariates]),
        centre=np.zeros((eyes, 2)),
        scale=np.ones((eyes, 2)),
        extra_centre=np.zeros((eyes, covariates)),
        extra_scale=np.ones((eyes, covariates)),
    )


def design(degree: int, points: Array) -> Array:
    """Our functions at points (n, 2), as the fit evaluates them."""
    none = np.empty((1, len(points), 0))
    found: Array = made(degree).functions(points[None], none)[0]
    return found


def hat(terms: Array) -> Array:
    """Leverage of each row under a prior too wide to matter."""
    count, size = terms.shape
    flat = Blocks(
        design=terms[:, None],
        target=np.zeros((count, 1)),
        noise=np.ones((count, 1, 1)),
        present=np.ones((count, 1), bool),
    )
    vague = Gaussian(mean=np.zeros(size), cov=np.eye(size) * 1e9)
    cov = bayes.solve(vague, flat).posterior.cov
    return np.einsum("ij,jk,ik->i", terms, cov, terms)


def weighted(corner: float, edge: float, centre: float) -> Array:
    """Information matrix (6, 6) of a design on the lattice, full quadratic."""
    share = np.zeros(9)
    share[CORNER], share[EDGE], share[CENTRE] = corner, edge, centre
    terms = design(2, LATTICE)
    information: Array = terms.T @ (terms * share[:, None])
    return information


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_legendre_of_numpy(degree: int) -> None:
    """Products of numpy's Legendre polynomials, each with unit mean square."""
    rng = np.random.default_rng(degree)
    xy = rng.uniform(-1.3, 1.3, (40, 2))
    mine = powers(xy, degree) @ to_powers(degree)
    each = [np.polynomial.legendre.Legendre.basis(k) for k in range(degree + 1)]
    for column, (i, j) in enumerate(exponents(degree)):
        unit = np.sqrt((2 * i + 1) * (2 * j + 1))
        theirs = unit * each[i](xy[:, 0]) * each[j](xy[:, 1])
        assert mine[:, column] == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_same_space_as_scikit_learn(degree: int) -> None:
    """Least squares on ours predicts as on PolynomialFeatures of that degree."""
    rng = np.random.default_rng(degree)
    at, new = rng.uniform(-1, 1, (25, 2)), rng.uniform(-1.5, 1.5, (30, 2))
    y = rng.normal(size=25)
    plain = PolynomialFeatures(degree)
    other = LinearRegression().fit(plain.fit_transform(at), y)
    weights = np.linalg.lstsq(design(degree, at), y, rcond=None)[0]
    theirs = other.predict(plain.transform(new))
    assert design(degree, new) @ weights == pytest.approx(theirs, abs=1e-9)
    assert plain.n_output_features_ == made(degree).terms


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 3))
def test_slopes_are_those_of_small_steps(seed: int, degree: int) -> None:
    """Central differences, centre and scale of the features included."""
    rng = np.random.default_rng(seed)
    base = Basis(
        degree=degree,
        covariates=("a",),
        centre=rng.normal(0, 3, (2, 2)),
        scale=rng.uniform(0.2, 5.0, (2, 2)),
        extra_centre=np.zeros((2, 1)),
        extra_scale=np.ones((2, 1)),
    )
    xy = base.centre[:, None] + base.scale[:, None] * rng.uniform(-1, 1, (2, 4, 2))
    extra = rng.normal(size=(2, 4, 1))
    slope = base.derivatives(xy)
    for axis in range(2):
        step = np.zeros((2, 1, 2))
        step[..., axis] = 1e-5 * base.scale[:, None, axis]
        rise = base.functions(xy + step, extra) - base.functions(xy - step, extra)
        small = rise / (2.0 * step[..., axis, None])
        assert slope[..., axis, :] == pytest.approx(small, rel=1e-5, abs=1e-6)


def test_extremes_of_one_dimensional_polynomials() -> None:
    """D-optimal nodes of a cubic: +-1 and +-.44721, where its slope is 0.

    Literature check value 22 (Hoel 1958, Guest 1958: zeros of P'_d).
    """
    cubic = exponents(3).index((3, 0))
    inner = np.array([[0.44721, 0.0], [-0.44721, 0.0]])
    assert (slopes(inner, 3) @ to_powers(3))[:, 0, cubic] == pytest.approx(
        0.0, abs=2e-4
    )


def test_leverage_of_layouts() -> None:
    """Literature check values 14 and 15: hat values by plain linear algebra."""
    quadratic = hat(design(2, LATTICE))
    assert quadratic[CORNER] == pytest.approx(0.80556, abs=1e-5)
    assert quadratic[[*EDGE, *CENTRE]] == pytest.approx(0.55556, abs=1e-5)
    assert quadratic.sum() == pytest.approx(6.0, abs=1e-5)
    five = hat(design(1, CORNERS_AND_CENTRE))
    assert five == pytest.approx([0.7, 0.7, 0.2, 0.7, 0.7], abs=1e-4)
    nine = hat(design(1, LATTICE))
    assert nine[[0, 1, 4]] == pytest.approx([0.4444, 0.2778, 0.1111], abs=1e-4)


def test_corners_and_centre_cannot_hold_a_quadratic() -> None:
    """Literature check value 17: rank 5 of 6; x² and y² are one."""
    assert np.linalg.matrix_rank(design(2, CORNERS_AND_CENTRE)) == 5
    assert np.linalg.matrix_rank(design(2, LATTICE)) == 6
    assert np.linalg.matrix_rank(design(3, LATTICE)) == 8


def test_d_optimal_design() -> None:
    """Literature check values 19 and 20: Farrell, Kiefer & Walbran 1967.

    The equivalence theorem: at the best weights no place has a variance above 6.
    """
    best = weighted(0.14579, 0.08016, 0.09619)
    axis = np.linspace(-1.0, 1.0, 21)
    everywhere = design(2, np.array(list(product(axis, axis))))
    variance = np.sum((everywhere @ np.linalg.inv(best)) * everywhere, axis=1)
    assert variance.max() == pytest.approx(6.0, abs=2e-3)
    equal = weighted(1 / 9, 1 / 9, 1 / 9)
    ratio = np.linalg.det(equal) / np.linalg.det(best)
    assert ratio ** (1 / 6) == pytest.approx(0.97397, abs=1e-4)
    # |M| of plain powers is .011427; ours differ by the determinant of the change.
    plain = np.linalg.det(best) / np.linalg.det(to_powers(2)) ** 2
    assert plain == pytest.approx(0.011427, abs=2e-6)


def test_i_optimal_design() -> None:
    """Literature check value 21: mean variance 3.5862; 4.05 for equal weights.

    For functions that are orthonormal over the square it is the trace of the inverse.
    """
    best = np.trace(np.linalg.inv(weighted(0.0911, 0.0912, 0.2709)))
    assert best == pytest.approx(3.5862, abs=2e-3)
    equal = np.trace(np.linalg.inv(weighted(1 / 9, 1 / 9, 1 / 9)))
    assert equal == pytest.approx(4.05, abs=1e-9)
    for corner, edge in ((0.01, -0.01), (-0.01, 0.0), (0.0, 0.01)):
        centre = 0.2709 - 4 * (corner + edge)
        other = weighted(0.0911 + corner, 0.0912 + edge, centre)
        assert np.trace(np.linalg.inv(other)) > best


@pytest.mark.parametrize(
    ("degree", "inset", "sd"),
    [
        (2, 1.0, 0.898),
        (2, 0.9, 1.107),
        (2, 0.8, 1.42997),
        (2, 0.7, 1.929),
        (1, 1.0, 0.667),
        (1, 0.9, 0.723),
        (1, 0.8, 0.795),
        (1, 0.7, 0.890),
    ],
)
def test_price_of_points_far_from_the_edge(
    degree: int, inset: float, sd: float
) -> None:
    """Sd of a prediction at the corner; literature section 7 and check value 23."""
    terms = design(degree, inset * LATTICE)
    corner = design(degree, np.array([[1.0, 1.0]]))[0]
    found = np.sqrt(corner @ np.linalg.inv(terms.T @ terms) @ corner)
    assert found == pytest.approx(sd, abs=6e-4)


@pytest.mark.parametrize(
    ("degree", "count", "share"),
    [(2, 9, 0.5774), (1, 5, 0.6325), (2, 16, 0.7906), (3, 16, 0.6124)],
)
def test_residuals_of_a_fit_flatter_it(degree: int, count: int, share: float) -> None:
    """Rms of training residuals by sigma: sqrt(1 - p/n), literature check value 18."""
    side = np.linspace(-1, 1, round(np.sqrt(count)))
    grid = np.array(list(product(side, side)))
    terms = design(degree, CORNERS_AND_CENTRE if count == 5 else grid)
    y = np.random.default_rng(count + degree).normal(size=(count, 20_000))
    left = y - terms @ np.linalg.lstsq(terms, y, rcond=None)[0]
    assert np.sqrt(np.mean(left**2)) == pytest.approx(share, rel=0.02)


def test_a_missing_covariate_counts_as_its_centre() -> None:
    """The contract's NaN: what is not known must not move gaze."""
    base = made(2, covariates=2)
    xy = np.random.default_rng(0).normal(size=(1, 3, 2))
    lost = np.full((1, 3, 2), np.nan)
    assert (base.functions(xy, lost) == base.functions(xy, np.zeros((1, 3, 2)))).all()
    assert base.group.tolist() == [0, 1, 1, 2, 2, 2, 4, 4]
    assert base.size == 2 * base.terms == 16


def test_a_constant_covariate_has_no_weight() -> None:
    """Infinite scale: it was the same all along and says nothing when it changes."""
    base = made(1, covariates=1)
    flat = Basis(**{**vars(base), "extra_scale": np.full((1, 1), np.inf)})
    found = flat.functions(np.zeros((1, 2, 2)), np.array([[[5.0], [1e6]]]))
    assert (found[..., -1] == 0.0).all()
