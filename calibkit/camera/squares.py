"""Turned squares in an image: what a network is shown, and the way back from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Square:
    """A square in an image: centre and side in pixels, turned by some radians."""

    x: float
    y: float
    side: float
    turn: float = 0.0

    def to_image(self, size: int) -> Array:
        """Matrix (2, 3) from pixels of a cut-out of a given side to the image's."""
        scale = self.side / size
        c, s = scale * np.cos(self.turn), scale * np.sin(self.turn)
        half = size / 2.0
        return np.array(
            [
                [c, -s, self.x - c * half + s * half],
                [s, c, self.y - s * half - c * half],
            ]
        )

    def places(self, points: Array, size: int) -> Array:
        """Image places (n, 2) of points (n, 2) in a cut-out of a given side."""
        matrix = self.to_image(size)
        return np.asarray(points) @ matrix[:, :2].T + matrix[:, 2]


def tilt(left: Array, right: Array) -> float:
    """Angle of the line between two places against the horizontal, radians."""
    across = np.asarray(right) - left
    return float(np.arctan2(across[1], across[0]))


def around(points: Array, turn: float, grow: float) -> Square:
    """Return the turned square around points (n, 2), enlarged by a factor."""
    c, s = np.cos(turn), np.sin(turn)
    axes = np.array([[c, s], [-s, c]])
    level = points @ axes.T
    low, high = level.min(axis=0), level.max(axis=0)
    centre = (low + high) / 2 @ axes
    return Square(
        x=float(centre[0]),
        y=float(centre[1]),
        side=float((high - low).max() * grow),
        turn=turn,
    )
