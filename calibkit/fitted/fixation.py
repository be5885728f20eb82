"""Which samples of a target count: the steady look at it, found in the data.

Latency is not assumed: the signal is cut into steady stretches, and the one that can be
the look at the target is kept, blinks and jumps left out. Its mean comes with a
covariance that knows that gaze noise is correlated in time (all recorded fixations are:
Friedman 2023, arXiv 2303.06004), so that sigma over root n would promise too much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import segments

Array = NDArray[np.float64]

SHORTEST_S = 0.1  # less than this is no look (common practice, no source)
BIN_S = 0.04
BEFORE_PRESS_S = 1.5  # how long before a key press looking counts
BLINK_S = 0.06  # a longer gap is a blink or a loss: its edges are not trusted
BLINK_EDGE_S = 0.04
BEFORE_LOOK = 0.2  # worth of a stretch before the look that ended a target by gaze
NO_REACTION = 0.35  # worth of a stretch that began before the person could react


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """One way to see a target: which samples, their mean and how sure it is.

    Parameters
    ----------
    target : int
        Row in the recording's targets.
    rows : array (n,)
        The samples that count.
    mean : array (e, 2)
        Mean features per eye; NaN for an eye that was not seen.
    spread : array (2e, 2e)
        Covariance of the samples, eye by eye, x and y.
    counts : array (e,)
        Samples seen per eye.
    extra : array (e, c)
        Mean covariates.
    path_time : array (n,) or None
        Times of the samples, where the target was moving.
    """

    target: int
    rows: NDArray[np.intp]
    mean: Array
    spread: Array
    counts: Array
    extra: Array
    path_time: Array | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What was found for one target.

    Parameters
    ----------
    target : int
    looks : tuple of Look
        One for a target that stood still, one per block for a moving one.
    others : tuple of array of int
        Samples of other steady stretches, the next likely first.
    reason : str
        In plain words.
    """

    target: int
    looks: tuple[Look, ...]
    others: tuple[NDArray[np.intp], ...]
    reason: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Sight:
    """All targets of a recording, with the noise that they share.

    `spread` (2e, 2e) is the samples' covariance over all looks; `correlation` says by
    how much the variance of a mean exceeds sigma²/n. `clean` (e, n, 2) are the features
    without the edges of blinks.
    """

    seen: tuple[Seen, ...]
    spread: Array
    correlation: float
    clean: Array


def window(row: np.void) -> tuple[float, float]:
    """When a look at a target can lie: before the press where a key advanced it."""
    onset, offset = float(row["onset"]), float(row["offset"])
    if str(row["advance"]) == "key":
        earliest = offset - BEFORE_PRESS_S
        return (max(onset, earliest) if onset < offset else earliest), offset
    return onset, offset


def sight(
    time: Array, xy: Array, extra: Array, targets: NDArray[np.void], path: Array
) -> Sight:
    """Find the looks at each target.

    Parameters
    ----------
    time : array (n,), s
    xy : array (e, n, 2)
        Features, NaN where missing.
    extra : array (e, n, c)
        Covariates.
    targets : structured array (m,)
        Rows as the recording has them; x and y are NaN for a target that moves.
    path : array (p, 3)
        time, x, y of moving targets.

    Returns
    -------
    Sight
    """
    rate = _rate(time)
    clean = _without_blink_edges(xy, rate)
    places = [_place(time, row) for row in targets]
    moving = ~np.isfinite(targets["x"]) | ~np.isfinite(targets["y"])
    still = [p for p, moves in zip(places, moving, strict=True) if not moves]
    sd = _bin_noise(time, clean, still, rate)
    rough = [
        _glide(time, clean, place, path)
        if moves
        else _still(time, clean, place, sd, rate, str(targets[k]["advance"]))
        for k, (place, moves) in enumerate(zip(places, moving, strict=True))
    ]
    best = [
        options if moves else options[:1]
        for (options, _), moves in zip(rough, moving, strict=True)
    ]
    seen = tuple(
        Seen(
            target=k,
            looks=tuple(
                look_at(k, time, clean, extra, rows, moving=bool(moving[k]))
                for rows in best[k]
            ),
            others=() if moving[k] else tuple(options[1:]),
            reason=reason,
        )
        for k, (options, reason) in enumerate(rough)
    )
    calm = [
        rows[0] for rows, moves in zip(best, moving, strict=True) if rows and not moves
    ]
    return Sight(
        seen=seen,
        spread=_pooled(seen, len(xy)),
        correlation=_correlation(clean, calm, rate),
        clean=clean,
    )


def _rate(time: Array) -> float:
    steps = np.diff(time)
    steps = steps[steps > 0]
    return float(1.0 / np.median(steps)) if len(steps) else 60.0


def _without_blink_edges(xy: Array, rate: float) -> Array:
    """Blank what lies next to a gap: the lid covers the pupil on its way."""
    long, edge = max(2, round(BLINK_S * rate)), round(BLINK_EDGE_S * rate)
    clean = xy.copy()
    for eye in clean if edge else ():
        gone = ~np.isfinite(eye[:, 0])
        change = np.flatnonzero(np.diff(np.concatenate([[0], gone, [0]]).astype(int)))
        for first, last in change.reshape(-1, 2):
            if last - first >= long:
                eye[max(0, first - edge) : last + edge] = np.nan
    return clean


def _place(time: Array, row: np.void) -> tuple[float, float, slice]:
    start, end = window(row)
    if not (np.isfinite(start) and np.isfinite(end)):
        return 0.0, 0.0, slice(0, 0)
    first, last = np.searchsorted(time, [start, end])
    return start, end, slice(int(first), int(max(first, last)))


def _bin_width(start: float, end: float, rate: float) -> tuple[float, int]:
    span = max(end - start, 1e-6)
    count = max(1, int(span / max(BIN_S, 1.0 / rate, span / 60.0)))
    return span / count, count


def _signal(xy: Array, part: slice) -> Array:
    return np.concatenate([eye[part] for eye in xy], axis=1)


def _bin_noise(
    time: Array, xy: Array, places: Sequence[tuple[float, float, slice]], rate: float
) -> Array:
    """Noise of a bin, and no less than a small part of what the targets span."""
    rows, middles = [], []
    for start, end, part in places:
        if part.stop - part.start < 2:
            continue
        width, count = _bin_width(start, end, rate)
        binned = segments.bins(time[part], _signal(xy, part), start, width, count)
        rows.append(binned)
        with np.errstate(all="ignore"):
            middles.append(_median(binned))
    if not rows:
        return np.full(2 * len(xy), np.nan)
    longest = max(len(row) for row in rows)
    stack = np.full((len(rows), longest, 2 * len(xy)), np.nan)
    for k, row in enumerate(rows):
        stack[k, : len(row)] = row
    middle = np.array(middles)
    span = np.array(
        [np.ptp(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in middle.T]
    )
    noise = segments.noise(stack)
    floor = np.maximum(0.008 * span, 1e-9)
    return np.where(np.isfinite(noise), np.maximum(noise, floor), np.nan)


def _median(values: Array) -> Array:
    """Median per column, NaN where a column is empty (without a warning)."""
    out = np.full(values.shape[1], np.nan)
    for k, column in enumerate(values.T):
        there = np.sort(column[np.isfinite(column)])
        if len(there):
            out[k] = 0.5 * (there[(len(there) - 1) // 2] + there[len(there) // 2])
    return out


def _still(
    time: Array,
    xy: Array,
    place: tuple[float, float, slice],
    sd: Array,
    rate: float,
    advance: str,
) -> tuple[list[NDArray[np.intp]], str]:
    start, end, part = place
    if part.stop - part.start < 2:
        return [], "nothing was recorded while it was shown"
    signal = _signal(xy, part)
    if not np.isfinite(signal).any():
        return [], "no eye was seen"
    width, count = _bin_width(start, end, rate)
    found = segments.stretches(
        segments.bins(time[part], signal, start, width, count), sd
    )
    which = ((time[part] - start) / width).astype(int)
    any_eye = np.isfinite(signal).any(axis=1)
    options: list[tuple[float, NDArray[np.intp]]] = []
    for first, last in found:
        # Next to a jump, the eye is still settling or already leaving.
        low = first + (first > 0) * (last - first > 3)
        high = last - (last < count) * (last - first > 4)
        rows = np.flatnonzero((which >= low) & (which < high) & any_eye)
        seconds = len(rows) / rate
        if seconds < SHORTEST_S or len(rows) < 2:
            continue
        worth = seconds
        if first == 0 and last < count and advance != "key":
            worth *= NO_REACTION
        if advance == "key":
            worth *= 0.2 + 0.8 * last / count
        if advance == "gaze" and last < count - 2:
            # The look itself ended the target; what came before it was on the way.
            worth *= BEFORE_LOOK
        options.append((worth, rows + part.start))
    if not options:
        return [], "the eyes were not still for long enough"
    options.sort(key=lambda option: -option[0])
    seconds = len(options[0][1]) / rate
    return [rows for _, rows in options[:3]], f"looked at for {seconds:.2f} s"


GLIDE_BLOCK_S = 0.25
GLIDE_REACTION_S = 0.4


def _glide(
    time: Array, xy: Array, place: tuple[float, float, slice], path: Array
) -> tuple[list[NDArray[np.intp]], str]:
    """Cut a moving target's time into short blocks, each a look of its own."""
    start, end, part = place
    if len(path):
        start, end = max(start, path[0, 0]), min(end, path[-1, 0])
    stamps = time[part]
    inside = (stamps >= start + GLIDE_REACTION_S) & (stamps <= end)
    any_eye = np.isfinite(xy[:, part]).all(-1).any(0)
    if len(path) < 2 or not (inside & any_eye).any():
        return [], "no eye was seen" if len(path) >= 2 else "its path was not recorded"
    block = ((stamps - start) / GLIDE_BLOCK_S).astype(int)
    options = []
    for number in np.unique(block[inside & any_eye]):
        rows = np.flatnonzero(inside & any_eye & (block == number))
        if len(rows) >= 3:
            options.append(rows + part.start)
    return options, f"followed for {len(options) * GLIDE_BLOCK_S:.1f} s"


def look_at(
    target: int,
    time: Array,
    xy: Array,
    extra: Array,
    rows: NDArray[np.intp],
    *,
    moving: bool = False,
) -> Look:
    """Mean and scatter of the features over some samples."""
    eyes = len(xy)
    mean = np.full((eyes, 2), np.nan)
    counts = np.zeros(eyes)
    deviations = np.full((len(rows), 2 * eyes), np.nan)
    for e in range(eyes):
        part = xy[e, rows]
        kept = _near_median(part) if not moving else np.isfinite(part[:, 0])
        number = int(np.count_nonzero(kept))
        if number >= 2:
            counts[e] = number
            mean[e] = part[kept].sum(axis=0) / number
            deviations[kept, 2 * e : 2 * e + 2] = part[kept] - mean[e]
    covariates = np.array([_median(extra[e, rows]) for e in range(eyes)])
    return Look(
        target=target,
        rows=rows,
        mean=mean,
        spread=_pair_covariance(deviations),
        counts=counts,
        extra=covariates.reshape(eyes, extra.shape[-1]),
        path_time=time[rows] if moving else None,
    )


def _near_median(part: Array) -> NDArray[np.bool_]:
    """Rows that are seen and within four robust sd of the median."""
    kept = np.isfinite(part[:, 0])
    number = int(np.count_nonzero(kept))
    if number < 3:
        return kept
    # The upper median by sorting: np.median costs more than all the rest here.
    inside = part if number == len(part) else part[kept]
    away = np.abs(part - np.sort(inside, axis=0)[number // 2])
    inside = away if number == len(part) else away[kept]
    scale = 1.4826 * np.sort(inside, axis=0)[number // 2]
    with np.errstate(invalid="ignore"):
        near = (away <= 4.0 * scale + 1e-12).all(axis=1)
    near &= kept
    return near if np.count_nonzero(near) >= 2 else kept


def _pair_covariance(deviations: Array) -> Array:
    """Covariance about zero from the rows where both of a pair are there."""
    there = np.isfinite(deviations)
    value = np.where(there, deviations, 0.0)
    number = there.T.astype(float) @ there.astype(float)
    cov: Array = value.T @ value / np.maximum(number - 1.0, 1.0)
    return cov


def _pooled(seen: Sequence[Seen], eyes: int) -> Array:
    """Median variances and correlations over the best looks at still targets."""
    still = [s.looks[0] for s in seen if s.looks and s.looks[0].path_time is None]
    looks = still or [look for s in seen for look in s.looks]
    if not looks:
        return np.zeros((2 * eyes, 2 * eyes))
    weight = np.array([np.repeat(look.counts > 0, 2) for look in looks], float)
    both = weight[:, :, None] * weight[:, None, :]
    total = np.array([look.spread for look in looks])
    # One restless look must not speak for all: each is held to three times the median.
    size = np.array([np.trace(s) for s in total])
    cap = np.minimum(1.0, 3.0 * np.median(size) / np.maximum(size, 1e-300))
    pooled: Array = np.sum(total * both * cap[:, None, None], axis=0) / np.maximum(
        both.sum(axis=0), 1.0
    )
    return pooled


def _correlation(xy: Array, looks: Sequence[NDArray[np.intp]], rate: float) -> float:
    """By how much correlation in time inflates the variance of a mean.

    1 + 2 times the sum of autocorrelations up to where they vanish (the initial
    positive sequence of Geyer 1992, Statistical Science 7:473), pooled over looks.
    """
    longest = max(1, int(0.25 * rate))
    columns = []
    for rows in looks:
        for eye in xy:
            part = eye[rows]
            kept = _near_median(part)
            number = int(np.count_nonzero(kept))
            if number >= 4:
                middle = part[kept].sum(axis=0) / number
                columns.append(np.where(kept[:, None], part - middle, 0.0))
    if not columns:
        return 1.0
    length = max(len(column) for column in columns)
    stack = np.zeros((length, 2 * len(columns)))
    for k, column in enumerate(columns):
        stack[: len(column), 2 * k : 2 * k + 2] = column / np.sqrt(len(column))
    size = 1 << (2 * length - 1).bit_length()
    power = np.abs(np.fft.rfft(stack, size, axis=0)) ** 2
    top = np.fft.irfft(power.sum(axis=1), size)[: min(longest, length // 2) + 1]
    if top[0] <= 0:
        return 1.0
    rho = top / top[0]
    end = int(np.argmax(rho < 0.05)) if (rho < 0.05).any() else len(rho)
    return float(1.0 + 2.0 * np.sum(rho[1:end]))


def mean_covariance(look: Look, pooled: Array, correlation: float) -> Array:
    """Covariance (2e, 2e) of a look's mean.

    The look's own scatter counts as far as it has independent samples; the pooled
    scatter stands in for the rest (worth six).
    """
    own = np.maximum(np.repeat(look.counts, 2) / correlation, 1e-9)
    number = np.sqrt(own[:, None] * own[None, :])
    spread = (number * look.spread + 6.0 * pooled) / (number + 6.0)
    larger = np.maximum(own[:, None], own[None, :])
    cov: Array = spread / np.maximum(larger, 1.0)
    return cov
