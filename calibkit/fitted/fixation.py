"""Which samples of a target count: the steady look at it, found in the data.

Latency is not assumed: the signal is cut into steady stretches, and the one that can be
the look at the target is kept, blinks and jumps left out. Its mean comes with a
covariance that knows that gaze noise is correlated in time (all recorded fixations are:
Friedman 2023, arXiv 2303.06004), so that sigma over root n would promise too much.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import segments
from calibkit.fitted.looks import (
    Seen,
    Sight,
    correlation,
    covariate_spread,
    look_at,
    median_rows,
    pooled,
)

Array = NDArray[np.float64]

SHORTEST_S = 0.1  # less than this is no look (common practice, no source)
BIN_S = 0.04
BEFORE_PRESS_S = 1.5  # how long before a key press looking counts
AFTER_S = 0.1  # eyes stay so long after a target is gone (express saccades, as below)
BLINK_S = 0.06  # a longer gap is a blink or a loss: its edges are not trusted
BLINK_EDGE_S = 0.04
BEFORE_LOOK = 0.2  # worth of a stretch before the look that ended a target by gaze
CORRECTED = 0.25  # worth of a short stretch that a small jump put right
# Saccades fall some 10 % short, and a second one mends that 0.1 to 0.2 s later (Becker
# & Fuchs 1969, from memory); so small a part of the way there is a correction.
CORRECTION, CORRECTION_S = 0.3, 0.3
NO_REACTION = 0.35  # worth of a stretch that began before the person could react
# A saccade starts 0.1 s after the onset at the soonest (express saccades, from memory),
# takes some 0.05 s, and a look lasts: what has ended by then was at the old place.
REACTION_S = 0.25


def window(row: np.void) -> tuple[float, float]:
    """When a look at a target can lie: before the press where a key advanced it.

    One that moves is followed all the time, whatever ends it.
    """
    onset, offset = float(row["onset"]), float(row["offset"])
    if str(row["advance"]) == "key" and np.isfinite(row["x"]):
        earliest = offset - BEFORE_PRESS_S
        return (max(onset, earliest) if onset < offset else earliest), offset
    return onset, offset


def sight(
    time: Array,
    xy: Array,
    extra: Array,
    targets: NDArray[np.void],
    path: Array,
    after_s: float = 0.0,
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
    after_s : float
        How long after its end a target that a timer ended still counts.

    Returns
    -------
    Sight
    """
    rate = rate_of(time)
    clean = _without_blink_edges(xy, rate)
    places = [_place(time, row, after_s) for row in targets]
    moving = ~np.isfinite(targets["x"]) | ~np.isfinite(targets["y"])
    still = [p for p, moves in zip(places, moving, strict=True) if not moves]
    sd = _bin_noise(time, clean, still, rate)
    rough = [
        _glide(time, clean, place, path)
        if moves
        else _still(time, clean, place, sd, rate, targets[k])
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
        spread=pooled(seen, len(xy)),
        correlation=correlation(clean, calm, rate),
        clean=clean,
        extra_spread=covariate_spread(extra, calm),
    )


def rate_of(time: Array) -> float:
    """Samples a second, by the median step; 60 where there are none."""
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


def _place(time: Array, row: np.void, after_s: float) -> tuple[float, float, slice]:
    start, end = window(row)
    end += after_s * (str(row["advance"]) == "timer")
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
            middles.append(median_rows(binned))
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


def _still(
    time: Array,
    xy: Array,
    place: tuple[float, float, slice],
    sd: Array,
    rate: float,
    row: np.void,
) -> tuple[list[NDArray[np.intp]], str]:
    start, end, part = place
    advance = str(row["advance"])
    # What comes after makes a look surer, and is no reason to believe it.
    shown = time[part] < (row["offset"] if advance == "timer" else np.inf)
    if part.stop - part.start < 2:
        return [], "nothing was recorded while it was shown"
    signal = _signal(xy, part)
    if not np.isfinite(signal).any():
        return [], "no eye was seen"
    width, count = _bin_width(start, end, rate)
    binned = segments.bins(time[part], signal, start, width, count)
    found = segments.stretches(binned, sd)
    corrected = _corrected(binned, found, sd, round(CORRECTION_S / width))
    which = ((time[part] - start) / width).astype(int)
    any_eye = np.isfinite(signal).any(axis=1)
    options: list[tuple[float, NDArray[np.intp]]] = []
    for (first, last), mended in zip(found, corrected, strict=True):
        # Next to a jump, the eye is still settling or already leaving.
        low = first + (first > 0) * (last - first > 3)
        high = last - (last < count) * (last - first > 4)
        rows = np.flatnonzero((which >= low) & (which < high) & any_eye)
        seconds = len(rows) / rate
        if seconds < SHORTEST_S or len(rows) < 2:
            continue
        worth = np.sum(shown[rows]) / rate * (CORRECTED if mended else 1.0)
        seen_to = int(which[rows[-1]]) + 1
        if first == 0 and advance != "key":
            if seen_to < count and seen_to * width < REACTION_S:
                continue
            worth *= NO_REACTION if last < count else 1.0
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


def _corrected(
    binned: Array, found: Sequence[tuple[int, int]], sd: Array, most: int
) -> list[bool]:
    """Whether a stretch of few bins ended by a jump far smaller than its first."""
    with np.errstate(all="ignore"):
        scaled = binned / np.where(sd > 0, sd, np.nan)
    level = np.array([median_rows(scaled[a:b]) for a, b in found])
    # A bin across a jump is a stretch of its own, and no place where eyes rested.
    rested = [k for k, (a, b) in enumerate(found) if b - a > 1]
    mended = [False] * len(found)
    for before, at, after in zip(rested, rested[1:], rested[2:], strict=False):
        first, last = found[at]
        if last - first > most or found[after][0] - last > 2:
            continue
        came, went = level[at] - level[before], level[after] - level[at]
        both = np.isfinite(came) & np.isfinite(went)
        came, went = np.linalg.norm(came[both]), np.linalg.norm(went[both])
        mended[at] = bool(went < CORRECTION * came)
    return mended


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
