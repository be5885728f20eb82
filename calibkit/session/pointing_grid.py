"""A grid of keys over the whole screen, and which key a gaze lies in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit.geometry import Setup
from calibkit.session import session_words as words

Array = NDArray[np.float64]
Cell = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Equal keys side by side; a cell is (row, column), from 0 at the top left."""

    setup: Setup
    rows: int
    columns: int

    @property
    def key_px(self) -> tuple[float, float]:
        """Width and height of a key."""
        width, height = self.setup.screen_px
        return width / self.columns, height / self.rows

    @property
    def count(self) -> int:
        """Number of keys."""
        return self.rows * self.columns

    def centre(self, cell: Cell) -> tuple[float, float]:
        """Middle of a key, px."""
        width, height = self.key_px
        return (cell[1] + 0.5) * width, (cell[0] + 0.5) * height

    def cells(self) -> tuple[Cell, ...]:
        """All keys, row by row."""
        return tuple((r, c) for r in range(self.rows) for c in range(self.columns))

    def at(self, xy: ArrayLike) -> Cell:
        """Key nearest to a finite place: gaze beside the screen is held to its edge."""
        x, y = np.asarray(xy, float)
        width, height = self.key_px
        row = min(max(int(y // height), 0), self.rows - 1)
        return row, min(max(int(x // width), 0), self.columns - 1)

    def beyond(self, cell: Cell, xy: ArrayLike) -> Array:
        """How far a place lies beyond a key's edges, (2,) px; 0 within and off-screen.

        Off the screen there is no other key, so the outer edges do not count.
        """
        size = np.array(self.key_px)
        low = np.array([cell[1], cell[0]]) * size
        inside = np.clip(np.asarray(xy, float), 0.0, np.asarray(self.setup.screen_px))
        away: Array = np.maximum(np.maximum(low - inside, inside - low - size), 0.0)
        return away


@dataclass(frozen=True, kw_only=True)
class ShowGrid(words.Show):
    """Draw plain keys and mark the one to look at; its middle is (x, y)."""

    rows: int
    columns: int
