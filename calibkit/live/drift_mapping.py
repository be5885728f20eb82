"""A mapping with an offset taken off: itself a mapping, with an id of its own.

So a correction goes to a publisher as any other mapping does, whole, and no row of gaze
ever mixes two.
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.live.drift_facts import NONE, Drift, Pair

Array = NDArray[np.float64]


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
        gaze = self.mapping.apply(samples)
        hv = geometry.px_to_angles(self.setup, gaze.xy)
        scale = geometry.px_per_degree(self.setup, gaze.xy)
        xy = geometry.angles_to_px(self.setup, hv - np.array(self.offset))
        there = geometry.px_per_degree(self.setup, xy)
        return Moved(xy=xy, sd=gaze.sd * there / scale)


def corrected(mapping: Fitted, state: Drift) -> Fitted:
    """Return the mapping as the state would have it: itself where nothing is off."""
    if state.offset == NONE:
        return mapping
    return Recentred(mapping=mapping, offset=state.offset)
