"""How many keys a screen can hold, from a validation and its uncertainty.

A selection is a dwell: the mean gaze of about a second falls in a key or beside it.
`keys_predict` says how often; this finds the grid that keeps the promise on every key.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import CallError
from calibkit.geometry import Setup
from calibkit.judged.keys_predict import Prediction, miss_probability, predict

Array = NDArray[np.float64]

# Longer keys would count as many, but hold no word and no picture (common practice, no
# source).
LONGEST = 2.0
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


def usable_keys(
    result: Validated, setup: Setup, reliability: float = 0.95
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
        With rows = columns = 0 where even one key as large as the screen is too little.

    Raises
    ------
    CallError
        When the reliability does not lie between 0 and 1.

    Notes
    -----
    Of all grids that are reliable enough, the one with the most keys, none of them
    more than `LONGEST` times as long as wide; of equals, the squarest. Asking for more
    reliability can only shrink the choice, so it never gives more keys. More targets
    that say the same may give fewer: a corner's bias is then believed.
    """
    if not 0 < reliability < 1:
        raise CallError(
            f"reliability is {reliability:g}; give a probability between 0 and 1, "
            "such as 0.95"
        )
    prediction = predict(result.targets, setup)
    best = np.zeros((0, 0))
    if prediction is not None:
        best = max(
            _reliable(prediction, setup, 1 - reliability),
            key=lambda grid: (grid.size, -_elongation(setup, *grid.shape)),
            default=best,
        )
    return _keys(best, setup, reliability, prediction.targets if prediction else 0)


def _reliable(prediction: Prediction, setup: Setup, allowed: float) -> list[Array]:
    """For every number of rows the grid with most columns, as misses (r, c)."""
    whole = miss_probability(prediction, setup, 1, 1)
    found = [whole] if whole.max() <= allowed else []
    most_columns, most_rows = _finest(setup)
    for rows in range(1, most_rows + 1) if found else ():
        shapes = [
            columns
            for columns in range(1, most_columns + 1)
            if _elongation(setup, rows, columns) <= LONGEST
        ]
        best = _most_columns(prediction, setup, rows, shapes, allowed)
        if best is not None:
            found.append(best)
        elif shapes:
            break
    return found


def _most_columns(
    prediction: Prediction, setup: Setup, rows: int, shapes: list[int], allowed: float
) -> Array | None:
    best = None
    low, high = 0, len(shapes)
    # Narrower keys are missed more often, so halving finds the last good one.
    while low < high:
        middle = (low + high) // 2
        grid = miss_probability(prediction, setup, rows, shapes[middle])
        if grid.max() <= allowed:
            best, low = grid, middle + 1
        else:
            high = middle
    return best


def _finest(setup: Setup) -> tuple[int, int]:
    """Columns and rows of keys as small as `SMALLEST_DEG`."""
    least_mm = 2 * setup.viewpoint_mm[2] * math.tan(math.radians(SMALLEST_DEG / 2))
    wide, high = setup.screen_mm
    return max(1, int(wide // least_mm)), max(1, int(high // least_mm))


def _elongation(setup: Setup, rows: int, columns: int) -> float:
    wide, high = setup.screen_mm[0] / columns, setup.screen_mm[1] / rows
    return max(wide / high, high / wide)


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
