"""Rules on a stream's stamps and on when its samples arrive."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from calibkit.language import _
from calibkit.streams.lsl_found import WALL_CLOCK_S
from calibkit.streams.rules import Finding, found
from calibkit.streams.sight import Sight, measured_rate

Array = NDArray[np.float64]
RATE_TOLERANCE = 0.1
LATE_S = 0.1
AHEAD_S = 0.005
DRIFT, DRIFT_S = 2e-4, 0.004
# Our judgement: into how many parts, and how far one may lie off the line through them.
PARTS, BENT = 6, 0.25
ABSENT = 0.005
GAP_S = 0.5
BUNCHED = 0.2
UNEVEN = 0.25
CHUNK_S = 0.05
UNSTEADY_S = 0.005
ENOUGH = 20  # steps, before anything is said of their spread


def stamps(sight: Sight) -> Iterator[Finding]:
    """Judge the stamps.

    Source
    ------
    LSL's documentation: a stamp is the sender's `local_clock` at the measurement.
    """
    time = sight.time
    if len(time) < 2:
        what = _("{count} samples came in {seconds:.1f} s").format(
            count=len(time), seconds=sight.watched_s
        )
        yield found("silent", what, len(time), "samples")
        return
    yield from _clock(sight)
    yield from _rate(sight)
    yield from _order(np.diff(time))
    yield from _spread(sight)
    yield from _chunks(sight.arrival)
    if len(sight.corrections_s) > 1:
        step_s = float(np.abs(np.diff(sight.corrections_s)).max())
        if step_s > UNSTEADY_S:
            what = _("the clocks' difference changes by {step:.1f} ms at a time")
            what = what.format(step=step_s * 1000)
            yield found("correction-unsteady", what, step_s, "s")


def _clock(sight: Sight) -> Iterator[Finding]:
    age_s = sight.age_s
    if abs(age_s) > WALL_CLOCK_S:
        yield found("clock-other", _which(age_s, sight.day_s), age_s, "s")
    elif age_s < -AHEAD_S:
        what = _("samples are stamped {ahead:.0f} ms after they arrive")
        what = what.format(ahead=-age_s * 1000)
        yield found("stamps-ahead", what, -age_s, "s")
    else:
        stated_s = sight.delay_s if math.isfinite(sight.delay_s) else 0.0
        if age_s + stated_s > LATE_S:
            yield found("late", _late(age_s, stated_s), age_s + stated_s, "s")
    drift = drift_of(sight.time, sight.arrival)
    if math.isfinite(drift):
        what = _("its clock runs {off:.2f} ms a second slow")
        if drift < 0:
            what = _("its clock runs {off:.2f} ms a second fast")
        yield found("clock-drift", what.format(off=abs(drift) * 1000), drift, "s/s")


def _which(age_s: float, day_s: float) -> str:
    text = _("its stamps differ from the LSL clock by {age:.0f} s")
    if math.isfinite(day_s) and abs(age_s + day_s) < WALL_CLOCK_S:
        text = _(
            "its stamps differ from the LSL clock by {age:.0f} s (they are the time of "
            "day)"
        )
    return text.format(age=age_s)


def _late(age_s: float, stated_s: float) -> str:
    text = _("samples arrive {age:.0f} ms after their stamps")
    if stated_s:
        text = _(
            "samples arrive {age:.0f} ms after their stamps, which lag by {lag:.0f} ms "
            "as it says itself"
        )
    return text.format(age=age_s * 1000, lag=stated_s * 1000)


def drift_of(time: Array, arrival: Array) -> float:
    """Return how much slower a clock runs than the LSL clock, NaN for no drift.

    Parameters
    ----------
    time, arrival : arrays (n,), s
        Of the first and the last third, the samples that came soonest are compared:
        delays only ever add. What a clock's drift adds grows evenly; a computer that
        is busy for a while adds a step, and that is no drift.

    Returns
    -------
    float, seconds a second; positive for a slow clock
    """
    third = len(time) // 3
    if third < ENOUGH:
        return math.nan
    late = arrival - time
    ends = (slice(0, third), slice(len(time) - third, None))
    first, last = (float(late[part].min()) for part in ends)
    apart_s = float(np.median(arrival[ends[1]]) - np.median(arrival[ends[0]]))
    if apart_s <= 0:
        return math.nan
    drift = (last - first) / apart_s
    if abs(drift) <= max(DRIFT, DRIFT_S / apart_s) or not _evenly(arrival, late):
        return math.nan
    return drift


def _evenly(arrival: Array, late: Array) -> bool:
    """Whether the least delay of each part grows or falls along a line."""
    parts = np.array_split(np.arange(len(late)), PARTS)
    least = np.array([late[part].min() for part in parts])
    middle = np.array([np.median(arrival[part]) for part in parts])
    line = np.polynomial.Polynomial.fit(middle, least, 1)
    bent_s = float(np.abs(least - line(middle)).max())
    return bent_s < BENT * float(np.ptp(line(middle)))


def _rate(sight: Sight) -> Iterator[Finding]:
    declared, real = sight.found.rate, measured_rate(sight.time, sight.watched_s)
    if declared > 0 and abs(real / declared - 1) > RATE_TOLERANCE:
        what = _("it declares {declared:g} Hz and sends {real:.1f} Hz")
        what = what.format(declared=declared, real=real)
        yield found("rate-wrong", what, real, "Hz")
    steps = np.diff(sight.time)
    usual = float(np.median(steps))
    if declared > 0 and abs(usual * declared - 1) < 2 * RATE_TOLERANCE:
        # Over all steps, so that early and late stamps even out.
        lost = max(float(np.sum(np.round(steps / usual) - 1)), 0.0)
        share = lost / (lost + len(steps))
        if share > ABSENT:
            what = _(
                "{share:.1%} of the frames are absent, the longest gap is {gap:.0f} ms"
            ).format(share=share, gap=steps.max() * 1000)
            yield found("frames-absent", what, share, "share")
    still_s = max(float(steps.max()), _silence_s(sight))
    if still_s > GAP_S:
        what = _("for {seconds:.2f} s no sample came")
        yield found("gap", what.format(seconds=still_s), still_s, "s")


def _silence_s(sight: Sight) -> float:
    """How long nothing came at the end."""
    took_s = float(sight.arrival[-1] - sight.arrival[0])
    return max(sight.watched_s - took_s - GAP_S, 0.0)  # opening takes some time too


def _order(steps: Array) -> Iterator[Finding]:
    repeated, backward = float(np.mean(steps == 0)), float(np.mean(steps < 0))
    if repeated > 0:
        what = _("{share:.1%} of the samples repeat the stamp").format(share=repeated)
        yield found("stamps-repeated", what, repeated, "share")
    if backward > 0:
        what = _("{share:.1%} of the stamps run backward").format(share=backward)
        yield found("stamps-backward", what, backward, "share")


def _spread(sight: Sight) -> Iterator[Finding]:
    steps = np.diff(sight.time)
    steps = steps[steps > 0]
    if len(steps) < ENOUGH:
        return
    usual = float(steps.mean())
    bunched = float(np.mean(steps < 0.1 * usual))
    if bunched > BUNCHED:
        what = _("{share:.0%} of the stamps follow within {step:.2f} ms")
        what = what.format(share=bunched, step=usual * 100)
        yield found("stamps-bunched", what, bunched, "share")
        return
    low, high = np.percentile(steps, [25, 75])
    spread_s = float(high - low) / 1.349  # a normal distribution's quartiles
    if sight.found.rate > 0 and spread_s > UNEVEN * usual:
        what = _("steps of {step:.1f} ms vary by {spread:.1f} ms")
        what = what.format(step=usual * 1000, spread=spread_s * 1000)
        yield found("stamps-uneven", what, spread_s, "s")


def _chunks(arrival: Array) -> Iterator[Finding]:
    times, counts = np.unique(arrival, return_counts=True)
    if len(times) < 4:
        return
    every_s, many = float(np.median(np.diff(times))), float(np.median(counts))
    if every_s > CHUNK_S and many > 1:
        what = _("{count:.0f} samples arrive at once, every {every:.0f} ms")
        what = what.format(count=many, every=every_s * 1000)
        yield found("arrive-in-chunks", what, every_s, "s")
