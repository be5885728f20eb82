"""The pointing trial worked out anew from a recording and a mapping.

The recording is the only truth: it keeps raw gaze, each key's place and time, and an
event for each ask. With another mapping this says what would have been chosen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.kept.recording import Recording
from calibkit.session.pointing_asks import Ask, ask_of
from calibkit.session.pointing_dwell import Dwell, Gaze
from calibkit.session.pointing_grid import Cell, Grid
from calibkit.session.pointing_says import ASK_READ

Array = NDArray[np.float64]

NOWHERE = (math.nan, math.nan)


class Applies(Protocol):
    """A mapping."""

    @property
    def apply(self) -> Callable[[NDArray[np.floating]], Gaze]:
        """From raw samples (n, c) to gaze."""


def asks_of(rec: Recording, mapping: Applies) -> tuple[Ask, ...]:
    """Work out again what was chosen.

    Parameters
    ----------
    rec : Recording
    mapping : Mapping
        The one that was in use gives what happened; another what would have.

    Returns
    -------
    tuple of Ask
        Those that were broken off are left out.

    Raises
    ------
    InputError
        When the recording has no pointing trial, or its events do not fit its targets.
    """
    targets = rec.targets[rec.targets["role"] == "pointing"]
    if not len(targets):
        raise InputError(
            f"the recording {rec.session or rec.name or 'given'} has no pointing "
            "trial; run calibkit pointing with the person"
        )
    rec = rec.in_time_order()
    gaze = mapping.apply(rec.samples)
    found: list[Ask] = []
    dwell: Dwell | None = None
    fed = 0
    for row in targets:
        grid, aim, dwell_s = _asked(rec, row)
        if dwell is None or dwell.grid != grid:
            dwell = Dwell(grid, dwell_s)
        first, last = np.searchsorted(rec.time, [row["onset"], row["offset"]], "right")
        before, during = slice(fed, first), slice(first, last)
        dwell.watch(rec.time[before], gaze.xy[before], gaze.sd[before])
        start = _last_seen(gaze.xy[:first]) if last > first else NOWHERE
        dwell.begin(aim)
        chosen = dwell.feed(rec.time[during], gaze.xy[during], gaze.sd[during])
        fed = int(last)
        if row["kept"]:
            onset_s = float(row["onset"])
            found.append(ask_of(grid, aim, start, onset_s, dwell_s, chosen))
    return tuple(found)


def _last_seen(xy: Array) -> tuple[float, float]:
    seen = np.flatnonzero(np.isfinite(xy).all(axis=1))
    if not len(seen):
        return NOWHERE
    x, y = xy[seen[-1]]
    return float(x), float(y)


def _asked(rec: Recording, row: np.void) -> tuple[Grid, Cell, float]:
    """Grid, key and dwell of a target: the last ask before its onset."""
    before = [text for time_s, text in rec.events if time_s <= row["onset"] + 1e-6]
    for text in reversed(before):
        match = ASK_READ.fullmatch(text)
        if match:
            r, c, rows, columns = (int(match[k]) for k in range(1, 5))
            grid = Grid(setup=rec.setup, rows=rows, columns=columns)
            cell = (r - 1, c - 1)
            if np.allclose(grid.centre(cell), (row["x"], row["y"]), atol=0.5):
                return grid, cell, float(match[5])
            break
    raise InputError(
        f"the pointing target shown at {row['onset']:.3f} s has no event that says on "
        "which grid it was; the recording was not made by calibkit pointing"
    )
