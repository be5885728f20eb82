"""The signal check: is what a tracker streams good enough to go on, and what to move.

Pure: the last seconds of a raw stream go in, figures and findings come out. A finding
says what is so and, where something can be moved, what; it never says whose fault it
is, and never forbids to go on.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.live import signals_head, signals_measure
from calibkit.live import signals_words as words
from calibkit.live.signals_facts import FAR_MM, FAR_SHARE, Head, Place, Signal
from calibkit.live.signals_head import PLACES, TURNS, Axis

Array = NDArray[np.float64]


def judge(
    time: Array,
    samples: NDArray[np.floating],
    channels: Sequence[Channel],
    setup: Setup | None = None,
    *,
    nominal_rate: float = 0.0,
    watched_s: float | None = None,
    goals: Mapping[str, float] | None = None,
    gaze_px: Array | None = None,
) -> Signal:
    """Judge the last seconds of a raw stream.

    Parameters
    ----------
    time : array (n,), s
    samples : array (n, c)
    channels : sequence of Channel
    setup : Setup, optional
        As far as it is known; without it there are fewer degrees and no distance.
    nominal_rate : float, Hz
        As declared; 0 is irregular.
    watched_s : float, optional
        For how long the stream was read; by default from the stamps.
    goals : dict of float by axis, optional
        Where the head was at the calibration, in the stream's unit, in place of the
        set-up's.
    gaze_px : array (n, 2), px, optional
        Calibrated gaze of the same samples, where there is a mapping: gives the noise
        in degrees for streams that have none of their own.

    Returns
    -------
    Signal
    """
    time = np.asarray(time, float)
    if watched_s is None:
        known = time[np.isfinite(time)]
        watched_s = float(np.ptp(known)) if len(known) else 0.0
    # Lost samples come as infinities, zeros or worse: what they make is thrown out.
    with np.errstate(all="ignore"):
        eyes = signals_measure.eyes(time, samples, channels, setup)
        rate = signals_measure.rate(time, nominal_rate)
        head = _head(signals_head.axes(samples, channels, setup), goals or {})
    gaze = (math.nan, math.nan)
    if gaze_px is not None and setup is not None:
        gaze = signals_measure.noise(time, gaze_px, setup)
    findings = (
        *words.stream(len(time), watched_s, eyes),
        *words.eyes(eyes, gaze[1]),
        *words.rate(rate),
        *words.head(head),
    )
    return Signal(
        watched_s=watched_s,
        samples=len(time),
        eyes=eyes,
        rate=rate,
        head=head,
        gaze_deg=gaze,
        findings=findings,
    )


def _head(axes: Mapping[str, Axis], goals: Mapping[str, float]) -> Head:
    places = tuple(
        place(name, axes[name], goals.get(name, axes[name].goal))
        for name in PLACES
        if name in axes and np.isfinite(axes[name].values).any()
    )
    turns = [_spread(axes[name].values) for name in TURNS if name in axes]
    moves = list(_moves(axes))
    return Head(
        told=tuple(name for name, a in axes.items() if np.isfinite(a.values).any()),
        places=places,
        moves_mm=_largest([m for unit, m in moves if unit == "mm"]),
        moves_share=_largest([m for unit, m in moves if unit == "share"]),
        moves_deg=_largest(turns),
    )


def place(name: str, axis: Axis, goal: float) -> Place:
    """Say where the head is on one axis, against a goal in the axis's unit."""
    now = signals_head.median(axis.values)
    off, unit = now - goal, "share"
    if axis.unit == "mm" or (math.isfinite(axis.mm) and axis.unit == "pixels"):
        off, unit = off * axis.mm, "mm"
    elif axis.unit == "relative":
        off = now / goal - 1 if goal else math.nan
    elif axis.unit == "pixels":
        off = math.nan
    limits = FAR_MM if unit == "mm" else FAR_SHARE
    return Place(
        axis=name, now=now, off=off, unit=unit, limit=limits[name], signed=axis.signed
    )


def _moves(axes: Mapping[str, Axis]) -> Iterator[tuple[str, float]]:
    for name in PLACES:
        axis = axes.get(name)
        if axis is None:
            continue
        spread = _spread(axis.values)
        if math.isfinite(axis.mm):
            yield "mm", spread * axis.mm
        elif axis.unit == "relative":
            yield "share", spread / signals_head.median(axis.values)
        elif axis.unit == "picture":
            yield "share", spread


def _spread(values: Array) -> float:
    """Spread of slow movement: of ten bins, so that noise does not count."""
    known = values[np.isfinite(values)]
    if len(known) < 5:
        return math.nan
    bins = [part.mean() for part in np.array_split(known, min(10, len(known)))]
    return float(np.std(bins, ddof=1)) if len(bins) > 1 else math.nan


def _largest(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return max(known) if known else math.nan
