"""Whether a mapping will do for keys of a chosen size, before anything was checked.

A running session asks this after each point, to stop as soon as the keys that are
wanted can be expected. What was checked says more, and `keys` takes over then.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup, offset_deg, px_to_angles

Array = NDArray[np.float64]

RELIABILITY = 0.95


def expected_hit(mapping: Mapping, rows: int, columns: int) -> float:
    """Probability that a selection falls in the key aimed at, for the worst key.

    Parameters
    ----------
    mapping : Mapping
    rows, columns : int
        Of a grid of equal keys over the mapping's whole screen.

    Returns
    -------
    float, 0-1

    Notes
    -----
    From the mapping's own sd alone, one sample's noise included; a dwell averages that
    noise, so this errs on the safe side. A session should stop at `RELIABILITY`.
    """
    centres = _centres(mapping.setup, rows, columns)
    hv = px_to_angles(mapping.setup, centres)
    hits = hit_probability(
        mapping.evaluator.spread_at(hv), mapping.setup, rows, columns
    )
    return float(hits.min())


def hit_probability(sd_deg: Array, setup: Setup, rows: int, columns: int) -> Array:
    """Probability of a hit on each key, gaze being normal about the key's middle.

    Parameters
    ----------
    sd_deg : array (rows * columns, 2) or anything that spreads to it, degrees
        Of the mean gaze of a selection, each axis.
    setup : Setup
    rows, columns : int

    Returns
    -------
    array (rows * columns,), row by row

    Notes
    -----
    Both axes together: the product of two normal intervals. A square key needs a half
    width of 2.236 sd for 95 %.
    """
    from scipy.special import ndtr

    size = np.asarray(setup.screen_px, float) / (columns, rows)
    centres = _centres(setup, rows, columns)
    spread = np.broadcast_to(sd_deg, centres.shape)
    hits = np.ones(len(centres))
    for axis in (0, 1):
        half = np.zeros(2)
        half[axis] = size[axis] / 2
        low = offset_deg(setup, centres, centres - half)[:, axis]
        high = offset_deg(setup, centres, centres + half)[:, axis]
        hits *= ndtr(high / spread[:, axis]) - ndtr(low / spread[:, axis])
    return hits


def _centres(setup: Setup, rows: int, columns: int) -> Array:
    down, across = np.mgrid[0:rows, 0:columns]
    places = np.column_stack([across.ravel(), down.ravel()]) + 0.5
    return places * np.asarray(setup.screen_px, float) / (columns, rows)
