"""Where camera and lights stand: what set-ups differ in, for features without degrees.

Seen from another desk the same eyes give nearly the same features but for their size
(distance, focal length, how far apart the lights are) and for where on the screen a
look into the camera would be. Three numbers that both eyes share, then, are unknown of
a new set-up, and not each coefficient: a look or two tell them. Which way round its
pictures are (mirrored, upside down) is not known either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis, exponents, to_powers
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.features import Layout
from calibkit.fitted.observations import Points

Array = NDArray[np.float64]

# Sd over set-ups: of the features' size (logarithm), of the place in degrees right and
# down. Eighteen simulated desks have 0.23, 0.7 and 2.7; cameras may stand above.
SIZE_SD, PLACE_SD = 0.3, (2.0, 4.0)
PRIOR_SETUPS = 2.0  # what is known of set-ups beforehand counts as so many


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A set-up's features are brought to others' by their size and gaze by its place.

    Parameters
    ----------
    size : float
    turn : array (2,) of -1 or 1
        -1 where features, right or down, count the other way than they mostly do.
    place : array (2,), degrees
        By how much it is turned right and down, seen from the common set-up.
    centre : array (e, 2)
        Features from which their size is counted.
    """

    size: float
    turn: Array
    place: Array
    centre: Array

    def aligned(self, found: Points, centre: Array) -> Points:
        """Looks as they would be at the common set-up, about its centre."""
        factor = self.size * self.turn
        moved = centre + factor * (found.mean - self.centre)
        each = np.tile(factor, len(self.centre))
        return replace(
            found,
            gaze=turned_to(found.gaze, self.place),
            mean=np.where(found.seen[..., None], moved, 0.0),
            mean_cov=found.mean_cov * np.outer(each, each),
            spread=found.spread * np.outer(each, each),
        )


def turned_to(gaze: Array, place: Array) -> Array:
    """Field angles of the same directions for someone who faces a place.

    Parameters
    ----------
    gaze : array (T, 2), degrees
    place : array (2,), degrees
        Right, then down; directions there become 0.

    Notes
    -----
    A camera elsewhere sees eyes turned, not shifted: field angles go with tangents, so
    that a turn down also widens what is low.
    """
    right, down = np.tan(np.radians(gaze)).T
    (sin_h, sin_v), (cos_h, cos_v) = (
        np.sin(np.radians(place)),
        np.cos(np.radians(place)),
    )
    across, ahead = right * cos_h - sin_h, right * sin_h + cos_h
    below, ahead = down * cos_v - ahead * sin_v, down * sin_v + ahead * cos_v
    return np.degrees(
        np.stack([np.arctan2(across, ahead), np.arctan2(below, ahead)], 1)
    )


def about_zero(plan: Layout) -> tuple[bool, ...]:
    """Per eye, whether its features are 0 where it looks into the light."""
    return tuple(source.kind == "pupil-reflex" for source in plan.eyes)


def centres(found: Sequence[Points], zeros: Sequence[bool]) -> Array:
    """Features (e, 2) from which sizes are counted.

    A pupil's way from a reflex is 0 where it looks into the light; of other features
    only their middle is known.
    """
    out = np.zeros((len(zeros), 2))
    for e, zero in enumerate(zeros):
        rows = [looks.mean[looks.seen[:, e], e] for looks in found]
        if not zero and any(len(row) for row in rows):
            out[e] = np.median(np.concatenate(rows), axis=0)
    return out


def _log_size(found: Points) -> float:
    """Logarithm of degrees per feature: the median over pairs of looks, both eyes."""
    first, second = np.triu_indices(len(found), 1)
    ratios = []
    for e in range(found.seen.shape[1]):
        both = found.seen[first, e] & found.seen[second, e]
        a, b = first[both], second[both]
        way = np.linalg.norm(found.gaze[a] - found.gaze[b], axis=1)
        seen = np.linalg.norm(found.mean[a, e] - found.mean[b, e], axis=1)
        good = (way > 1.0) & (seen > 0.0)
        ratios.append(np.log(way[good]) - np.log(seen[good]))
    every = np.concatenate(ratios)
    return float(np.median(every)) if len(every) else float("nan")


def frames(
    found: Sequence[Points], setup: NDArray[np.int_], zeros: Sequence[bool]
) -> list[Frame]:
    """One frame per set-up.

    Parameters
    ----------
    found : sequence of Points
    setup : array of int
        Which of the set-ups, 0 to G - 1, each of them is of.
    zeros : sequence of bool
        Per eye, whether its features have a zero of their own.
    """
    groups = [[found[k] for k in np.flatnonzero(setup == g)] for g in np.unique(setup)]
    middle = [centres(group, zeros) for group in groups]
    logs = np.array([_median([_log_size(p) for p in group]) for group in groups])
    logs = np.where(np.isfinite(logs), logs, _median(logs.tolist()))
    sizes = np.exp(logs - logs.mean())
    none = np.zeros(2)
    rough = [
        Frame(size=s, turn=t, place=none, centre=c)
        for s, t, c in zip(sizes.tolist(), _turns(groups), middle, strict=True)
    ]
    zero = np.zeros_like(middle[0])
    alike = [
        [frame.aligned(p, zero) for p in group]
        for frame, group in zip(rough, groups, strict=True)
    ]
    gains = _gains([p for group in alike for p in group])
    places = np.array(
        [np.nanmedian([_place(p, gains) for p in group], axis=0) for group in alike]
    )
    places = np.where(np.isfinite(places), places, np.nanmean(places, axis=0))
    places = places - places.mean(axis=0)
    return [
        replace(frame, place=place) for frame, place in zip(rough, places, strict=True)
    ]


def _median(values: Sequence[float]) -> float:
    there = np.asarray(values)[np.isfinite(values)]
    return float(np.median(there)) if len(there) else 0.0


def _gains(found: Sequence[Points]) -> Array:
    """Degrees per feature (e, 2, 2), from how looks of one person differ."""
    eyes = found[0].seen.shape[1]
    out = np.zeros((eyes, 2, 2))
    for e in range(eyes):
        apart, way = [], []
        for looks in found:
            seen = looks.seen[:, e]
            if seen.sum() > 1:
                apart.append(looks.mean[seen, e] - np.median(looks.mean[seen, e], 0))
                way.append(looks.gaze[seen] - np.median(looks.gaze[seen], 0))
        if not apart:
            continue
        x, y = np.concatenate(apart), np.concatenate(way)
        trust = np.ones(len(x))
        for _ in range(5):
            out[e] = np.linalg.lstsq(
                x * trust[:, None], y * trust[:, None], rcond=None
            )[0]
            left = np.linalg.norm(y - x @ out[e], axis=1)
            trust = 1.0 / np.sqrt(1.0 + (left / (2.0 * np.median(left) + 1e-9)) ** 2)
    return out


def _turns(groups: Sequence[Sequence[Points]]) -> Array:
    """Which way features of each group count (G, 2), 1 where it is as in most."""
    ways = np.sign([np.einsum("eaa->a", _gains(group)) for group in groups])
    persons = np.array([len(group) for group in groups])
    most = np.where(persons @ ways < 0.0, -1.0, 1.0)
    turns: Array = np.where(ways == 0.0, 1.0, ways * most)
    return turns


def _place(found: Points, gains: Array) -> Array:
    """Where a person's features of 0 would lie, degrees; NaN where nothing was seen."""
    rows = [
        np.median(found.gaze[seen] - found.mean[seen, e] @ gains[e], axis=0)
        for e, seen in enumerate(found.seen.T)
        if seen.any()
    ]
    return np.mean(rows, axis=0) if rows else np.full(2, np.nan)


def over_setups(made: Sequence[Frame]) -> Array:
    """Variances (3,) of place, right and down, and of size for one more set-up."""
    rows = np.array([[*frame.place, np.log(frame.size)] for frame in made])
    known = PRIOR_SETUPS * np.array([*PLACE_SD, SIZE_SD]) ** 2
    apart = np.sum((rows - rows.mean(axis=0)) ** 2, axis=0)
    count = len(rows)
    found: Array = (known + apart) / (PRIOR_SETUPS + count - 1) * (1.0 + 1.0 / count)
    return found


def directions(basis: Basis, mean: Array, centre: Array) -> Array:
    """What weights change by, (5, d), per unit of what set-ups differ in.

    Place right and down (degrees), size, height by width (logarithms), roll (radians).

    Parameters
    ----------
    basis : Basis
    mean : array (d,)
        Weights at the set-up.
    centre : array (e, 2)
        Features from which their size is counted.
    """
    eyes, terms = len(basis.centre), basis.terms
    weights = mean.reshape(eyes, 2, terms)
    moved = np.zeros((5, eyes, 2, terms))
    moved[0, :, 0, 0] = moved[1, :, 1, 0] = 1.0
    for e in range(eyes):
        moved[0, e, 1] = moved[1, e, 0] = _product(basis, weights[e])
        shift = (basis.centre[e] - centre[e]) / basis.scale[e]
        across, down = (_stretched(basis, weights[e], k, shift[k]) for k in range(2))
        moved[2, e], moved[3, e] = across + down, across - down
        moved[4, e, 0], moved[4, e, 1] = -weights[e, 1], weights[e, 0]
    return moved.reshape(5, -1)


def _stretched(basis: Basis, weights: Array, axis: int, shift: float) -> Array:
    """(x + shift) d/dx of functions with these weights (2, terms), x scaled."""
    powers = exponents(basis.degree)
    matrix = to_powers(basis.degree)
    plain = weights[:, : len(powers)] @ matrix.T
    out = np.zeros_like(plain)
    for k, power in enumerate(powers):
        if not power[axis]:
            continue
        lower = tuple(p - (a == axis) for a, p in enumerate(power))
        out[:, k] += power[axis] * plain[:, k]
        out[:, powers.index(lower)] += power[axis] * shift * plain[:, k]
    moved = np.zeros_like(weights)
    moved[:, : len(powers)] = np.linalg.solve(matrix, out.T).T
    return moved


def _product(basis: Basis, weights: Array) -> Array:
    """Gaze right times down, in radians, of functions with these weights (2, terms).

    By so much gaze moves along the other axis, too, where a set-up is turned by 1.
    """
    powers = exponents(basis.degree)
    matrix = to_powers(basis.degree)
    right, down = weights[:, : len(powers)] @ matrix.T
    plain, out = np.zeros(len(powers)), np.zeros(basis.terms)
    for k, (a, b) in enumerate(powers):
        for m, (c, d) in enumerate(powers):
            if (a + c, b + d) in powers:
                plain[powers.index((a + c, b + d))] += right[k] * down[m]
    out[: len(powers)] = np.radians(np.radians(np.linalg.solve(matrix, plain)))
    return out


def turned(basis: Basis, weights: Gaussian, turn: Array) -> Gaussian:
    """Weights of the same mapping when scaled features change these signs (2,)."""
    matrix = to_powers(basis.degree)
    sign = np.prod(turn ** np.array(exponents(basis.degree)), axis=1)
    one = np.eye(basis.terms)
    one[: len(sign), : len(sign)] = np.linalg.solve(matrix, sign[:, None] * matrix)
    every = np.kron(np.eye(2 * len(basis.centre)), one)
    return Gaussian(mean=every @ weights.mean, cov=every @ weights.cov @ every.T)


def widened(weights: Gaussian, ways: Array, variances: Array) -> Gaussian:
    """Weights that are unsure in these directions (m, d) as well."""
    return Gaussian(mean=weights.mean, cov=weights.cov + (ways.T * variances) @ ways)
