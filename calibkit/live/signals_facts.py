"""What the signal check finds, as plain values, and the limits that it goes by.

The limits are common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibkit.live.signals_measure import Eye, Rate

LOSS_SOME, LOSS_OFTEN, LOSS_ALL = 0.10, 0.40, 0.98
NOISE_SOME_DEG, NOISE_HIGH_DEG = 0.5, 1.2
UNSURE = 0.6  # median confidence
STILL_MM, STILL_DEG, STILL_SHARE = 5.0, 2.0, 0.015
# How far off is told: mm, share of the distance, share of the camera's picture.
FAR_MM = {"distance": 60.0, "side": 40.0, "height": 40.0}
FAR_SHARE = {"distance": 0.10, "side": 0.15, "height": 0.25}


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where the head is on one axis, against where it should be.

    Parameters
    ----------
    axis : {"distance", "side", "height"}
    now : float
        As the stream tells it, in `unit` of the axis.
    off : float
        From where it should be: farther, to the person's right, or down is positive;
        NaN where that is not known.
    unit : {"mm", "share"}
        Of `off` and `limit`: a share of the distance or of the camera's picture.
    limit : float
        From where on moving is advised.
    signed : bool
        Whether the stream tells which way.
    """

    axis: str
    now: float
    off: float
    unit: str
    limit: float
    signed: bool

    @property
    def far(self) -> bool:
        """Whether moving is advised."""
        return abs(self.off) > self.limit


@dataclass(frozen=True, kw_only=True)
class Head:
    """Where the head is and how still.

    Parameters
    ----------
    told : tuple of str
        The names of what the stream tells of the head.
    places : tuple of Place
    moves_mm, moves_share, moves_deg : float
        Spread of its place in mm (or as a share of distance or picture where mm are
        not known) and of its turning; NaN where not told.
    """

    told: tuple[str, ...]
    places: tuple[Place, ...]
    moves_mm: float
    moves_share: float
    moves_deg: float

    @property
    def still(self) -> bool | None:
        """Whether it is still; None where the stream does not tell."""
        limits = (STILL_MM, STILL_SHARE, STILL_DEG)
        moves = (self.moves_mm, self.moves_share, self.moves_deg)
        told = [m <= lim for m, lim in zip(moves, limits, strict=True) if m == m]
        return all(told) if told else None


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing found, in plain words.

    Parameters
    ----------
    about : str
        "stream", "left eye", "right eye", "eyes", "rate", "head", ...
    level : {"good", "fair", "poor", "unknown"}
    words, move : str
        What is so; what to move or do, "" where nothing.
    """

    about: str
    level: str
    words: str
    move: str = ""


@dataclass(frozen=True, kw_only=True)
class Signal:
    """What was found of the last seconds of a stream.

    Parameters
    ----------
    watched_s : float
    samples : int
    eyes : tuple of Eye
    rate : Rate
    head : Head
    gaze_deg : pair of float
        Precision of calibrated gaze, sample to sample and spread; NaN without mapping.
    findings : tuple of Finding
    """

    watched_s: float
    samples: int
    eyes: tuple[Eye, ...]
    rate: Rate
    head: Head
    gaze_deg: tuple[float, float]
    findings: tuple[Finding, ...]

    @property
    def lost(self) -> bool:
        """Whether nothing usable came at all."""
        return all(eye.samples == 0 for eye in self.eyes)
