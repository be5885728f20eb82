"""A mapping for one sample at a time, in plain numbers: what live gaze needs.

The arithmetic is that of `Mapping.apply`, in the same order, so that a published row
equals the applied one to the last bit. Arrays of one row would cost ten times as much.
Between two samples of a slow tracker other programs have filled the processor's caches:
what counts then is how many places in memory are touched. So calls are few, numbers lie
side by side in tuples that are handed on, and what is finite is told by a difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.evaluation import EDGE, SIDE, STEPS
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.mapping_live_eye import Pair, Sample, reader
from calibkit.geometry import Setup, tangent

Array = NDArray[np.float64]
Row = tuple[float, float, float, float]  # x, y, sd x, sd y in pixels
Numbers = tuple[float, ...]
Live = Callable[[Sample], Row]

NOWHERE: Row = (math.nan,) * 4
_MIDDLE = EDGE * STEPS + 0.5
_RADIANS = np.pi / 180.0

Units = Callable[[Sample], Sample]  # its covariates
Both = Callable[[float, float, Numbers], Row]  # scaled features, angles
Spread = Callable[[float, float, Sample], Pair]


def live(mapping: Mapping) -> Live:
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
    spread = [_spread(mapping, state) for state in range(1 + len(eyes))]
    screen = _screen_numbers(mapping.setup)
    if len(eyes) == 1:
        return _with_one(read[0], extras[0], spread[1], screen, mapping.layout.width)
    general = _with_two(read, extras, spread, screen, mapping)
    return general if any(extras) else _both_seen(mapping, screen, general)


def _both_seen(mapping: Mapping, screen: Numbers, general: Live) -> Live:
    """Return what maps nearly every sample by few calls, and leaves the others."""
    (read_a, at_a), (read_b, at_b) = (reader(mapping, e) for e in range(2))
    both, a_scaled = _POLYNOMIALS[mapping.basis.degree], _scaled(mapping, 0)
    width, b_scaled, table = (
        mapping.layout.width,
        _scaled(mapping, 1),
        _table(mapping, 0),
    )
    # One place in memory instead of one for each; a starred name would make a list.
    ready = (
        *(width, read_a, at_a, read_b, at_b, both, a_scaled, b_scaled, table),
        *(*_two_eyes(mapping)[:6], screen),
    )

    def row(sample: Sample) -> Row:
        # fmt: off
        (
            width, read_a, at_a, read_b, at_b, both, a_scaled, b_scaled, table,
            ah, av, bh, bv, most_h, most_v, screen,
        ) = ready
        # fmt: on
        if len(sample) != width:
            raise _wrong(sample, width)
        a, b = read_a(sample, at_a), read_b(sample, at_b)
        if a is None or b is None:
            return general(sample)
        x, y, a_h, a_v = both(a[0], a[1], a_scaled)
        bx, by, b_h, b_v = both(b[0], b[1], b_scaled)
        if not (-EDGE <= x <= EDGE and -EDGE <= y <= EDGE):
            return general(sample)
        if not (-EDGE <= bx <= EDGE and -EDGE <= by <= EDGE):
            return general(sample)
        a_total, b_total = a_h + a_v, b_h + b_v
        if a_total - a_total != 0.0 or b_total - b_total != 0.0:
            return general(sample)
        apart_h, apart_v = a_h - b_h, a_v - b_v
        if apart_h * apart_h > most_h or apart_v * apart_v > most_v:
            return general(sample)
        h, v = ah * a_h + bh * b_h, av * a_v + bv * b_v
        cell = 2 * (int(x * STEPS + _MIDDLE) * SIDE + int(y * STEPS + _MIDDLE))
        return _to_px(h, v, table[cell], table[cell + 1], screen)

    return row


def _two_eyes(mapping: Mapping) -> Numbers:
    """Shares of both eyes, how far they may be apart, and what more says of the sd."""
    ready = mapping.evaluator
    (ah, av), (bh, bv) = ready.eye_weights.tolist()
    return (ah, av, bh, bv, *ready.apart2.tolist(), ah * bh, av * bv)


def _with_one(
    read: Callable[[Sample, Sample], Row | None],
    extra: Units | None,
    spread: Spread,
    screen: Numbers,
    width: int,
) -> Live:
    def row(sample: Sample) -> Row:
        if len(sample) != width:
            raise _wrong(sample, width)
        units = extra(sample) if extra else ()
        seen = read(sample, units)
        if seen is None:
            return NOWHERE
        x, y, h, v = seen
        return _to_px(h, v, *spread(x, y, units), screen)

    return row


def _with_two(
    read: list[Callable[[Sample, Sample], Row | None]],
    extras: list[Units | None],
    spread: list[Spread],
    screen: Numbers,
    mapping: Mapping,
) -> Live:
    width, ready = mapping.layout.width, _two_eyes(mapping)
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
            return _to_px(b[2], b[3], *b_alone(b[0], b[1], more), screen)
        ax, ay, a_h, a_v = a
        if b is None:
            return _to_px(a_h, a_v, *a_alone(ax, ay, units), screen)
        bx, by, b_h, b_v = b
        a_near = -EDGE <= ax <= EDGE and -EDGE <= ay <= EDGE
        if a_near != (-EDGE <= bx <= EDGE and -EDGE <= by <= EDGE):
            # As in `Evaluator.gaze`: what no screen needs is no gaze.
            if a_near:
                return _to_px(a_h, a_v, *a_alone(ax, ay, units), screen)
            return _to_px(b_h, b_v, *b_alone(bx, by, more), screen)
        sd_h, sd_v = both(ax, ay, units)
        ah, av, bh, bv, most_h, most_v, share_h, share_v = ready
        apart_h, apart_v = a_h - b_h, a_v - b_v
        over_h, over_v = apart_h * apart_h - most_h, apart_v * apart_v - most_v
        if over_h > 0.0:
            sd_h = sqrt(sd_h * sd_h + share_h * over_h)
        if over_v > 0.0:
            sd_v = sqrt(sd_v * sd_v + share_v * over_v)
        return _to_px(ah * a_h + bh * b_h, av * a_v + bv * b_v, sd_h, sd_v, screen)

    return row


def _wrong(sample: Sample, width: int) -> ValueError:
    return ValueError(f"a sample has {len(sample)} numbers instead of {width}")


def _screen_numbers(setup: Setup) -> Numbers:
    """What `_to_px` needs: scales, feet, and the scales by degrees."""
    depth = setup.viewpoint_mm[2]
    scales, feet = [], []
    for axis in range(2):
        size_px, size_mm = setup.screen_px[axis], setup.screen_mm[axis]
        scales.append(float(depth * size_px / size_mm))
        feet.append(float((setup.viewpoint_mm[axis] / size_mm + 0.5) * size_px))
    return (*scales, *feet, *(float(scale * np.pi / 180.0) for scale in scales))


def _to_px(h: float, v: float, sd_h: float, sd_v: float, screen: Numbers) -> Row:
    sx, sy, fx, fy, gx, gy = screen
    tx = tangent((85.0 if h > 85.0 else -85.0 if h < -85.0 else h) * _RADIANS)
    ty = tangent((85.0 if v > 85.0 else -85.0 if v < -85.0 else v) * _RADIANS)
    return (
        tx * sx + fx,
        ty * sy + fy,
        sd_h * (tx * tx + 1.0) * gx,
        sd_v * (ty * ty + 1.0) * gy,
    )


def _eye(mapping: Mapping, e: int) -> Callable[[Sample, Sample], Row | None]:
    """Return what turns a sample into one eye's scaled features and angles."""
    read, at = reader(mapping, e)
    both, scaled = _POLYNOMIALS[mapping.basis.degree], _scaled(mapping, e)
    slopes_h, slopes_v = mapping.evaluator.slopes[e].tolist()

    def eye(sample: Sample, units: Sample) -> Row | None:
        seen = read(sample, at)
        if seen is None:
            return None
        x, y, h, v = both(seen[0], seen[1], scaled)
        if units:
            h += _dot(slopes_h, units)
            v += _dot(slopes_v, units)
        total = h + v
        return (x, y, h, v) if total - total == 0.0 else None

    return eye


def _scaled(mapping: Mapping, e: int) -> Numbers:
    """What a polynomial needs of one eye: how to scale features, then its weights."""
    basis, weights = mapping.basis, mapping.evaluator.coefficients[e]
    scales = np.concatenate([basis.centre[e], 1.0 / basis.scale[e]])
    return (*scales.tolist(), *weights.ravel().tolist())


# Two polynomials at once of scaled features, by powers of x and y, each sum in the
# order of `basis.exponents`.


def _first(x: float, y: float, scaled: Numbers) -> Row:
    mx, my, kx, ky, c0, cx, cy, d0, dx, dy = scaled
    x, y = (x - mx) * kx, (y - my) * ky
    return x, y, c0 + cx * x + cy * y, d0 + dx * x + dy * y


def _second(x: float, y: float, scaled: Numbers) -> Row:
    mx, my, kx, ky, c0, cx, cy, cxx, cxy, cyy, d0, dx, dy, dxx, dxy, dyy = scaled
    x, y = (x - mx) * kx, (y - my) * ky
    xx, xy, yy = x * x, y * x, y * y
    h = c0 + cx * x + cy * y + cxx * xx + cxy * xy + cyy * yy
    return x, y, h, d0 + dx * x + dy * y + dxx * xx + dxy * xy + dyy * yy


def _third(x: float, y: float, scaled: Numbers) -> Row:
    # fmt: off
    (
        mx, my, kx, ky,
        c0, cx, cy, cxx, cxy, cyy, c30, c21, c12, c03,
        d0, dx, dy, dxx, dxy, dyy, d30, d21, d12, d03,
    ) = scaled
    # fmt: on
    x, y = (x - mx) * kx, (y - my) * ky
    xx, xy, yy = x * x, y * x, y * y
    p, q, r, s = xx * x, xy * x, yy * x, yy * y
    h = c0 + cx * x + cy * y + cxx * xx + cxy * xy + cyy * yy
    v = d0 + dx * x + dy * y + dxx * xx + dxy * xy + dyy * yy
    h = h + c30 * p + c21 * q + c12 * r + c03 * s
    return x, y, h, v + d30 * p + d21 * q + d12 * r + d03 * s


_POLYNOMIALS: dict[int, Both] = {1: _first, 2: _second, 3: _third}


def _dot(weights: Sample, terms: Sample) -> float:
    total = weights[0] * terms[0]
    for weight, term in zip(weights[1:], terms[1:], strict=True):
        total += weight * term
    return total


def _table(mapping: Mapping, state: int) -> Numbers:
    """Sd in degrees, of each cell across and down."""
    return tuple(np.ravel(mapping.evaluator.tables[state].T).tolist())


def _spread(mapping: Mapping, state: int) -> Spread:
    """Return what looks the sd up, in degrees, for the eyes that are seen."""
    table = _table(mapping, state)
    cov_h, cov_v = mapping.evaluator.extra_cov[state].tolist()
    top, more = SIDE - 1.0, mapping.basis.degree - 1

    def spread(x: float, y: float, units: Sample) -> Pair:
        across, down = x * STEPS + _MIDDLE, y * STEPS + _MIDDLE
        across = top if across > top else 0.0 if across < 0.0 else across
        down = top if down > top else 0.0 if down < 0.0 else down
        cell = 2 * (int(across) * SIDE + int(down))
        h, v = table[cell], table[cell + 1]
        if not (-EDGE <= x <= EDGE and -EDGE <= y <= EDGE):
            reach = max(abs(x), abs(y))
            beyond = growth = reach / EDGE
            for _ in range(more):
                growth *= beyond
            h, v = h * growth, v * growth
        if units:
            h = sqrt(h * h + _square(cov_h, units))
            v = sqrt(v * v + _square(cov_v, units))
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
