"""What to ask next: how fine a grid, which of its keys. Worked out, never from a list.

Where the next selection will fall is predicted from the check points and from every ask
so far. A grid's difficulty is the mean share of misses that is predicted for it; the
trial begins where few are, and allows more after each grid that went well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.geometry import Setup
from calibkit.judged import keys
from calibkit.judged.keys_predict import Prediction, miss_probability, predict
from calibkit.session.pointing_asks import OFFSET_DTYPE, Ask, offsets
from calibkit.session.pointing_grid import Cell, Grid

Array = NDArray[np.float64]

# Predicted misses of the first grid, how they grow with each success, and their end.
FIRST_MISSES, HARDER, MOST_MISSES = 0.02, 1.8, 0.35
# Finer grids hold more keys than anybody could be asked for.
MOST_ROWS = 10
# A key closer than this to the last asks for no real movement of the eyes.
LEAST_MOVE_DEG = 3.0


def known_rows(
    checks: NDArray[np.void] | None, asks: Sequence[Ask], setup: Setup
) -> NDArray[np.void]:
    """Offsets of check points and of asks in one table, OFFSET_DTYPE."""
    own = offsets(asks, setup)
    if checks is None:
        return own
    rows = np.zeros(len(checks), OFFSET_DTYPE)
    names = checks.dtype.names or ()
    for name in OFFSET_DTYPE.names or ():
        rows[name] = checks[name] if name in names else (name == "looked")
    return np.concatenate([rows, own])


def vague(setup: Setup, sd_deg: float) -> Prediction:
    """Prediction without a single check point: from the mapping's own uncertainty."""
    flat = np.zeros((6, 6))
    return Prediction(
        coefficients=np.zeros((6, 2)),
        inverse=flat,
        variance=np.full(2, max(sd_deg, 0.5) ** 2),
        dwell_variance=np.zeros(2),
        freedom=2.0,
        targets=0,
    )


def prediction(
    rows: NDArray[np.void], setup: Setup, dwell_s: float, sd_deg: float
) -> Prediction:
    """Where the next selection will fall, from all that is known."""
    return predict(rows, setup, dwell_s) or vague(setup, sd_deg)


def hit_share(guess: Prediction, setup: Setup, rows: int, columns: int) -> float:
    """Predicted mean share of hits over a grid's keys."""
    return float(1.0 - miss_probability(guess, setup, rows, columns).mean())


def shapes(setup: Setup) -> list[tuple[int, int]]:
    """All grids that may be offered, fewest keys first.

    None of the keys is more than `keys.LONGEST` times as long as wide or smaller than
    `keys.SMALLEST_DEG`.
    """
    depth = setup.viewpoint_mm[2]
    least_mm = 2.0 * depth * math.tan(math.radians(keys.SMALLEST_DEG / 2.0))
    wide, high = setup.screen_mm
    found = [(1, 1)]
    for rows in range(1, min(int(high // least_mm), MOST_ROWS) + 1):
        fewest = math.ceil(wide * rows / (high * keys.LONGEST) - 1e-9)
        most = math.floor(wide * rows * keys.LONGEST / high + 1e-9)
        for columns in range(max(1, fewest), most + 1):
            if wide / columns >= least_mm and (rows, columns) != (1, 1):
                found.append((rows, columns))
    return sorted(found, key=lambda s: (s[0] * s[1], -s[0]))


def finest(
    guess: Prediction, setup: Setup, misses: float, above: int = 0
) -> tuple[int, int] | None:
    """Grid with most keys whose predicted share of misses is allowed.

    Parameters
    ----------
    guess : Prediction
    setup : Setup
    misses : float, 0-1
        Allowed mean share.
    above : int
        Only grids with more keys than this.

    Returns
    -------
    (rows, columns), or None where there is none; never just one key
    """
    allowed = [
        (rows, columns)
        for rows, columns in shapes(setup)
        if rows * columns > max(above, 1)
        and 1.0 - hit_share(guess, setup, rows, columns) <= misses
    ]
    return allowed[-1] if allowed else None


def coarser(guess: Prediction, setup: Setup, most: int) -> tuple[int, int] | None:
    """Grid of two to `most` keys that is best hit of those with nearly as many."""
    few = [shape for shape in shapes(setup) if 2 <= shape[0] * shape[1] <= most]
    if not few:
        return None
    largest = max(rows * columns for rows, columns in few)
    near = [shape for shape in few if shape[0] * shape[1] > 0.75 * largest]
    return max(near, key=lambda shape: hit_share(guess, setup, *shape))


def next_cell(
    grid: Grid,
    guess: Prediction,
    asked: Sequence[Cell],
    last_px: tuple[float, float],
    rng: np.random.Generator,
) -> Cell:
    """Key to ask for: one of which least is known, not near the last.

    Parameters
    ----------
    grid : Grid
    guess : Prediction
    asked : sequence of cells
        Already asked for on this grid.
    last_px : pair of float
        Where gaze is thought to be; NaN where that is not known.
    rng : Generator

    Returns
    -------
    (row, column)
    """
    cells = grid.cells()
    centres = np.array([grid.centre(cell) for cell in cells])
    miss = miss_probability(guess, grid.setup, grid.rows, grid.columns).ravel()
    # A key whose outcome is open teaches most; chance keeps it from being foreseen.
    worth = miss * (1.0 - miss) + 0.01
    counts = np.array([list(asked).count(cell) for cell in cells])
    worth[counts > counts.min()] = 0.0
    if np.isfinite(last_px).all():
        away = geometry.angle_between(grid.setup, last_px, centres)
        here = grid.at(last_px)
        near = (away < LEAST_MOVE_DEG) | np.array([cell == here for cell in cells])
        if (worth[~near] > 0).any():
            worth[near] = 0.0
        elif (~near).any():
            worth = np.where(near, 0.0, 1.0)
    return cells[int(rng.choice(len(cells), p=worth / worth.sum()))]


def reliable_keys(
    rows: NDArray[np.void], setup: Setup, reliability: float, most: int
) -> keys.UsableKeys:
    """Keys by the rule of `usable_keys`, with no more of them than a trial allows.

    Parameters
    ----------
    rows : structured array, OFFSET_DTYPE
    setup : Setup
    reliability : float, 0-1
        Of the worst key.
    most : int
        Number of keys not to be exceeded.

    Returns
    -------
    UsableKeys
    """
    found = keys.usable_keys(
        SimpleNamespace(targets=rows), setup=setup, reliability=reliability
    )
    guess = predict(rows, setup)
    if found.rows * found.columns <= most or guess is None:
        return found
    few = [shape for shape in shapes(setup) if shape[0] * shape[1] <= most]
    for rows_, columns in reversed(few):
        miss = miss_probability(guess, setup, rows_, columns)
        if miss.max() <= 1.0 - reliability:
            return _as_keys(miss, setup, found)
    return _as_keys(np.zeros((0, 0)), setup, found)


def _as_keys(miss: Array, setup: Setup, found: keys.UsableKeys) -> keys.UsableKeys:
    rows, columns = miss.shape
    if not miss.size:
        nothing = (math.nan, math.nan)
        return replace(found, rows=0, columns=0, key_deg=nothing, key_mm=nothing,
                       probability=math.nan, worst=(0, 0))  # fmt: skip
    mm = (setup.screen_mm[0] / columns, setup.screen_mm[1] / rows)
    depth = setup.viewpoint_mm[2]
    wide, high = (2.0 * math.degrees(math.atan2(side / 2.0, depth)) for side in mm)
    at = np.unravel_index(int(miss.argmax()), miss.shape)
    return replace(found, rows=rows, columns=columns, key_deg=(wide, high), key_mm=mm,
                   probability=float(1.0 - miss.max()),
                   worst=(int(at[0]), int(at[1])))  # fmt: skip
