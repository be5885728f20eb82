"""Raw features of a camera that stands upright, or a map that a lapse is part of.

They go right and down with gaze, by about as much; seen in a mirror they change sign.
An affine map is free to take each axis from both, and three looks, of which one or two
were elsewhere, make it do so: that tells them where nothing else does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis
from calibkit.fitted.estimate import TRUSTED, Estimate

Array = NDArray[np.float64]

# Sd of the share that each axis takes of the other, and of the logarithm of their
# ratio: of three simulators' attentive people up to 0.2 and 0.4, of maps that lapses
# are part of 0.1 to 26.
CROSSED_SD, UNEQUAL_SD = 0.15, 0.5
# So many looks agree with a skewed map by chance; with more, the camera is not upright.
MOST_BY_CHANCE = 4
# Squared sds that are nothing to wonder at, and those beyond at which half of what a
# map says is unsure.
USUAL, HALF = 1.0, 4.0


def skewed(gain: Array) -> Array:
    """How unlike those of an upright camera gains are, in squared sds (...).

    Parameters
    ----------
    gain : array (..., 2, 2)
        Degrees of gaze right and down per unit of either feature.
    """
    own = np.abs(np.diagonal(gain, axis1=-2, axis2=-1))
    crossed = np.sum(gain**2, axis=(-2, -1)) - np.sum(own**2, axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.sqrt(np.maximum(crossed, 0.0) / np.sum(own**2, axis=-1))
        ratio = np.abs(np.log(own[..., 1] / own[..., 0]))
    away = (share / CROSSED_SD) ** 2 + (ratio / UNEQUAL_SD) ** 2
    squared: Array = np.nan_to_num(away, nan=np.inf)
    return squared


def unsure_if_skewed(basis: Basis, found: Estimate) -> Estimate:
    """Return an estimate of raw features by few looks, unsure as far as it is skewed.

    Parameters
    ----------
    basis : Basis
    found : Estimate
        Without other people's prior.
    """
    if int((found.trust >= TRUSTED).sum()) > MOST_BY_CHANCE:
        return found
    eyes, weights = len(basis.centre), basis.straight(found.weights.mean)
    gain = (weights / basis.scale[:, None, :]).mean(axis=0)
    beyond = max(float(skewed(gain)) - USUAL, 0.0)
    if beyond == 0.0:
        return found
    share = 1.0 if np.isinf(beyond) else beyond / (beyond + HALF)
    # As much root mean square over the screen as the map makes gaze move on it.
    each = (basis.group <= 1) / 3.0
    wider = np.diag(np.tile(share * np.mean(weights**2) * each, 2))
    cov = found.weights.cov + np.tile(wider, (eyes, eyes))
    return replace(found, weights=replace(found.weights, cov=cov))
