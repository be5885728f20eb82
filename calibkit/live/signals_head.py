"""Where the head is and how still, as far as a stream tells.

A stream may give eye positions in millimetres, the head's place and size in a picture,
or only two pupils in one picture, whose distance from each other tells how near the
head is. What a stream does not tell (which way its axes run, how large a pixel is) is
said to be unknown and never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel, groups, missing, plain_eye, plain_unit
from calibkit.geometry import Setup

Array = NDArray[np.float64]
Lost = Mapping[str, NDArray[np.bool_]]

EYES_APART_MM = 63.0  # usual distance of the pupils (literature: IPD about 63 mm)
PLACES = ("distance", "side", "height")
TURNS = ("yaw", "pitch", "roll")
_TO_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "meters": 1000.0, "metres": 1000.0}
_PLAUSIBLE_MM = (100.0, 5000.0)
# Two pupils count as seen in one picture when they are this many spreads apart.
_APART_SPREADS = 5.0
# Where the screen is not known: so large that no position counts as outside it.
STAND_IN = Setup(screen_px=(100_000, 100_000), screen_mm=(500, 500), distance_mm=600)


@dataclass(frozen=True, kw_only=True, eq=False)
class Axis:
    """One thing that is told of the head.

    Parameters
    ----------
    values : array (n,)
        Growing away from the screen, to the person's right, or down, as far as that is
        known; NaN where it is not told.
    unit : {"mm", "relative", "picture", "pixels", "degrees"}
        "relative" is a distance as a multiple of an unknown one, "picture" a share of
        the camera's picture.
    mm : float
        Millimetres per unit, NaN where unknown.
    signed : bool
        Whether the stream tells which way the axis runs.
    goal : float
        Where it should be by the set-up or the picture's middle, NaN where unknown.
    """

    values: Array
    unit: str
    mm: float = math.nan
    signed: bool = True
    goal: float = math.nan


def axes(
    samples: NDArray[np.floating],
    channels: Sequence[Channel],
    setup: Setup | None = None,
    lost: Lost | None = None,
) -> dict[str, Axis]:
    """Read what a stream tells of the head.

    Parameters
    ----------
    samples : array (n, c)
    channels : sequence of Channel
    setup : Setup, optional
        Gives the distance that there should be.
    lost : dict of array (n,) bool, optional
        Where each eye is missing, if that is known already.

    Returns
    -------
    dict of Axis
        By name: "distance", "side", "height", "yaw", "pitch", "roll"; what is not told
        is left out.
    """
    table = np.asarray(samples, float)
    found = _from_pupils(table, channels, setup, lost)
    for source in (_from_picture, _from_millimetres):
        found |= source(table, channels, setup)
    return found | _turns(table, channels)


def _from_millimetres(
    table: Array, channels: Sequence[Channel], setup: Setup | None
) -> dict[str, Axis]:
    eyes = {
        eye: triples[0]
        for stem in ("Head", "Position")
        for eye in ("left", "right", "both")
        if (triples := groups(channels, stem, eye, "XYZ"))
        and plain_unit(channels[triples[0][0]].unit) in _TO_MM
    }
    if not eyes:
        return {}
    first = next(iter(eyes.values()))
    scale = _TO_MM[plain_unit(channels[first[0]].unit)]
    places = {eye: _told(table[:, list(c)]) * scale for eye, c in eyes.items()}
    middle = _middle(places)
    direction = _direction(places)
    depth = np.abs(middle[:, 2])
    low, high = _PLAUSIBLE_MM
    view = setup.viewpoint_mm if setup is not None else (math.nan,) * 3
    found = {
        # One eye alone is half the eyes' distance off, and nobody knows to which side.
        "side": Axis(
            values=middle[:, 0] * (direction or 1.0),
            unit="mm",
            mm=1.0,
            signed=direction is not None,
            goal=view[0] if direction is not None or "both" in places else math.nan,
        ),
        # Trackers count upwards or downwards, from wherever their camera stands.
        "height": Axis(values=middle[:, 1], unit="mm", mm=1.0, signed=False),
    }
    if low < median(depth) < high:
        found["distance"] = Axis(values=depth, unit="mm", mm=1.0, goal=view[2])
    return found


def _from_picture(
    table: Array, channels: Sequence[Channel], setup: Setup | None
) -> dict[str, Axis]:
    """Head place and size in a picture: HeadX, HeadY (0-1), HeadScale."""
    found = {}
    for name, kind, signed in (("side", "HeadX", False), ("height", "HeadY", True)):
        column = _column(channels, kind)
        if column is None or plain_unit(channels[column].unit) in _TO_MM:
            continue
        unit = plain_unit(channels[column].unit)
        found[name] = Axis(
            values=table[:, column],
            unit="pixels" if unit == "px" else "picture",
            signed=signed,  # pictures count down from their top; left may be mirrored
            goal=math.nan if unit == "px" else 0.5,
        )
    size = _column(channels, "HeadScale")
    if size is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            away = np.where(table[:, size] > 0, 1.0 / table[:, size], math.nan)
        found["distance"] = Axis(values=away, unit="relative", mm=_mm(away, setup))
    return found


def _from_pupils(
    table: Array,
    channels: Sequence[Channel],
    setup: Setup | None,
    lost: Lost | None,
) -> dict[str, Axis]:
    """Two pupils in one picture: the nearer the head, the farther they are apart."""
    pairs = {
        eye: pairs[0]
        for eye in ("left", "right")
        if (pairs := groups(channels, "Pupil", eye))
        and plain_unit(channels[pairs[0][0]].unit) == "px"
    }
    if len(pairs) < 2:
        return {}
    lost = missing(table, channels, setup or STAND_IN) if lost is None else lost
    spots = {
        eye: np.where(lost[eye][:, None], math.nan, _told(table[:, list(pair)]))
        for eye, pair in pairs.items()
    }
    between = spots["right"] - spots["left"]
    apart = np.hypot(between[:, 0], between[:, 1])
    spread = max(_spread(spot[:, k]) for spot in spots.values() for k in (0, 1))
    usual = median(apart)
    if not usual > max(_APART_SPREADS * spread, 1.0):
        return {}
    middle = (spots["left"] + spots["right"]) / 2
    side = 1.0 if median(between[:, 0]) > 0 else -1.0
    mm = EYES_APART_MM / usual
    away = 1.0 / np.where(apart > 0, apart, math.nan)
    return {
        "distance": Axis(values=away, unit="relative", mm=_mm(away, setup)),
        "side": Axis(values=side * middle[:, 0], unit="pixels", mm=mm),
        "height": Axis(values=middle[:, 1], unit="pixels", mm=mm),
    }


def _mm(away: Array, setup: Setup | None) -> float:
    """Millimetres per unit of a relative distance, if the head is as far as set up."""
    return setup.viewpoint_mm[2] / median(away) if setup is not None else math.nan


def _turns(table: Array, channels: Sequence[Channel]) -> dict[str, Axis]:
    found = {}
    for name in TURNS:
        column = _column(channels, "Head" + name)
        if column is not None:
            found[name] = Axis(values=table[:, column], unit="degrees", signed=False)
    return found


def _column(channels: Sequence[Channel], kind: str) -> int | None:
    for column, channel in enumerate(channels):
        if channel.type.lower() == kind.lower() and plain_eye(channel.eye) == "both":
            return column
    return None


def _told(values: Array) -> Array:
    """Positions, with rows that are all 0 or all -1 taken for "not told"."""
    gone = (values == 0).all(axis=1) | (values == -1).all(axis=1)
    return np.where(gone[:, None] | ~np.isfinite(values), math.nan, values)


def _direction(places: dict[str, Array]) -> float | None:
    """Which way x runs, from the order of the eyes: 1 to the person's right, or -1."""
    if not {"left", "right"} <= places.keys():
        return None
    between = median(places["right"][:, 0] - places["left"][:, 0])
    return math.copysign(1.0, between) if abs(between) > 10.0 else None


def _middle(places: dict[str, Array]) -> Array:
    """Between the eyes where both are told; of the only eye where one ever is."""
    stack = np.stack(list(places.values()))
    told = np.array([np.isfinite(one).all(axis=1).any() for one in stack])
    if told.sum() == 1:
        return stack[int(np.argmax(told))]
    # One eye alone would pull the middle to its own side: such samples tell nothing.
    middle: Array = stack.mean(axis=0)
    return middle


def median(values: Array) -> float:
    """Median of the values that are told, NaN where none is."""
    known = values[np.isfinite(values)]
    return middle(known) if len(known) else math.nan


def middle(known: Array) -> float:
    """Median of some finite values, to the bit that of numpy at a tenth of its cost."""
    low, high = (len(known) - 1) // 2, len(known) // 2
    known = np.partition(known, (low, high)) if low < high else np.partition(known, low)
    return float(known[low] + known[high]) / 2.0


def _spread(values: Array) -> float:
    known = values[np.isfinite(values)]
    off = known - known.sum() / max(len(known), 1)
    return math.sqrt(float(off @ off) / max(len(known), 1))
