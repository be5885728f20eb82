"""How many keys a screen can hold, from a validation and its uncertainty.

A selection is a dwell: the mean gaze of about a second falls in a key or beside it.
What moves that mean is the offset of the mapping, which differs over the screen, and
what differs from look to look. Each target of a validation shows one such sum, so the
next selection is predicted from them as a new observation, not as a plug-in of their
mean and spread: few or scattered targets give wide predictions, hence large keys.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import CallError
from calibkit.geometry import Setup

Array = NDArray[np.float64]

# A dwell of 0.5 to 1 s is common practice; no source settles one value.
DWELL_S = 0.8
# One target's worth of belief in half a degree from look to look (the floor of
# pupil-based trackers, Hooge et al.): identical offsets by luck are not certainty.
PRIOR_SD_DEG = 0.5
PRIOR_TARGETS = 1.0
# Tilt and bend of the offset over half a screen may be as large as the spread from
# look to look: precisions of 1, x, y, x^2, xy, y^2 in units of that spread. Chosen by
# Monte Carlo so that the worst key keeps its promise on average (tests/test_keys.py).
SHAPE_PRECISION = np.array([0.0, 1.0, 1.0, 1.0, 1.0, 1.0])
# Below this no key is drawn, however good the figures: eyes at rest wander as much.
SMALLEST_DEG = 0.5


class Validated(Protocol):
    """What the key size needs of an assessment."""

    @property
    def targets(self) -> NDArray[np.void]:
        """One row per target."""


@dataclass(frozen=True, kw_only=True)
class UsableKeys:
    """The finest grid of equal keys over the whole screen that is reliable enough.

    Parameters
    ----------
    rows, columns : int
        Both 0 where no grid is possible.
    key_deg, key_mm : pair of float
        Width and height of a key; degrees as seen at the screen's centre.
    reliability : float
        What was asked for.
    probability : float
        What the worst key of this grid is predicted to reach.
    worst : pair of int
        Row and column of that key, from 0 at the top left.
    targets : int
        How many targets this rests on.
    """

    rows: int
    columns: int
    key_deg: tuple[float, float]
    key_mm: tuple[float, float]
    reliability: float
    probability: float
    worst: tuple[int, int]
    targets: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Prediction:
    """Where the mean gaze of the next selection will fall, as an offset from its aim.

    Per axis Student's t with `freedom` degrees: location `coefficients` (6, 2) of
    1, x, y, x^2, xy, y^2 (screen from -1 to 1), squared scale `variance` (2,) times
    1 + leverage by `inverse` (6, 6), plus `dwell_variance` (2,) for a dwell shorter
    than the looks.
    """

    coefficients: Array
    inverse: Array
    variance: Array
    dwell_variance: Array
    freedom: float
    targets: int

    def at(self, place: Array) -> tuple[Array, Array]:
        """Location and scale, (n, 2) degrees each, at places (n, 2) from -1 to 1."""
        design = _design(place)
        leverage = np.einsum("ni,ij,nj->n", design, self.inverse, design)
        spread = self.variance * (1 + leverage)[:, None] + self.dwell_variance
        return design @ self.coefficients, np.sqrt(spread)


def _design(place: Array) -> Array:
    x, y = place.T
    return np.column_stack([np.ones(len(place)), x, y, x * x, x * y, y * y])


def _place(setup: Setup, xy: Array) -> Array:
    return 2 * xy / np.asarray(setup.screen_px, float) - 1


def predict(
    targets: NDArray[np.void], setup: Setup, dwell_s: float = DWELL_S
) -> Prediction | None:
    """Learn from a validation where selections will fall.

    Parameters
    ----------
    targets : structured array
        An assessment's rows; those never seen or not looked at are left out.
    setup : Setup
    dwell_s : float
        How long the gaze of one selection is averaged.

    Returns
    -------
    Prediction, or None when no target was looked at

    Notes
    -----
    Conjugate normal regression with unknown variance (Gelman et al., Bayesian Data
    Analysis, chapter 14): flat offset, tilt and bend with a normal prior, inverse
    gamma variance.
    """
    known = targets[np.isfinite(targets["accuracy_deg"])]
    if "looked" in (known.dtype.names or ()):
        known = known[known["looked"]]
    if not len(known):
        return None
    y = np.column_stack([known["offset_x_deg"], known["offset_y_deg"]])
    x = _design(_place(setup, np.column_stack([known["x"], known["y"]])))
    precision = x.T @ x + np.diag(SHAPE_PRECISION)
    inverse = np.linalg.inv(precision)
    coefficients = inverse @ x.T @ y
    # y'y - b'Pb, in a form that cannot go below zero by rounding.
    residual = ((y - x @ coefficients) ** 2).sum(axis=0)
    residual += SHAPE_PRECISION @ coefficients**2
    freedom = len(known) - 1 + PRIOR_TARGETS
    return Prediction(
        coefficients=coefficients,
        inverse=inverse,
        variance=(residual + PRIOR_TARGETS * PRIOR_SD_DEG**2) / freedom,
        dwell_variance=_dwell_variance(known, dwell_s),
        freedom=freedom,
        targets=len(known),
    )


def _dwell_variance(known: NDArray[np.void], dwell_s: float) -> Array:
    """Variance that a dwell has beyond the longer looks of the validation."""
    if "effective_samples" not in (known.dtype.names or ()):
        return np.zeros(2)
    within = np.column_stack([known["variance_x_deg2"], known["variance_y_deg2"]])
    shorter = np.maximum(known["seconds"] / dwell_s - 1, 0) / known["effective_samples"]
    more = np.nan_to_num(within * shorter[:, None])
    return np.asarray(more.mean(axis=0))


def miss_probability(
    prediction: Prediction, setup: Setup, rows: int, columns: int
) -> Array:
    """Probability that a selection misses the key aimed at, for every key.

    Parameters
    ----------
    prediction : Prediction
    setup : Setup
    rows, columns : int
        Of a grid of equal keys over the whole screen.

    Returns
    -------
    array (rows, columns), 0-1

    Notes
    -----
    Both axes together, taken as independent; for errors that go together this errs
    on the safe side (Sidak 1967, J. Am. Stat. Assoc. 62:626). The edges of a key are
    exact angles from its centre.
    """
    from scipy.special import stdtr

    size = np.asarray(setup.screen_px, float) / (columns, rows)
    down, across = np.mgrid[0:rows, 0:columns]
    centres = (np.column_stack([across.ravel(), down.ravel()]) + 0.5) * size
    location, scale = prediction.at(_place(setup, centres))
    miss = np.zeros(len(centres))
    for axis in (0, 1):
        half = np.zeros(2)
        half[axis] = size[axis] / 2
        low = geometry.offset_deg(setup, centres, centres - half)[:, axis]
        high = geometry.offset_deg(setup, centres, centres + half)[:, axis]
        below = stdtr(prediction.freedom, (low - location[:, axis]) / scale[:, axis])
        above = stdtr(prediction.freedom, (location[:, axis] - high) / scale[:, axis])
        # A sum of small numbers, not 1 minus a product, which would lose them.
        miss += (below + above) * (1 - miss)
    return miss.reshape(rows, columns)


def usable_keys(
    result: Validated, *, setup: Setup, reliability: float = 0.95
) -> UsableKeys:
    """Find the finest grid of keys whose worst key is reliable enough.

    Parameters
    ----------
    result : Assessment
        Of validation targets.
    setup : Setup
    reliability : float, between 0 and 1
        Joint probability, both axes, that one selection's mean gaze falls in the key
        aimed at, for the worst key, the validation's own uncertainty included.

    Returns
    -------
    UsableKeys
        rows = columns = 0 where even one key as large as the screen is too little.

    Raises
    ------
    CallError
        When the reliability does not lie between 0 and 1.

    Notes
    -----
    From one key on, the grid gains a row or a column, whichever leaves the worst key
    better off, while that key stays reliable enough. The path does not depend on the
    reliability, so asking for more never gives more rows or columns.
    """
    if not 0 < reliability < 1:
        raise CallError(
            f"reliability is {reliability:g}; give a probability between 0 and 1, "
            "such as 0.95"
        )
    prediction = predict(result.targets, setup)
    best = np.zeros((0, 0))
    if prediction is not None:
        grid = miss_probability(prediction, setup, 1, 1)
        while grid.max() <= 1 - reliability:
            best = grid
            finer = _finer(prediction, setup, *grid.shape)
            if finer is None:
                break
            grid = finer
    return _keys(best, setup, reliability, prediction.targets if prediction else 0)


def _finer(
    prediction: Prediction, setup: Setup, rows: int, columns: int
) -> Array | None:
    choices = [
        miss_probability(prediction, setup, r, c)
        for r, c in ((rows, columns + 1), (rows + 1, columns))
        if min(_key_size(setup, r, c)[0]) >= SMALLEST_DEG
    ]
    return min(choices, key=lambda grid: float(grid.max()), default=None)


def _key_size(
    setup: Setup, rows: int, columns: int
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Width and height of a key in degrees at the screen's centre, and in mm."""
    mm = (setup.screen_mm[0] / columns, setup.screen_mm[1] / rows)
    depth = setup.viewpoint_mm[2]
    wide, high = (2 * math.degrees(math.atan2(side / 2, depth)) for side in mm)
    return (wide, high), mm


def _keys(miss: Array, setup: Setup, reliability: float, targets: int) -> UsableKeys:
    rows, columns = miss.shape
    nothing = (math.nan, math.nan)
    deg, mm = _key_size(setup, rows, columns) if miss.size else (nothing, nothing)
    at = np.unravel_index(int(miss.argmax()), miss.shape) if miss.size else (0, 0)
    return UsableKeys(
        rows=rows,
        columns=columns,
        key_deg=deg,
        key_mm=mm,
        reliability=reliability,
        probability=float(1 - miss.max()) if miss.size else math.nan,
        worst=(int(at[0]), int(at[1])),
        targets=targets,
    )
