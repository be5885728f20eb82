"""Shrinking a covariance over people to what is known of how people differ.

Faces are alike left and right. Seen in a mirror, a person's right eye is a left one:
offsets right, rolls and half of the bends change sign, and how people differ is the
same as before. So each person stands for two; and eyes whose offsets go apart, but up
together, need not share one number for both. What goes together by anatomy is known of
some trackers, too (`anatomy`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis, exponents

Array = NDArray[np.float64]

# What is known beforehand is worth so many people, by group of functions: the rest is
# the people's own covariance. What people have in cubics and covariates cannot be told
# from a few looks each.
STRUCTURE_PEOPLE = (50.0, 50.0, 100.0, 100.0, 300.0)
# Of so many people the mirrored covariance and the plain one count alike; of fewer,
# mostly the plain one, since few people's functions seem to go together. (Simulated
# people: with 6 in the place of 20, regions at one point held 0.81 to 0.85.)
ENOUGH_PEOPLE = 20.0
BENT = 2  # up to this degree, functions of people go together


def structured(
    cov: Array, basis: Basis, count: int, known: Array | None = None
) -> Array:
    """Shrink a covariance over people towards a mirrored and a plain one.

    Parameters
    ----------
    cov : array (d, d)
    basis : Basis
    count : int
        How many people it is of.
    known : array (d, d), optional
        What goes together by anatomy, each kind's mean variance 1: in the plain one's
        place, up to the bends.

    Returns
    -------
    array (d, d), positive definite
    """
    apart = ENOUGH_PEOPLE**2 / (count**2 + ENOUGH_PEOPLE**2)
    one = plain(cov, basis)
    if known is not None:
        sd = np.sqrt(np.diag(one))
        one = np.where(_bent(basis), known * np.outer(sd, sd), one)
    target = apart * one + (1.0 - apart) * _together(cov, one, basis)
    worth = np.tile(np.array(STRUCTURE_PEOPLE)[basis.group], len(cov) // basis.terms)
    own, rest = np.sqrt(count / (count + worth)), np.sqrt(worth / (count + worth))
    out: Array = np.outer(own, own) * cov + np.outer(rest, rest) * target
    return 0.5 * (out + out.T) + 1e-9 * np.eye(len(out))


def mirrored(cov: Array, basis: Basis) -> Array:
    """Covariance of the same people in a mirror: eyes change places, right is left.

    A function of x^p y^q changes sign with x where p is odd, and what it adds to gaze
    right or left changes sign with that.
    """
    eyes = len(basis.centre)
    sign = np.ones((2, basis.terms))
    for k, (p, _) in enumerate(exponents(basis.degree)):
        sign[:, k] = (-1.0) ** p
    sign[0] *= -1.0
    every = np.tile(sign.ravel(), eyes)
    order = np.arange(len(cov)).reshape(eyes, -1)[::-1].ravel()
    found: Array = cov[np.ix_(order, order)] * every[:, None] * every
    return found


def kinds(basis: Basis) -> NDArray[np.int_]:
    """Kind of each weight, (d,): its group of functions, gains apart from the rest.

    Gains are of another kind than what one axis takes from the other.
    """
    found = np.tile(2 * basis.group, (2, 1))
    for axis in range(2):
        found[axis, 1 + axis] += 1
    return np.tile(found.ravel(), len(basis.centre))


def plain(cov: Array, basis: Basis) -> Array:
    """Keep for each kind of function its mean variance, and what both eyes share."""
    kind, eyes = kinds(basis), len(basis.centre)
    half = len(cov) // eyes
    both = np.zeros(half) if eyes == 1 else np.diag(cov[:half, half:])
    variances, out = np.diag(cov), np.zeros_like(cov)
    for k in np.unique(kind):
        rows = np.flatnonzero(kind == k)
        first = rows[rows < half]
        own = variances[rows].mean()
        across = float(np.clip(both[first].mean(), -0.95 * own, 0.95 * own))
        out[rows, rows] = own
        if eyes == 2:
            out[first, first + half] = out[first + half, first] = across
    return out


def _together(cov: Array, one: Array, basis: Basis) -> Array:
    """Mean of the people and of them mirrored; higher functions stay plain."""
    mean = 0.5 * (cov + mirrored(cov, basis))
    found: Array = np.where(_bent(basis), mean, one)
    return found


def _bent(basis: Basis) -> NDArray[np.bool_]:
    """Pairs of weights (d, d) of people that may go together."""
    bent = np.tile(basis.group <= BENT, basis.size // basis.terms)
    pairs: NDArray[np.bool_] = bent[:, None] & bent
    return pairs
