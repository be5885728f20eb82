"""The functions that a mapping is made of: polynomials of features, per eye.

Products of Legendre polynomials, orthonormal over the square [-1, 1]², so that each
coefficient is the root mean square, in degrees, of what it contributes over the screen;
groups of equal degree can then share one prior variance. Covariates enter linearly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import comb

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Legendre polynomials 0 to 3 by powers of x, scaled to unit mean square over [-1, 1]:
# Abramowitz & Stegun 1964, table 22.9.
_LEGENDRE = np.sqrt([[1.0], [3.0], [5.0], [7.0]]) * np.array(
    [[1, 0, 0, 0], [0, 1, 0, 0], [-0.5, 0, 1.5, 0], [0, -1.5, 0, 2.5]]
)
GROUPS = ("constant", "linear", "quadratic", "cubic", "covariate")


@cache
def exponents(degree: int) -> tuple[tuple[int, int], ...]:
    """Powers (of x, of y) of each term, by total degree."""
    return tuple(
        (total - j, j) for total in range(degree + 1) for j in range(total + 1)
    )


@cache
def to_powers(degree: int) -> Array:
    """Matrix L with orthonormal terms = plain powers @ L, (terms, terms)."""
    terms = exponents(degree)
    rows = [[_LEGENDRE[i, p] * _LEGENDRE[j, q] for (i, j) in terms] for (p, q) in terms]
    matrix = np.array(rows)
    matrix.setflags(write=False)
    return matrix


def powers(xy: Array, degree: int) -> Array:
    """Plain powers of scaled features: (..., 2) to (..., terms)."""
    x, y = _each_power(xy[..., 0], degree), _each_power(xy[..., 1], degree)
    return np.stack([x[p] * y[q] for p, q in exponents(degree)], axis=-1)


def slopes(xy: Array, degree: int) -> Array:
    """Derivatives of the plain powers by x and by y: (..., 2) to (..., 2, terms)."""
    x, y = _each_power(xy[..., 0], degree), _each_power(xy[..., 1], degree)
    terms = exponents(degree)
    across = [p * x[max(p - 1, 0)] * y[q] for p, q in terms]
    down = [q * x[p] * y[max(q - 1, 0)] for p, q in terms]
    return np.stack([np.stack(across, axis=-1), np.stack(down, axis=-1)], axis=-2)


def _each_power(x: Array, degree: int) -> list[Array]:
    """1, x, x², ... up to the degree."""
    out = [np.ones_like(x)]
    for _ in range(degree):
        out.append(out[-1] * x)
    return out


def _shifted(degree: int, stretch: float, shift: float) -> Array:
    """Powers of `stretch` x + `shift`, the columns, by powers of x: binomials."""
    out = np.zeros((degree + 1, degree + 1))
    for p in range(degree + 1):
        for i in range(p + 1):
            out[i, p] = comb(p, i) * stretch**i * shift ** (p - i)
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class Basis:
    """Polynomial degree, covariates and the scaling of both, per eye.

    Parameters
    ----------
    degree : int, 1 to 3
    covariates : tuple of str
    centre, scale : arrays (e, 2)
        Features are centred and divided, so that the screen fills about [-1, 1]².
    extra_centre, extra_scale : arrays (e, c)
    """

    degree: int
    covariates: tuple[str, ...]
    centre: Array
    scale: Array
    extra_centre: Array
    extra_scale: Array

    @property
    def terms(self) -> int:
        """Number of functions per eye and axis."""
        return len(exponents(self.degree)) + len(self.covariates)

    @property
    def size(self) -> int:
        """Number of weights: eyes x 2 axes x terms, in this order."""
        return len(self.centre) * 2 * self.terms

    @property
    def group(self) -> NDArray[np.int_]:
        """Index into GROUPS of each term."""
        degrees = [p + q for p, q in exponents(self.degree)]
        return np.array(degrees + [4] * len(self.covariates))

    def straight(self, weights: Array) -> Array:
        """Of weights (d,), those of x and y alone: (e, 2 axes of gaze, 2)."""
        terms = exponents(self.degree)
        columns = [terms.index((1, 0)), terms.index((0, 1))]
        each: Array = weights.reshape(len(self.centre), 2, self.terms)[..., columns]
        return each

    def scaled(self, xy: Array) -> Array:
        """Features (e, ..., 2) in units of the basis."""
        shape = (len(self.centre), *[1] * (xy.ndim - 2), 2)
        return (xy - self.centre.reshape(shape)) / self.scale.reshape(shape)

    def scaled_extra(self, extra: Array) -> Array:
        """Covariates (e, ..., c) in units of the basis; a missing one counts as 0."""
        shape = (len(self.centre), *[1] * (extra.ndim - 2), extra.shape[-1])
        units = (extra - self.extra_centre.reshape(shape)) / self.extra_scale.reshape(
            shape
        )
        return np.where(np.isfinite(units), units, 0.0)

    def functions(self, xy: Array, extra: Array) -> Array:
        """Evaluate every function: (e, ..., 2) and (e, ..., c) to (e, ..., terms)."""
        polynomial = powers(self.scaled(xy), self.degree) @ to_powers(self.degree)
        return np.concatenate([polynomial, self.scaled_extra(extra)], axis=-1)

    def moved(self, extra_centre: Array) -> tuple[Basis, Array]:
        """Count covariates from elsewhere.

        Parameters
        ----------
        extra_centre : array (e, c)

        Returns
        -------
        Basis, and the matrix (d, d) that turns weights of this one into its own
        """
        shift = (extra_centre - self.extra_centre) / self.extra_scale
        matrix = np.eye(self.size)
        first = self.terms - len(self.covariates)
        for e in range(len(self.centre)):
            for axis in range(2):
                row = (2 * e + axis) * self.terms
                matrix[row, row + first : row + self.terms] = shift[e]
        return replace(self, extra_centre=extra_centre), matrix

    def as_in(self, other: Basis) -> Array:
        """Matrix (d, d) that turns weights of this basis into those of another.

        The other one differs by where features are counted from, and their scale.
        """
        terms, plain = exponents(self.degree), to_powers(self.degree)
        stretch = other.scale / self.scale
        shift = (other.centre - self.centre) / self.scale
        matrix = np.zeros((self.size, self.size))
        for e in range(len(self.centre)):
            x, y = (_shifted(self.degree, stretch[e, k], shift[e, k]) for k in range(2))
            both = [[x[i, p] * y[j, q] for (p, q) in terms] for (i, j) in terms]
            one = np.eye(self.terms)
            one[: len(terms), : len(terms)] = np.linalg.solve(plain, both @ plain)
            for axis in range(2):
                row = slice(
                    (2 * e + axis) * self.terms, (2 * e + axis + 1) * self.terms
                )
                matrix[row, row] = one
        return matrix

    def derivatives(self, xy: Array) -> Array:
        """Slopes of the functions by feature: (e, ..., 2) to (e, ..., 2, terms)."""
        slope = slopes(self.scaled(xy), self.degree) @ to_powers(self.degree)
        shape = (len(self.centre), *[1] * (xy.ndim - 2), 2, 1)
        slope = slope / self.scale.reshape(shape)
        none = np.zeros((*slope.shape[:-1], len(self.covariates)))
        return np.concatenate([slope, none], axis=-1)


def supported_degree(places: Sequence[Array]) -> int:
    """The highest degree that the layouts of targets can tell from a lower one.

    Parameters
    ----------
    places : sequence of array (T, 2), degrees
        Where each person's targets were. On three rows and columns a cubic is a
        straight line in disguise, and five points cannot tell x² from y².

    Returns
    -------
    int, 1 to 3
    """
    rows = np.concatenate(places)
    low, high = rows.min(axis=0), rows.max(axis=0)
    scaled = 2.0 * (rows - low) / np.maximum(high - low, 1e-9) - 1.0
    for degree in (3, 2):
        terms = np.stack(
            [scaled[:, 0] ** p * scaled[:, 1] ** q for p, q in exponents(degree)], 1
        )
        new = np.array([p + q == degree for p, q in exponents(degree)])
        fit = np.linalg.lstsq(terms[:, ~new], terms[:, new], rcond=None)[0]
        left = terms[:, new] - terms[:, ~new] @ fit
        # What is left of the new terms, in any mixture of them.
        smallest = np.linalg.eigvalsh(left.T @ left / len(rows))[0]
        if smallest > 1e-3:
            return degree
    return 1
