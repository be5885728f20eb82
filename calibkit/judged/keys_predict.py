"""Where the mean gaze of the next selection will fall, and how often that misses a key.

What moves it is the offset of the mapping, which differs over the screen, and what
differs from look to look. Each target of a validation shows one such sum, so the next
selection is predicted from them as a new observation, not as a plug-in of their mean
and spread: few or scattered targets give wide predictions, hence large keys.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
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
