"""A mapping with an offset taken off: itself a mapping, with an id of its own.

So a correction goes to a publisher as any other mapping does, whole, and no row of gaze
ever mixes two.
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.live.drift_facts import NONE, Drift, Pair

Array = NDArray[np.float64]
Row = Callable[[Sequence[float]], tuple[float, float, float, float]]

_STEEPEST = 89.0 * math.pi / 180.0  # beyond, a tangent would come back mirrored


class Estimate(Protocol):
    """Where the person looks: xy (n, 2) px and sd (n, 2) px."""

    @property
    def xy(self) -> Array: ...  # noqa: D102
    @property
    def sd(self) -> Array: ...  # noqa: D102


class Fitted(Protocol):
    """The part of a mapping that is needed here."""

    @property
    def id(self) -> int: ...  # noqa: D102
    @property
    def channels(self) -> Sequence[str]: ...  # noqa: D102
    @property
    def setup(self) -> Setup: ...  # noqa: D102
    def apply(self, samples: NDArray[np.floating]) -> Estimate: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True, eq=False)
class Moved:
    """Where a person looks by a re-centred mapping: xy and sd (n, 2), px."""

    xy: Array
    sd: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Recentred:
    """A mapping with an offset taken off: itself a mapping, with its own id.

    Parameters
    ----------
    mapping : Fitted
    offset : pair of float, degrees

    Raises
    ------
    InputError
        When the offset is not finite.
    """

    mapping: Fitted
    offset: Pair

    def __post_init__(self) -> None:
        if not all(math.isfinite(v) for v in self.offset):
            raise InputError(f"an offset of {self.offset} degrees is none; undo it")

    @cached_property
    def id(self) -> int:
        """A positive 31-bit number made from the mapping's and the offset."""
        content = struct.pack("<qdd", self.mapping.id, *self.offset)
        found = int.from_bytes(hashlib.sha256(content).digest()[:4], "big")
        return found % (2**31 - 1) + 1

    @property
    def channels(self) -> Sequence[str]:
        """The channels that it reads."""
        return self.mapping.channels

    @property
    def setup(self) -> Setup:
        """The set-up that it was made for."""
        return self.mapping.setup

    def apply(self, samples: NDArray[np.floating]) -> Moved:
        """Calibrated gaze with the offset taken off; row i depends on row i alone.

        Parameters
        ----------
        samples : array (n, c)

        Returns
        -------
        Moved
            The sd in degrees stays: the mapping's holds drift already.
        """
        gaze, screen = self.mapping.apply(samples), _screen(self.setup)
        axes = [
            _moved(gaze.xy[:, k], gaze.sd[:, k], _radians(self.offset[k]), *screen[k])
            for k in range(2)
        ]
        return Moved(
            xy=np.column_stack([where for where, _ in axes]),
            sd=np.column_stack([sd for _, sd in axes]),
        )


def one_by_one(moved: Recentred, row: Row) -> Row:
    """Return the same for one sample at a time, with equal results.

    Parameters
    ----------
    moved : Recentred
    row : callable
        From a sample to x, y, sd_x, sd_y in pixels, of the mapping below.
    """
    (across, down), (wide, high) = moved.offset, _screen(moved.setup)
    across, down = _radians(across), _radians(down)

    def shifted(sample: Sequence[float]) -> tuple[float, float, float, float]:
        x, y, sd_x, sd_y = row(sample)
        x, sd_x = _moved(x, sd_x, across, *wide)
        y, sd_y = _moved(y, sd_y, down, *high)
        return float(x), float(y), float(sd_x), float(sd_y)

    return shifted


def _radians(degrees: float) -> float:
    return degrees * math.pi / 180.0


def _screen(setup: Setup) -> tuple[tuple[float, float], tuple[float, float]]:
    """Of each axis: where the eye's foot is, and the depth, both in pixels."""
    depth = setup.viewpoint_mm[2]
    found = [
        ((foot / mm + 0.5) * px, depth * px / mm)
        for foot, mm, px in zip(
            setup.viewpoint_mm, setup.screen_mm, setup.screen_px, strict=False
        )
    ]
    return found[0], found[1]


def _moved(where: Any, sd: Any, offset: float, foot: float, depth: float) -> Any:
    """One axis, an array or one number, turned by an angle; all in pixels, radians."""
    slope = (where - foot) / depth
    # numpy's functions, not math's: they may differ in the last bit.
    angle = np.arctan(slope) - offset
    turned = np.tan(np.minimum(np.maximum(angle, -_STEEPEST), _STEEPEST))
    # A degree covers 1 + tan² times as much on the screen as right before the eye.
    return (
        turned * depth + foot,
        sd * ((turned * turned + 1.0) / (slope * slope + 1.0)),
    )


def corrected(mapping: Fitted, state: Drift) -> Fitted:
    """Return the mapping as the state would have it: itself where nothing is off."""
    if state.offset == NONE:
        return mapping
    return Recentred(mapping=mapping, offset=state.offset)
