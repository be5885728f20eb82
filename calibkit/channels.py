"""What a gaze stream's channels are, and what a mapping reads from them.

Types are those of the XDF "Gaze" meta-data page; others are kept as they come. The
k-th X of a type and eye pairs with its k-th Y (and Z).
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibkit.geometry import Setup

EYES = ("left", "right", "both")
Kind = Literal["pupil-reflex", "direction", "screen", "pupil"]
SENTINELS = (0.0, -1.0)
# Where (0, 0) of screen positions lies; y runs down from the top and the centre, up
# from the bottom and in "center-up".
ORIGINS = ("top-left", "bottom-left", "center", "center-up")

_PIXELS = {"pixel", "pixels", "px", "pix"}
_NORMALIZED = {"normalized", "normalised", "norm", "fraction", "relative"}
_MILLIMETRES = {"mm", "millimetre", "millimetres", "millimeter", "millimeters"}
_CENTIMETRES = {"cm", "centimetre", "centimetres", "centimeter", "centimeters"}
_METRES = {"m", "metre", "metres", "meter", "meters"}
_DEGREES = {"deg", "degree", "degrees", "°"}
_RADIANS = {"rad", "radian", "radians"}


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One channel of a gaze stream: free label, eye, XDF type and unit."""

    label: str
    eye: str
    type: str
    unit: str

    def __hash__(self) -> int:
        """By the label, which nearly always tells: channels are keys of caches."""
        return hash(self.label)


@dataclass(frozen=True, kw_only=True)
class FeatureSource:
    """The columns from which one eye's features come.

    `columns` by kind: pupil-reflex (px, py, r1x, r1y and, with two reflexes, r2x, r2y),
    direction (x, y, z), screen (x, y), pupil (x, y).
    """

    eye: str
    kind: Kind
    columns: tuple[int, ...]
    unit: str


def plain_unit(unit: str) -> str:
    """Fold the spellings of a unit into "px", "normalized", "mm", or as it came."""
    word = unit.strip().lower()
    for name, spellings in (
        ("px", _PIXELS),
        ("normalized", _NORMALIZED),
        ("mm", _MILLIMETRES),
    ):
        if word in spellings:
            return name
    return word


def measure(unit: str) -> float:
    """Millimetres or degrees in one such unit; 0 where it is neither, or none."""
    word = unit.strip().lower()
    known = (
        (1.0, _MILLIMETRES | _DEGREES),
        (10.0, _CENTIMETRES),
        (1000.0, _METRES),
        (float(np.degrees(1.0)), _RADIANS),
    )
    return next((size for size, spellings in known if word in spellings), 0.0)


def plain_eye(eye: str) -> str:
    """Left, right, or both for everything else (a stream may name no eye)."""
    word = eye.strip().lower()
    return word if word in ("left", "right") else "both"


def groups(
    channels: Sequence[Channel], stem: str, eye: str, axes: str = "XY"
) -> list[tuple[int, ...]]:
    """Columns of a type by axis, the k-th of each axis together.

    Parameters
    ----------
    channels : sequence of Channel
    stem : str
        The type without its axis, such as "Pupil".
    eye : {"left", "right", "both"}
    axes : str
        The axes that must all be there, such as "XYZ".
    """
    return list(_groups(tuple(channels), stem, eye, axes))


@functools.lru_cache(maxsize=256)  # asked for each block of a live stream
def _groups(
    channels: tuple[Channel, ...], stem: str, eye: str, axes: str
) -> tuple[tuple[int, ...], ...]:
    found = [
        [
            column
            for column, channel in enumerate(channels)
            if channel.type.lower() == (stem + axis).lower()
            and plain_eye(channel.eye) == eye
        ]
        for axis in axes
    ]
    return tuple(zip(*found, strict=False))


def _source(channels: tuple[Channel, ...], eye: str) -> FeatureSource | None:
    pupils = groups(channels, "Pupil", eye)
    reflexes = groups(channels, "Reflex", eye)
    choices: tuple[tuple[Kind, tuple[int, ...]], ...] = (
        (
            "pupil-reflex",
            sum([*pupils[:1], *reflexes[:2]], ()) if pupils and reflexes else (),
        ),
        ("direction", next(iter(groups(channels, "Direction", eye, "XYZ")), ())),
        ("screen", next(iter(groups(channels, "Screen", eye)), ())),
        ("pupil", next(iter(pupils), ())),
    )
    for kind, columns in choices:
        if columns:
            unit = plain_unit(channels[columns[0]].unit)
            return FeatureSource(eye=eye, kind=kind, columns=columns, unit=unit)
    return None


def feature_sources(channels: Sequence[Channel]) -> dict[str, FeatureSource]:
    """What the mapping reads for each eye, best kind first.

    Parameters
    ----------
    channels : sequence of Channel

    Returns
    -------
    dict of FeatureSource by eye: pupil with reflexes, else direction, else screen
    position, else the bare pupil. "both" is there only where no single eye is.
    """
    return dict(_sources(tuple(channels)))


@functools.lru_cache(maxsize=64)  # asked for each block of a live stream
def _sources(channels: tuple[Channel, ...]) -> dict[str, FeatureSource]:
    found = {eye: _source(channels, eye) for eye in EYES}
    single = {eye: found[eye] for eye in ("left", "right") if found[eye] is not None}
    chosen = single or {"both": found["both"]}
    return {eye: source for eye, source in chosen.items() if source is not None}


def covariate_columns(channels: Sequence[Channel]) -> dict[str, tuple[int, ...]]:
    """Columns that may help a mapping: "head", "position" and "diameter".

    Parameters
    ----------
    channels : sequence of Channel

    Returns
    -------
    dict of column tuples; a group that the stream lacks is left out
    """
    stems = {"head": "head", "position": "position", "diameter": "diameter"}
    found = {
        name: tuple(
            column
            for column, channel in enumerate(channels)
            if channel.type.lower().startswith(stem)
        )
        for name, stem in stems.items()
    }
    return {name: columns for name, columns in found.items() if columns}


def confidence_column(channels: Sequence[Channel], eye: str) -> int | None:
    """Column of the confidence that holds for an eye, its own before a shared one."""
    columns = {
        plain_eye(channel.eye): column
        for column, channel in reversed(list(enumerate(channels)))
        if channel.type.lower() == "confidence"
    }
    return columns.get(eye, columns.get("both"))


def sure_from(min_confidence: float) -> float:
    """Return what to compare confidences with, of single and double precision alike.

    A stream's 0.7 in single precision is a little less than 0.7, and no less sure.
    """
    return min(min_confidence, float(np.float32(min_confidence)))


def screen_px(
    samples: NDArray[np.floating], source: FeatureSource, setup: Setup
) -> NDArray[np.float64]:
    """Screen-like samples (n, 2) in pixels, whatever unit they came in.

    Parameters
    ----------
    samples : array (n, c)
    source : FeatureSource
        Of kind "screen".
    setup : Setup

    Returns
    -------
    array (n, 2), px; an unknown unit is taken for pixels
    """
    xy = np.asarray(samples[:, list(source.columns)], float)
    size = np.asarray(setup.screen_px, float)
    if source.unit == "normalized":
        return xy * size
    if source.unit == "mm":
        return xy / np.asarray(setup.screen_mm) * size
    return xy


def missing(
    samples: NDArray[np.floating],
    channels: Sequence[Channel],
    setup: Setup,
    sentinels: Sequence[float] = SENTINELS,
) -> Mapping[str, NDArray[np.bool_]]:
    """Where each eye's sample is missing.

    Parameters
    ----------
    samples : array (n, c)
    channels : sequence of Channel
    setup : Setup
    sentinels : sequence of float
        Values that mean "missing" when all of an eye's position channels hold the
        same one. One zero coordinate alone is data.

    Returns
    -------
    dict of array (n,) bool by eye: not finite, a sentinel, or more than one screen
    outside the screen
    """
    return {
        eye: _missing_eye(samples, source, setup, sentinels)
        for eye, source in feature_sources(channels).items()
    }


def _missing_eye(
    samples: NDArray[np.floating],
    source: FeatureSource,
    setup: Setup,
    sentinels: Sequence[float],
) -> NDArray[np.bool_]:
    values = samples[:, list(source.columns)]
    gone: NDArray[np.bool_] = ~np.isfinite(values).all(axis=1)
    for sentinel in sentinels:
        gone |= (values == sentinel).all(axis=1)
    if source.kind == "screen":
        size = np.asarray(setup.screen_px, float)
        xy = screen_px(samples, source, setup)
        with np.errstate(invalid="ignore"):
            gone |= ((xy < -size) | (xy > 2 * size)).any(axis=1)
    return gone
