"""A mapping for one sample at a time, in plain numbers: what live gaze needs.

The arithmetic is that of `Mapping.apply`, in the same order, so that a published row
equals the applied one to the last bit. Arrays of one row would cost ten times as much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from calibkit.fitted.basis import exponents
from calibkit.fitted.evaluation import EDGE, SIDE, STEPS, Evaluator
from calibkit.fitted.features import EyeSource
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup

Row = tuple[float, float, float, float]  # x, y, sd x, sd y in pixels
Pair = tuple[float, float]
Sample = Sequence[float]

NOWHERE: Row = (math.nan,) * 4
_MIDDLE = EDGE * STEPS + 0.5
_RADIANS = np.pi / 180.0


def live(mapping: Mapping) -> Callable[[Sample], Row]:
    """Return a function that maps one sample.

    Parameters
    ----------
    mapping : Mapping

    Returns
    -------
    callable
        From one sample (c numbers, floats) to x, y, sd_x, sd_y in pixels, NaN where
        nothing can be said. It keeps no state and raises ValueError for a sample of
        another length.
    """
    ready, width = mapping.evaluator, mapping.layout.width
    read = [_eye(mapping, e) for e in range(len(mapping.layout.eyes))]
    extras = [_extra(mapping, e) for e in range(len(read))]
    spread = [_spread(ready, state) for state in range(1 + len(read))]
    to_px = _to_px(mapping.setup)
    combine = _one_eye(read, extras, spread) if len(read) == 1 else None
    combine = combine or _two_eyes(ready, read, extras, spread)

    def row(sample: Sample) -> Row:
        if len(sample) != width:
            raise ValueError(f"a sample has {len(sample)} numbers instead of {width}")
        return to_px(*combine(sample))

    return row


Angles = tuple[float, float, float, float]  # h, v and their sd in degrees
Eye = Callable[[Sample, Sample], tuple[Pair, Pair] | None]
Spread = Callable[[Pair, Sample], Pair]
Extra = Callable[[Sample], Sample]


def _one_eye(
    read: list[Eye], extras: list[Extra], spread: list[Spread]
) -> Callable[[Sample], Angles]:
    def combine(sample: Sample) -> Angles:
        units = extras[0](sample)
        seen = read[0](sample, units)
        return NOWHERE if seen is None else (*seen[1], *spread[1](seen[0], units))

    return combine


def _two_eyes(
    ready: Evaluator, read: list[Eye], extras: list[Extra], spread: list[Spread]
) -> Callable[[Sample], Angles]:
    (ah, av), (bh, bv) = ready.eye_weights.tolist() if len(read) == 2 else ((0, 0),) * 2

    def combine(sample: Sample) -> Angles:
        units = extras[0](sample), extras[1](sample)
        a, b = read[0](sample, units[0]), read[1](sample, units[1])
        if a is not None and b is not None:
            h = ah * a[1][0] + bh * b[1][0]
            v = av * a[1][1] + bv * b[1][1]
            return (h, v, *spread[0](a[0], units[0]))
        if a is not None:
            return (*a[1], *spread[1](a[0], units[0]))
        if b is not None:
            return (*b[1], *spread[2](b[0], units[1]))
        return NOWHERE

    return combine


def _to_px(setup: Setup) -> Callable[[float, float, float, float], Row]:
    depth = setup.viewpoint_mm[2]
    scales, feet = [], []
    for axis in range(2):
        size_px, size_mm = setup.screen_px[axis], setup.screen_mm[axis]
        scales.append(float(depth * size_px / size_mm))
        feet.append(float((setup.viewpoint_mm[axis] / size_mm + 0.5) * size_px))
    (sx, sy), (fx, fy), tan = scales, feet, np.tan
    gx, gy = sx * np.pi / 180.0, sy * np.pi / 180.0

    def to_px(h: float, v: float, sd_h: float, sd_v: float) -> Row:
        # numpy's tangent, not math's: they may differ in the last bit.
        tx = float(tan(max(min(h, 85.0), -85.0) * _RADIANS))
        ty = float(tan(max(min(v, 85.0), -85.0) * _RADIANS))
        return (
            tx * sx + fx,
            ty * sy + fy,
            sd_h * (tx * tx + 1.0) * gx,
            sd_v * (ty * ty + 1.0) * gy,
        )

    return to_px


def _eye(mapping: Mapping, e: int) -> Eye:
    """Return what turns a sample into one eye's scaled features and angles."""
    basis, ready = mapping.basis, mapping.evaluator
    read = _position(mapping.layout.eyes[e], mapping.setup)
    cx, cy = basis.centre[e].tolist()
    kx, ky = (1.0 / basis.scale[e]).tolist()
    (h0, *hs), (v0, *vs) = ready.coefficients[e].tolist()
    slopes_h, slopes_v = ready.slopes[e].tolist()
    degree = basis.degree
    assert len(hs) == len(exponents(degree)) - 1

    def eye(sample: Sample, units: Sample) -> tuple[Pair, Pair] | None:
        seen = read(sample)
        if seen is None:
            return None
        x, y = (seen[0] - cx) * kx, (seen[1] - cy) * ky
        terms, last = [x, y], [x, y]
        for _ in range(1, degree):
            last = [*[term * x for term in last], last[-1] * y]
            terms += last
        h, v = h0, v0
        for a, b, term in zip(hs, vs, terms, strict=True):
            h += a * term
            v += b * term
        if units:
            h += _dot(slopes_h, units)
            v += _dot(slopes_v, units)
        return ((x, y), (h, v)) if math.isfinite(h + v) else None

    return eye


def _dot(weights: Sample, terms: Sample) -> float:
    total = weights[0] * terms[0]
    for weight, term in zip(weights[1:], terms[1:], strict=True):
        total += weight * term
    return total


def _spread(ready: Evaluator, state: int) -> Spread:
    """Return what looks the sd up, in degrees, for the eyes that are seen."""
    table_h, table_v = ready.tables[state].tolist()
    cov_h, cov_v = ready.extra_cov[state].tolist()
    top = SIDE - 1.0

    def spread(scaled: Pair, units: Sample) -> Pair:
        x, y = scaled
        row = int(max(min(x * STEPS + _MIDDLE, top), 0.0)) * SIDE
        cell = row + int(max(min(y * STEPS + _MIDDLE, top), 0.0))
        h, v = table_h[cell], table_v[cell]
        if units:
            h = math.sqrt(h * h + _square(cov_h, units))
            v = math.sqrt(v * v + _square(cov_v, units))
        return h, v

    return spread


def _square(cov: Sequence[Sample], units: Sample) -> float:
    return _dot(units, [_dot(row, units) for row in cov])


def _extra(mapping: Mapping, e: int) -> Extra:
    """Return what reads an eye's covariates, in units of the basis; 0 if missing."""
    basis = mapping.basis
    plan = list(
        zip(
            mapping.layout.eyes[e].covariates,
            basis.extra_centre[e].tolist(),
            basis.extra_scale[e].tolist(),
            strict=True,
        )
    )

    def extra(sample: Sample) -> Sample:
        return [
            unit if math.isfinite(unit) else 0.0
            for columns, centre, scale in plan
            for unit in ((_mean(sample, columns) - centre) / scale,)
        ]

    return extra if plan else lambda sample: ()


def _mean(sample: Sample, columns: tuple[int, ...]) -> float:
    there = [sample[c] for c in columns if math.isfinite(sample[c])]
    if len(columns) == 1:
        return sample[columns[0]]
    return sum(there) / len(there) if there else math.nan


def _position(source: EyeSource, setup: Setup) -> Callable[[Sample], Pair | None]:
    """Return what reads an eye's features; None where the eye is missing."""
    kinds: dict[str, Callable[[Sequence[float]], Pair | None]] = {
        "pupil-reflex": _reflexes if len(source.columns) == 6 else _reflex,
        "direction": _direction,
        "screen": _screen(source.unit, setup),
    }
    features = kinds.get(source.kind, _plain)
    columns = source.columns
    pairs = source.kind == "pupil-reflex"

    def position(sample: Sample) -> Pair | None:
        values = [sample[c] for c in columns]
        if _gone(values) or (pairs and any(map(_gone, zip(*[iter(values)] * 2)))):  # noqa: B905
            return None
        found = features(values)
        if found is None or not math.isfinite(found[0] + found[1]):
            return None
        return found

    return position


def _gone(values: Sequence[float]) -> bool:
    first = values[0]
    return first in (0.0, -1.0) and all(value == first for value in values)


def _reflex(values: Sequence[float]) -> Pair:
    px, py, rx, ry = values
    return px - rx, py - ry


def _reflexes(values: Sequence[float]) -> Pair | None:
    px, py, ax, ay, bx, by = values
    across, down = ax - bx, ay - by
    if abs(across) + abs(down) < 1e300:
        apart = float(np.hypot(across, down))
    else:  # no camera sends such numbers; a sample that does must not warn
        with np.errstate(all="ignore"):
            apart = float(np.hypot(across, down))
    if apart == 0.0:
        return None
    return (px - 0.5 * (ax + bx)) / apart, (py - 0.5 * (ay + by)) / apart


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
