"""A key is chosen by looking at it for a while: dwell with hysteresis, by samples.

Gaze that strays out of a key by no more than its own uncertainty has not left it, and a
blink stops the time but does not set it back. Both hold for a key only once gaze has
been in it; the first sample that lies further out, or a longer loss, starts anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.session.pointing_grid import Cell, Grid

Array = NDArray[np.float64]

# 0.5 to 1 s are usual for people who are used to it, 1 to 2 s for beginners (practice).
DWELL_S = 0.8
# How far out still counts: one sd of the gaze, but no more than this part of a key.
MARGIN_SD, MARGIN_KEY = 1.0, 0.2
# Gaze this much of a key beside the screen is no longer on it.
OUTSIDE_KEY = 0.5
# Longer than a blink (0.1 to 0.4 s): gaze is gone, and so is the dwell.
LOST_S = 0.4
# Steps between samples are held to this, so that a gap is no looking.
STEP_S = 0.1


class Gaze(Protocol):
    """What a mapping answers."""

    @property
    def xy(self) -> Array:
        """Gaze (n, 2), px."""

    @property
    def sd(self) -> Array:
        """Its sd (n, 2), px."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Chosen:
    """A key that was looked at long enough.

    Parameters
    ----------
    cell : (row, column)
    began_s, time_s : float
        When the look began, and when it had lasted long enough.
    gaze_px : array (k, 2)
        Gaze of the dwell.
    """

    cell: Cell
    began_s: float
    time_s: float
    gaze_px: Array


class Dwell:
    """Watches calibrated gaze and says when a key has been chosen.

    Parameters
    ----------
    grid : Grid
    dwell_s : float
        How long a key must be looked at.
    """

    def __init__(self, grid: Grid, dwell_s: float = DWELL_S) -> None:
        self.grid, self._dwell_s = grid, dwell_s
        self._cell: Cell | None = None
        self._barred: Cell | None = None
        self._held_s = 0.0
        self._began_s = self._seen_s = self._last_s = float("-inf")
        self._gaze: list[Array] = []

    def begin(self, aim: Cell) -> None:
        """Start anew; the key that gaze rests on must be left before it can count.

        Otherwise a person who is slow to set out would choose what they were asked for
        before. It need not be left when it is the aim.
        """
        self._barred = None if self._cell == aim else self._cell
        self._cell, self._gaze = None, []

    def feed(self, times: Array, xy: Array, sd: Array) -> Chosen | None:
        """Take gaze (n, 2) with sd (n, 2), px, at times (n,); NaN where there is none.

        Returns
        -------
        Chosen, once a dwell is complete; what came after it in this call is not used
        """
        for time_s, place, spread in zip(times.tolist(), xy, sd, strict=True):
            if self._take(time_s, place, spread):
                assert self._cell is not None
                return Chosen(
                    cell=self._cell,
                    began_s=self._began_s,
                    time_s=time_s,
                    gaze_px=np.array(self._gaze),
                )
        return None

    def watch(self, times: Array, xy: Array, sd: Array) -> None:
        """Take gaze while nothing is asked for, to know where it rests."""
        for time_s, place, spread in zip(times.tolist(), xy, sd, strict=True):
            self._take(time_s, place, spread)
        self._gaze = []

    def _take(self, time_s: float, place: Array, spread: Array) -> bool:
        step_s = min(max(time_s - self._last_s, 0.0), STEP_S)
        self._last_s = time_s
        if not np.isfinite(place).all():
            if time_s - self._seen_s > LOST_S:
                self._cell = self._barred = None
            return False
        self._seen_s = time_s
        if self._is_outside(place):
            self._cell = self._barred = None
            return False
        margin = np.minimum(
            MARGIN_SD * np.nan_to_num(spread), MARGIN_KEY * np.array(self.grid.key_px)
        )
        if self._barred is not None:
            if not (self.grid.beyond(self._barred, place) > margin).any():
                return False
            self._barred = None
        cell = self._cell
        if cell is None or (self.grid.beyond(cell, place) > margin).any():
            self._cell, self._held_s = self.grid.at(place), 0.0
            self._began_s, self._gaze = time_s, [place]
            return False
        self._held_s += step_s
        self._gaze.append(place)
        return self._held_s >= self._dwell_s

    def _is_outside(self, place: Array) -> bool:
        size = np.asarray(self.grid.setup.screen_px, float)
        far = OUTSIDE_KEY * np.array(self.grid.key_px)
        return bool(((place < -far) | (place > size + far)).any())
