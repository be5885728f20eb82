"""What was seen of a stream for some seconds: its description and its samples."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.streams.lsl_found import Found

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Sight:
    """What was seen of one stream.

    Parameters
    ----------
    found : Found
    channels : tuple of Channel
    setup : mapping
        From the stream itself.
    described : bool
        Whether each channel has metadata.
    time, samples : arrays (n,), (n, c)
        Stamps as they came, moved between computers' clocks but by nothing else.
    arrival : array (n,)
        When each was received.
    watched_s : float
    listed : int, optional
        How many channels the metadata list; None where that is not known.
    delay_s : float
        By how much the stream says that its stamps lag, NaN where it does not.
    corrections_s : sequence of float
        Differences to the other computer's clock, as measured; empty on one machine.
    day_s : float
        Time of day less the LSL clock, to tell which other clock stamps come from.
    known : mapping
        The stored set-up, which counts before the stream's own.
    """

    found: Found
    channels: tuple[Channel, ...]
    setup: Mapping[str, Sequence[float]]
    described: bool
    time: Array
    samples: Array
    arrival: Array
    watched_s: float
    listed: int | None = None
    delay_s: float = math.nan
    corrections_s: Sequence[float] = ()
    day_s: float = math.nan
    known: Mapping[str, Sequence[float]] = field(default_factory=dict)

    @property
    def age_s(self) -> float:
        """How old samples are on arrival, by their stamps, the median."""
        return float(np.median(self.arrival - self.time)) if len(self.time) else 0.0

    def size(self, unit: str) -> Array | None:
        """Return the screen's size in a plain unit of screen positions, if known."""
        if unit == "normalized":
            return np.ones(2)
        said = {**self.setup, **self.known}
        name = {"px": "screen_px", "mm": "screen_mm"}.get(unit)
        return np.asarray(said[name], float) if name in said else None


def measured_rate(time: Array, watched_s: float) -> float:
    """Return samples a second: from the stamps, else from the count.

    Parameters
    ----------
    time : array (n,), s
    watched_s : float
        For how long the stream was read.

    Returns
    -------
    float; 0 for fewer than two samples
    """
    if len(time) < 2 or watched_s <= 0:
        return 0.0
    span = float(time[-1] - time[0])
    plausible = 0 < span < 2 * watched_s
    return (len(time) - 1) / span if plausible else len(time) / watched_s
