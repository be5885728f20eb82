"""What goes together in how people differ, by eyes' anatomy and a tracker's optics.

A flatter cornea changes both gains of both eyes; an eye that looks past its own axis
shifts, and bends with the shift. A few people cannot tell that from chance; simulated
people with physical eyes can (`anatomy_make`). Of them only this is used: how variances
of one kind of function compare, and what goes with what. How far people differ is told
by the people themselves.
"""

from __future__ import annotations

import json
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis, exponents
from calibkit.fitted.features import Layout
from calibkit.fitted.prior import symmetric
from calibkit.fitted.starter import FOLDER
from calibkit.fitted.structured import kinds

Array = NDArray[np.float64]

DEGREE = 3
# File by kind of features.
FILES = {
    "screen": "screen",
    "direction": "screen",
    "pupil-reflex": "pupil-reflex",
    "pupil": "webcam",
}


def anatomy(plan: Layout, basis: Basis) -> Array | None:
    """Return a covariance over people, (d, d), whose every kind has mean variance 1.

    Rows of functions of which nothing is known are 0.

    Parameters
    ----------
    plan : Layout
    basis : Basis
        Features fill about [-1, 1]² of it, as those of the simulated people did.

    Returns
    -------
    array, or None where such a tracker was not simulated
    """
    read = {source.kind for source in plan.eyes}
    name = FILES.get(next(iter(read), ""))
    if len(plan.eyes) != 2 or len(read) != 1 or name is None:
        return None
    found = _load(name)
    if found is None:
        return None
    every, own = len(exponents(DEGREE)), len(exponents(basis.degree))
    out = np.zeros((basis.size, basis.size))
    rows = np.arange(basis.size).reshape(-1, basis.terms)[:, :own].ravel()
    here = np.arange(4 * every).reshape(-1, every)[:, :own].ravel()
    out[np.ix_(rows, rows)] = found[np.ix_(here, here)]
    return _scaled(out, basis)


@cache
def _load(name: str) -> Array | None:
    path = FOLDER / f"{name}.anatomy.json"
    if not path.exists():
        return None
    plain = json.loads(path.read_text(encoding="utf-8"))
    return symmetric(plain["cov"], 4 * len(exponents(DEGREE)))


def _scaled(cov: Array, basis: Basis) -> Array:
    kind, variance = kinds(basis), np.diag(cov).copy()
    factor = np.zeros(len(cov))
    for k in np.unique(kind):
        mean = variance[kind == k].mean()
        factor[kind == k] = 1.0 / np.sqrt(mean) if mean > 0.0 else 0.0
    scaled: Array = cov * np.outer(factor, factor)
    return scaled
