"""What a pointing trial gave, in plain words and as plain data."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from calibkit.judged import coach_words
from calibkit.language import _
from calibkit.session.pointing_result import SETTLED_SHARE, PointingResult

SURPRISING = 0.05


def describe(found: PointingResult) -> str:
    """Say what to offer first, then what it rests on."""
    lines = [_offer(found), _hits(found), _expected(found), _sure(found), _speed(found)]
    return "\n".join(line for line in lines if line)


def _offer(found: PointingResult) -> str:
    keys = found.keys
    if keys.rows * keys.columns < 2:
        return _(
            "No keys can be recommended from this trial. Calibrate again, or try "
            "larger keys another day; this is no sign of inability."
        )
    text = _(
        "Offer {grid}, each {wide:.0f} x {high:.0f} mm, with a dwell of {dwell:.1f} s."
    )
    return text.format(
        grid=coach_words.grid(keys.rows, keys.columns),
        wide=keys.key_mm[0],
        high=keys.key_mm[1],
        dwell=found.next_dwell_s,
    )


def _hits(found: PointingResult) -> str:
    parts = [
        _("{hits} of {tries} on {rows} x {columns}").format(
            hits=grid.hits, tries=grid.tries, rows=grid.rows, columns=grid.columns
        )
        for grid in found.grids
    ]
    text = _("Hit: {parts}.").format(parts="; ".join(parts))
    away = sum(grid.elsewhere + grid.none for grid in found.grids)
    if not away:
        return text
    more = _("In {away} of {tries} the person looked elsewhere, or at no key in time.")
    return f"{text} {more.format(away=away, tries=found.tries)}"


def _expected(found: PointingResult) -> str:
    if math.isnan(found.surprise):
        return ""
    text = (
        _("That is as predicted ({predicted:.0f} of {tries}).")
        if found.surprise > SURPRISING
        else _(
            "{predicted:.0f} of {tries} were predicted, so the check targets told less "
            "than this trial does."
        )
    )
    return text.format(predicted=found.predicted_hits, tries=found.tries)


def _sure(found: PointingResult) -> str:
    share = round(10 * SETTLED_SHARE)
    if found.more_trials == 0:
        text = _("It is 95 % sure that at least {share} of 10 such keys are hit.")
        return text.format(share=share)
    if found.more_trials < 0:
        return _("Too many were missed for a promise on such keys.")
    text = _(
        "To be 95 % sure of at least {share} hits in 10, {more} more would be needed, "
        "all of them hits."
    )
    return text.format(share=share, more=found.more_trials)


def _speed(found: PointingResult) -> str:
    speed = found.throughput
    if math.isnan(speed.bits_per_s):
        return ""
    text = _(
        "Throughput {bits:.1f} bit/s (method of ISO/TS 9241-411; {without:.1f} without "
        "the dwell), {seconds:.1f} s a key."
    )
    return text.format(
        bits=speed.bits_per_s,
        without=speed.bits_per_s_without_dwell,
        seconds=speed.movement_s,
    )


def data(found: PointingResult) -> dict[str, Any]:
    """Everything as plain data."""
    return asdict(found)
