"""An eye's features of one sample, in plain numbers: where live gaze begins.

What `features.read` reads of many samples, to the last bit. Functions and what they are
handed, without cells: see `mapping_live`, which they belong to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from math import sqrt
from typing import Any

import numpy as np

from calibkit.channels import sure_from
from calibkit.fitted.features import EyeSource
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup

Pair = tuple[float, float]
Sample = Sequence[float]
Read = Callable[[Sample, Any], Pair | None]


def reader(mapping: Mapping, e: int) -> tuple[Read, Any]:
    """Return what reads an eye's features where the tracker is sure enough of it.

    Parameters
    ----------
    mapping : Mapping
    e : int
        Which of its eyes.

    Returns
    -------
    callable and its second argument
        From one sample (c numbers) to the two features; None where the eye is missing.
    """
    source, least = mapping.layout.eyes[e], mapping.layout.min_confidence
    read, at = _position(source, mapping.setup)
    if source.confidence is None or least <= 0:
        return read, at
    return _sure, (source.confidence, sure_from(least), read, at)


def _sure(sample: Sample, at: tuple[int, float, Read, Any]) -> Pair | None:
    column, enough, read, more = at
    return read(sample, more) if sample[column] >= enough else None


def _position(source: EyeSource, setup: Setup) -> tuple[Read, Any]:
    """Return what reads an eye's features; None where the eye is missing."""
    if source.kind == "pupil-reflex":
        both = len(source.columns) == 6
        return _reflexes if both else _reflex, source.columns
    kinds: dict[str, Callable[[Sequence[float]], Pair | None]] = {
        "direction": _direction,
        "screen": _screen(source.unit, setup),
    }
    return _place, (source.columns, kinds.get(source.kind, _plain))


def _place(sample: Sample, at: tuple[tuple[int, ...], Any]) -> Pair | None:
    columns, features = at
    values = [sample[c] for c in columns]
    first = values[0]
    if first in (0.0, -1.0) and all(value == first for value in values):
        return None
    found: Pair | None = features(values)
    return None if found is None else _finite(*found)


def _finite(x: float, y: float) -> Pair | None:
    total = x + y
    return (x, y) if total - total == 0.0 else None


def _reflex(sample: Sample, columns: tuple[int, int, int, int]) -> Pair | None:
    px, py, rx, ry = columns
    x, y, a, b = sample[px], sample[py], sample[rx], sample[ry]
    if (x == y and x in (0.0, -1.0)) or (a == b and a in (0.0, -1.0)):
        return None
    return _finite(x - a, y - b)


def _reflexes(
    sample: Sample, columns: tuple[int, int, int, int, int, int]
) -> Pair | None:
    px, py, ax, ay, bx, by = columns
    x, y, a, b = sample[px], sample[py], sample[ax], sample[ay]
    c, d = sample[bx], sample[by]
    if (
        (x == y and x in (0.0, -1.0))
        or (a == b and a in (0.0, -1.0))
        or (c == d and c in (0.0, -1.0))
    ):
        return None
    across, down = a - c, b - d
    apart = sqrt(across * across + down * down)
    if apart == 0.0 or apart - apart != 0.0:
        return None
    x, y = (x - 0.5 * (a + c)) / apart, (y - 0.5 * (b + d)) / apart
    total = x + y  # a call less than `_finite`: this is the usual reader
    return (x, y) if total - total == 0.0 else None


def _plain(values: Sequence[float]) -> Pair:
    return values[0], values[1]


def _direction(values: Sequence[float]) -> Pair:
    x, y, z = values
    deep = abs(z)
    return _degrees(x, deep), _degrees(y, deep)


def _degrees(across: float, deep: float) -> float:
    return math.degrees(float(np.arctan2(across, deep)))


def _screen(unit: str, setup: Setup) -> Callable[[Sequence[float]], Pair | None]:
    *feet, depth = map(float, setup.viewpoint_mm)
    (wide, high), (fx, fy) = map(float, setup.screen_mm), feet
    units = {"normalized": (1.0, 1.0), "mm": (wide, high)}
    ux, uy = units.get(unit, tuple(map(float, setup.screen_px)))

    def screen(values: Sequence[float]) -> Pair | None:
        x, y = values[0] / ux, values[1] / uy
        if not (-1.0 <= x <= 2.0 and -1.0 <= y <= 2.0):
            return None
        h = _degrees((x - 0.5) * wide - fx, depth)
        return h, _degrees((y - 0.5) * high - fy, depth)

    return screen
