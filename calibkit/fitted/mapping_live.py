"""A mapping for one sample at a time, in plain numbers: what live gaze needs.

The arithmetic is that of `Mapping.apply`, in the same order, so that a published row
equals the applied one to the last bit. Arrays of one row would cost ten times as much.
Between two samples of a slow tracker other programs have filled the processor's caches:
what counts then is how much code is touched, so calls are few.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import sure_from
from calibkit.fitted.evaluation import EDGE, SIDE, STEPS, Evaluator
from calibkit.fitted.features import EyeSource
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup, tangent

Array = NDArray[np.float64]
Row = tuple[float, float, float, float]  # x, y, sd x, sd y in pixels
Pair = tuple[float, float]
Sample = Sequence[float]

NOWHERE: Row = (math.nan,) * 4
_MIDDLE = EDGE * STEPS + 0.5
_RADIANS = np.pi / 180.0

Read = Callable[[Sample], Pair | None]  # an eye's features
Units = Callable[[Sample], Sample]  # its covariates
Eye = Callable[[Sample, Sample], Row | None]  # scaled features, angles
Spread = Callable[[float, float, Sample], Pair]
Both = Callable[[float, float], Pair]


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
    eyes = range(len(mapping.layout.eyes))
    read = [_eye(mapping, e) for e in eyes]
    extras = [_extra(mapping, e) for e in eyes]
    spread = [_spread(mapping.evaluator, state) for state in range(1 + len(eyes))]
    to_px = _to_px(mapping.setup)
    if len(eyes) == 1:
        return _with_one(read[0], extras[0], spread[1], to_px, mapping.layout.width)
    return _with_two(read, extras, spread, to_px, mapping)


def _with_one(
    read: Eye,
    extra: Units | None,
    spread: Spread,
    to_px: Callable[[float, float, Pair], Row],
    width: int,
) -> Callable[[Sample], Row]:
    def row(sample: Sample) -> Row:
        if len(sample) != width:
            raise _wrong(sample, width)
        units = extra(sample) if extra else ()
        seen = read(sample, units)
        if seen is None:
            return NOWHERE
        x, y, h, v = seen
        return to_px(h, v, spread(x, y, units))

    return row


def _with_two(
    read: list[Eye],
    extras: list[Units | None],
    spread: list[Spread],
    to_px: Callable[[float, float, Pair], Row],
    mapping: Mapping,
) -> Callable[[Sample], Row]:
    width, ready = mapping.layout.width, mapping.evaluator
    (ah, av), (bh, bv) = ready.eye_weights.tolist()
    most_h, most_v = ready.apart2.tolist()
    share_h, share_v, sqrt = ah * bh, av * bv, math.sqrt
    (read_a, read_b), (extra_a, extra_b) = read, extras
    both, a_alone, b_alone = spread

    def row(sample: Sample) -> Row:
        if len(sample) != width:
            raise _wrong(sample, width)
        units = extra_a(sample) if extra_a else ()
        a = read_a(sample, units)
        more = extra_b(sample) if extra_b else ()
        b = read_b(sample, more)
        if a is None:
            if b is None:
                return NOWHERE
            return to_px(b[2], b[3], b_alone(b[0], b[1], more))
        if b is None:
            return to_px(a[2], a[3], a_alone(a[0], a[1], units))
        ax, ay, a_h, a_v = a
        bx, by, b_h, b_v = b
        a_near = -EDGE <= ax <= EDGE and -EDGE <= ay <= EDGE
        if a_near != (-EDGE <= bx <= EDGE and -EDGE <= by <= EDGE):
            # As in `Evaluator.gaze`: what no screen needs is no gaze.
            if a_near:
                return to_px(a_h, a_v, a_alone(ax, ay, units))
            return to_px(b_h, b_v, b_alone(bx, by, more))
        sd_h, sd_v = both(ax, ay, units)
        apart_h, apart_v = a_h - b_h, a_v - b_v
        over_h, over_v = apart_h * apart_h - most_h, apart_v * apart_v - most_v
        if over_h > 0.0:
            sd_h = sqrt(sd_h * sd_h + share_h * over_h)
        if over_v > 0.0:
            sd_v = sqrt(sd_v * sd_v + share_v * over_v)
        return to_px(ah * a_h + bh * b_h, av * a_v + bv * b_v, (sd_h, sd_v))

    return row


def _wrong(sample: Sample, width: int) -> ValueError:
    return ValueError(f"a sample has {len(sample)} numbers instead of {width}")


def _to_px(setup: Setup) -> Callable[[float, float, Pair], Row]:
    depth = setup.viewpoint_mm[2]
    scales, feet = [], []
    for axis in range(2):
        size_px, size_mm = setup.screen_px[axis], setup.screen_mm[axis]
        scales.append(float(depth * size_px / size_mm))
        feet.append(float((setup.viewpoint_mm[axis] / size_mm + 0.5) * size_px))
    (sx, sy), (fx, fy) = scales, feet
    gx, gy = sx * np.pi / 180.0, sy * np.pi / 180.0

    def to_px(h: float, v: float, sd: Pair) -> Row:
        tx = tangent((85.0 if h > 85.0 else -85.0 if h < -85.0 else h) * _RADIANS)
        ty = tangent((85.0 if v > 85.0 else -85.0 if v < -85.0 else v) * _RADIANS)
        return (
            tx * sx + fx,
            ty * sy + fy,
            sd[0] * (tx * tx + 1.0) * gx,
            sd[1] * (ty * ty + 1.0) * gy,
        )

    return to_px


def _eye(mapping: Mapping, e: int) -> Eye:
    """Return what turns a sample into one eye's scaled features and angles."""
    basis, ready = mapping.basis, mapping.evaluator
    read = _sure(mapping.layout.eyes[e], mapping.setup, mapping.layout.min_confidence)
    cx, cy = basis.centre[e].tolist()
    kx, ky = (1.0 / basis.scale[e]).tolist()
    both = _POLYNOMIALS[basis.degree](*ready.coefficients[e].tolist())
    slopes_h, slopes_v = ready.slopes[e].tolist()
    isfinite = math.isfinite

    def eye(sample: Sample, units: Sample) -> Row | None:
        seen = read(sample)
        if seen is None:
            return None
        x, y = (seen[0] - cx) * kx, (seen[1] - cy) * ky
        h, v = both(x, y)
        if units:
            h += _dot(slopes_h, units)
            v += _dot(slopes_v, units)
        return (x, y, h, v) if isfinite(h + v) else None

    return eye


# Two polynomials at once, by powers of x and y, each sum in the order of
# `basis.exponents`.


def _first(c: Sequence[float], d: Sequence[float]) -> Both:
    c0, cx, cy = c
    d0, dx, dy = d
    return lambda x, y: (c0 + cx * x + cy * y, d0 + dx * x + dy * y)


def _second(c: Sequence[float], d: Sequence[float]) -> Both:
    c0, cx, cy, cxx, cxy, cyy = c
    d0, dx, dy, dxx, dxy, dyy = d

    def second(x: float, y: float) -> Pair:
        xx, xy, yy = x * x, y * x, y * y
        return (
            c0 + cx * x + cy * y + cxx * xx + cxy * xy + cyy * yy,
            d0 + dx * x + dy * y + dxx * xx + dxy * xy + dyy * yy,
        )

    return second


def _third(c: Sequence[float], d: Sequence[float]) -> Both:
    c0, cx, cy, cxx, cxy, cyy, c30, c21, c12, c03 = c
    d0, dx, dy, dxx, dxy, dyy, d30, d21, d12, d03 = d

    def third(x: float, y: float) -> Pair:
        xx, xy, yy = x * x, y * x, y * y
        p, q, r, s = xx * x, xy * x, yy * x, yy * y
        h = c0 + cx * x + cy * y + cxx * xx + cxy * xy + cyy * yy
        v = d0 + dx * x + dy * y + dxx * xx + dxy * xy + dyy * yy
        return (
            h + c30 * p + c21 * q + c12 * r + c03 * s,
            v + d30 * p + d21 * q + d12 * r + d03 * s,
        )

    return third


_POLYNOMIALS = {1: _first, 2: _second, 3: _third}


def _dot(weights: Sample, terms: Sample) -> float:
    total = weights[0] * terms[0]
    for weight, term in zip(weights[1:], terms[1:], strict=True):
        total += weight * term
    return total


def _spread(ready: Evaluator, state: int) -> Spread:
    """Return what looks the sd up, in degrees, for the eyes that are seen."""
    table_h, table_v = ready.tables[state].tolist()
    cov_h, cov_v = ready.extra_cov[state].tolist()
    top, more = SIDE - 1.0, ready.basis.degree - 1

    def spread(x: float, y: float, units: Sample) -> Pair:
        across, down = x * STEPS + _MIDDLE, y * STEPS + _MIDDLE
        across = top if across > top else 0.0 if across < 0.0 else across
        down = top if down > top else 0.0 if down < 0.0 else down
        cell = int(across) * SIDE + int(down)
        h, v = table_h[cell], table_v[cell]
        if not (-EDGE <= x <= EDGE and -EDGE <= y <= EDGE):
            reach = max(abs(x), abs(y))
            beyond = growth = reach / EDGE
            for _ in range(more):
                growth *= beyond
            h, v = h * growth, v * growth
        if units:
            h = math.sqrt(h * h + _square(cov_h, units))
            v = math.sqrt(v * v + _square(cov_v, units))
        return h, v

    return spread


def _square(cov: Sequence[Sample], units: Sample) -> float:
    return _dot(units, [_dot(row, units) for row in cov])


def _extra(mapping: Mapping, e: int) -> Units | None:
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

    return extra if plan else None


def _mean(sample: Sample, columns: tuple[int, ...]) -> float:
    there = [sample[c] for c in columns if math.isfinite(sample[c])]
    if len(columns) == 1:
        return sample[columns[0]]
    return sum(there) / len(there) if there else math.nan


def _sure(source: EyeSource, setup: Setup, least: float) -> Read:
    """Return what reads an eye's features where the tracker is sure enough of it."""
    position, column = _position(source, setup), source.confidence
    if column is None or least <= 0:
        return position
    enough = sure_from(least)
    return lambda sample: position(sample) if sample[column] >= enough else None


def _position(source: EyeSource, setup: Setup) -> Read:
    """Return what reads an eye's features; None where the eye is missing."""
    if source.kind == "pupil-reflex":
        both = len(source.columns) == 6
        return _reflexes(*source.columns) if both else _reflex(*source.columns)
    kinds: dict[str, Callable[[Sequence[float]], Pair | None]] = {
        "direction": _direction,
        "screen": _screen(source.unit, setup),
    }
    features, columns = kinds.get(source.kind, _plain), source.columns

    def position(sample: Sample) -> Pair | None:
        values = [sample[c] for c in columns]
        first = values[0]
        if first in (0.0, -1.0) and all(value == first for value in values):
            return None
        found = features(values)
        if found is None or not math.isfinite(found[0] + found[1]):
            return None
        return found

    return position


def _reflex(px: int, py: int, rx: int, ry: int) -> Read:
    def reflex(sample: Sample) -> Pair | None:
        x, y, a, b = sample[px], sample[py], sample[rx], sample[ry]
        if (x == y and x in (0.0, -1.0)) or (a == b and a in (0.0, -1.0)):
            return None
        x, y = x - a, y - b
        return (x, y) if math.isfinite(x + y) else None

    return reflex


def _reflexes(px: int, py: int, ax: int, ay: int, bx: int, by: int) -> Read:
    isfinite, sqrt, inf = math.isfinite, math.sqrt, math.inf

    def reflexes(sample: Sample) -> Pair | None:
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
        if apart == 0.0 or apart == inf:
            return None
        x, y = (x - 0.5 * (a + c)) / apart, (y - 0.5 * (b + d)) / apart
        return (x, y) if isfinite(x + y) else None

    return reflexes


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
