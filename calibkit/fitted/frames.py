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

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis, exponents, to_powers
from calibkit.fitted.bayes import Blocks, Gaussian
from calibkit.fitted.broad import NOISE_SPREAD
from calibkit.fitted.features import Layout
from calibkit.fitted.observations import Points, blocks, carried, prepare
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]

# Sd over set-ups: of the features' size (logarithm), of the place in degrees right and
# down. Eighteen simulated desks have 0.23, 0.7 and 2.7; cameras may stand above.
SIZE_SD, PLACE_SD = 0.3, (2.0, 4.0)
PRIOR_SETUPS = 2.0  # what is known of set-ups beforehand counts as so many
# Of a set-up that nobody was learned from: the sizes that are tried, in steps of a
# logarithm, and what is unknown beside the best: degrees of place, logarithms of size
# and of height by width, radians of the camera's roll.
SIZES, SIZES_SD = np.arange(-4, 5) * 0.25, 0.35
UNKNOWN = (3.0, 5.0, 0.12, 0.03, 0.03)
# Which way round features may be, with the log odds of that; not as others are is rare.
TURNS = {(1, 1): 0.0, (-1, 1): -3.0, (1, -1): -4.0, (-1, -1): -4.0}
# What people differ in counts so many times, since another desk adds to it.
ELSEWHERE = 1.2
# Lapses: their share, how far off they are, and how many looks are believed first.
LAPSE_SHARE, LAPSE_DEG, MOST_FIRST = 0.15, 8.0, 8

# What is added to a doubted prior's sd by group, degrees rms over the screen.
WIDER_SD = {0: 6.0, 1: 4.0, 2: 0.6, 3: 0.2, 4: 0.5}


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A set-up's features are brought to others' by their size and gaze by its place.

    Parameters
    ----------
    size : float
    turn : array (2,) of -1 or 1
        -1 where features, right or down, count the other way than they mostly do.
    place : array (2,), degrees
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
            gaze=found.gaze - self.place,
            mean=np.where(found.seen[..., None], moved, 0.0),
            mean_cov=found.mean_cov * np.outer(each, each),
            spread=found.spread * np.outer(each, each),
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


def elsewhere(
    prior: SharedMapping, found: Points, zeros: Sequence[bool]
) -> tuple[SharedMapping, Array]:
    """Return a prior of other set-ups as it holds where looks come from; trust in them.

    Size of the features and which way round they are: what most looks agree with.

    Parameters
    ----------
    prior : SharedMapping
    found : Points
        T looks.
    zeros : sequence of bool
        Per eye, whether its features have a zero of their own.

    Returns
    -------
    SharedMapping, and array (T,)
    """
    theirs = np.where(np.array(zeros)[:, None], 0.0, prior.basis.centre)
    here = centres([found], zeros)
    ways = directions(prior.basis, prior.weights.mean, theirs)
    spread = replace(prior.weights, cov=ELSEWHERE * prior.weights.cov)
    wide = widened(spread, ways, np.array(UNKNOWN) ** 2)

    def tried(turn: tuple[int, int], sizes: NDArray[np.floating]) -> list[_Option]:
        way = np.array(turn, float)
        weights = turned(prior.basis, wide, way)
        root, out = weights.root(), []
        for step in sizes:
            size = float(np.exp(step))
            basis = replace(
                prior.basis,
                centre=here + way * (prior.basis.centre - theirs) / size,
                scale=prior.basis.scale / size,
            )
            moved = replace(prior, basis=basis, weights=weights)
            score, trust = _agreement(moved, found, root)
            score += TURNS[turn] - 0.5 * (step / SIZES_SD) ** 2
            out.append((score, turn, moved, trust))
        return out

    straight = next(iter(TURNS))
    if len(found) < 2:
        options = tried(straight, np.zeros(1))
    else:
        options = tried(straight, SIZES)
        for turn in list(TURNS)[1:]:
            options += tried(turn, SIZES[::2])
        turn = max(options, key=_score)[1]
        if turn != straight:
            options += tried(turn, SIZES[1::2])
    _, _, moved, trust = max(options, key=_score)
    return moved, trust


_Option = tuple[float, tuple[int, int], SharedMapping, Array]


def _score(option: _Option) -> float:
    return option[0]


def _agreement(prior: SharedMapping, found: Points, root: Array) -> tuple[float, Array]:
    """Log evidence of looks, some of which may be lapses, and trust in each.

    Where a set-up is unknown, no look is far off by itself: each in turn is believed
    first and says which others agree with it.
    """
    prepared, weights = prepare(prior.basis, found), prior.weights
    made = blocks(prepared, prior.noise, carried(prepared, weights.mean))
    count, width = made.target.shape
    first = np.unique(np.linspace(0, count - 1, MOST_FIRST).astype(int))
    parts = {name: value[None] for name, value in vars(made).items()}
    many = Blocks(**{n: np.repeat(v, len(first), axis=0) for n, v in parts.items()})
    only = np.where(np.arange(count) == first[:, None], 1.0, 1e-6)
    alone = bayes.solve(weights, many, only, root).distance2()
    start = np.maximum(only, bayes.bounded_weights(alone, many.counts))
    trust = bayes.robust_weights(weights, many, start=start, root=root, rounds=2)
    lapsed = (trust < 0.5) & (many.counts > 0)
    anywhere = np.tile(np.eye(2), (width // 2, width // 2)) * LAPSE_DEG**2
    noise = many.noise + lapsed[..., None, None] * anywhere
    each = bayes.solve(weights, replace(many, noise=noise), root=root).log_evidence
    each = each + np.log(LAPSE_SHARE) * lapsed.sum(axis=-1)
    best = int(np.argmax(each))
    return float(each[best]), trust[best]


def loosened(prior: SharedMapping, share: float) -> SharedMapping:
    """Return the prior with more sd for every group, and persons' noise vaguer."""
    more = share * np.array([WIDER_SD[int(g)] for g in prior.basis.group])
    cov = (1.0 + 3.0 * share) * prior.weights.cov
    cov = cov + np.diag(np.tile(more, 2 * len(prior.eyes)) ** 2)
    noise = replace(prior.noise, spread=max(prior.noise.spread, NOISE_SPREAD))
    return replace(prior, weights=replace(prior.weights, cov=cov), noise=noise)
