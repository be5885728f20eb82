"""All that the coach says, in one place: plain sentences that blame nobody.

Each says what was seen, what it means or what to do. A failed calibration is no
evidence that a person cannot use gaze (Karlsson et al. 2021 and our judgement).
"""

from __future__ import annotations

from collections.abc import Sequence

from calibkit.language import _


def keep(rows: int, columns: int) -> str:
    """Enough has been reached."""
    return _(
        "This is good enough: {rows} rows of {columns} keys can be offered. Change "
        "nothing."
    ).format(rows=rows, columns=columns)


def enough_unknown() -> str:
    """A mapping without check points."""
    return _(
        "No check points were shown, so nothing speaks for a change. Check the mapping "
        "before you change anything."
    )


def nothing_found() -> str:
    """No reason was found."""
    return _(
        "Nothing stands out that a setting could mend. Larger keys are the better way."
    )


def change() -> str:
    """Before the changes."""
    return _("Try once more with this change:")


def rest() -> str:
    """Before a rest."""
    return _("First a rest. Eyes tire, and rested eyes give more than another try now.")


def lower(rows: int, columns: int) -> str:
    """After three tries."""
    if rows * columns < 1:
        return _(
            "Three tries are enough for today. Aim for less: this says how well the "
            "tracker and the method did, not what the person can do."
        )
    return _(
        "Three tries are enough for today. Offer {rows} rows of {columns} keys now; a "
        "later day may give more."
    ).format(rows=rows, columns=columns)


def end(rows: int, columns: int) -> str:
    """Stop with what has been gained."""
    if rows * columns < 1:
        return _(
            "End here for today. Keep the mapping that was in use, and try other "
            "seating or light another day. A failed calibration is no sign of "
            "inability."
        )
    return _(
        "End here with what has been gained: {rows} rows of {columns} keys. They can "
        "be used now."
    ).format(rows=rows, columns=columns)


def go_back() -> str:
    """An earlier attempt was better than the last."""
    return _(
        "They come from an earlier try of today, not from the last one: go back to its "
        "mapping."
    )


def unseen(loss: float) -> str:
    """Much was lost everywhere."""
    return _(
        "The tracker lost the eyes {loss:.0%} of the time. Move the tracker or the "
        "person until both eyes are seen, and keep hair, frames and light out of the "
        "way."
    ).format(loss=loss)


def drowsy(shut: float, blinks_per_min: float) -> str:
    """Lids closed for long."""
    return _(
        "The eyes were closed {shut:.0%} of the time, with {blinks:.0f} blinks a "
        "minute. That looks like tiredness, so rest before the next try."
    ).format(shut=shut, blinks=blinks_per_min)


def one_eye(eye: str, other: str, loss: float) -> str:
    """One eye is hardly seen."""
    return _(
        "The {other} eye was lost {loss:.0%} of the time, the {eye} eye was not. Use "
        "the {eye} eye alone."
    ).format(eye=_(eye), other=_(other), loss=loss)


def better_eye(eye: str, alone_deg: float, both_deg: float, sure: float) -> str:
    """One eye alone does better."""
    return _(
        "The {eye} eye alone is {alone:.1f} degrees off, both together are {both:.1f}. "
        "It is the better one with {sure:.0%} probability, so use it alone."
    ).format(eye=_(eye), alone=alone_deg, both=both_deg, sure=sure)


def elsewhere(count: int, shown: int) -> str:
    """Looks that were not at the target."""
    return _(
        "At {count} of {shown} points gaze rested somewhere else. Press a key when you "
        "see the person look: the looking before the press is what counts."
    ).format(count=count, shown=shown)


def unlooked(count: int, shown: int) -> str:
    """Targets that nobody looked at."""
    return _(
        "{count} of {shown} points were not looked at in time. A larger point that "
        "breathes before it is measured is found more easily."
    ).format(count=count, shown=shown)


def fewer(count: int, shown: int, left: int) -> str:
    """Fewer points."""
    return _(
        "{count} of {shown} points were missed. Show only {left}, so that each look "
        "counts and the end is near."
    ).format(count=count, shown=shown, left=left)


def glide(count: int, shown: int) -> str:
    """A moving target."""
    return _(
        "{count} of {shown} resting points were missed. Many people follow a slowly "
        "moving point more easily than they find a resting one."
    ).format(count=count, shown=shown)


def slow_limit(latency_s: float) -> str:
    """Late looks, some points missed."""
    return _(
        "Looks began {latency:.1f} s after a point appeared, and some came too late. "
        "Wait longer for each."
    ).format(latency=latency_s)


def slow_hold(latency_s: float) -> str:
    """Late looks with a timer."""
    return _(
        "Looks began {latency:.1f} s after a point appeared, so the timer left little "
        "to measure. Show each point for longer."
    ).format(latency=latency_s)


def moving_eyes(spread_deg: float) -> str:
    """Eyes that keep moving."""
    return _(
        "The eyes keep moving by {spread:.1f} degrees while they rest on a point. A "
        "longer look averages that out."
    ).format(spread=spread_deg)


def noisy(spread_deg: float) -> str:
    """A noisy tracker."""
    return _(
        "The signal trembles by {spread:.1f} degrees, more than eyes do. Look for "
        "light, glasses or distance as the cause, and measure each point for longer."
    ).format(spread=spread_deg)


def lids(loss: float, rest_loss: float, low: bool) -> str:
    """Loss at one edge."""
    text = (
        _(
            "At the lower points {loss:.0%} was lost, elsewhere {rest:.0%}; lids and "
            "lashes hide the eyes there. Bring the points together, or raise the "
            "screen."
        )
        if low
        else _(
            "At the upper points {loss:.0%} was lost, elsewhere {rest:.0%}. Bring the "
            "points together, or lower the screen."
        )
    )
    return text.format(loss=loss, rest=rest_loss)


def head(moved_mm: float) -> str:
    """The head moves."""
    return _(
        "The head moved by about {moved:.0f} mm between the points. Support it if the "
        "person likes that, and set the tracker where the head comes to rest."
    ).format(moved=moved_mm)


def shift(shift_deg: float, rest_deg: float) -> str:
    """A constant shift."""
    return _(
        "All check points are off the same way, by {shift:.1f} degrees. One point in "
        "the middle takes that away and leaves about {rest:.1f}."
    ).format(shift=shift_deg, rest=rest_deg)


def more_points(points: int, more: int, error_deg: float) -> str:
    """Too few points."""
    return _(
        "Every look was good, and the error of {error:.1f} degrees changes from place "
        "to place. {more} points instead of {points} can follow it."
    ).format(points=points, more=more, error=error_deg)


def kept_points(count: int) -> str:
    """Points are left alone."""
    return _("All {count} points were looked at, so their number stays.").format(
        count=count
    )


def kept_pace(latency_s: float) -> str:
    """Pace is left alone."""
    return _("Looks began after {latency:.1f} s, so there is time enough.").format(
        latency=latency_s
    )


def kept_eyes() -> str:
    """Eyes are left alone."""
    return _("No eye is reliably better alone, so both stay in use.")


def kept_area() -> str:
    """The area is left alone."""
    return _("Loss is much the same all over the screen, so the area stays.")


def kept_seating(moved_mm: float) -> str:
    """Seating is left alone."""
    return _("The head moved by only {moved:.0f} mm, so the seating stays.").format(
        moved=moved_mm
    )


def compared(verdict: str, sure: float) -> str:
    """How two attempts compare."""
    texts = {
        "better": _("The new attempt is better, with {sure:.0%} probability."),
        "worse": _("The new attempt is worse, with {sure:.0%} probability."),
        "can't tell": _("The two attempts are too alike to tell which is better."),
    }
    return texts[verdict].format(sure=sure)


def tired(names: Sequence[str]) -> str:
    """Something rises with time."""
    listed = ", ".join(measure(name) for name in names)
    return _("Signs of tiredness: {signs}. Offer a rest before going on.").format(
        signs=listed
    )


def measure(name: str) -> str:
    """A measure's name, as it is said."""
    names = {
        "loss": _("more is lost"),
        "latency": _("looks begin later"),
        "blinks": _("more blinks"),
        "missed": _("more points are missed"),
    }
    return names[name]


def long(seconds: float) -> str:
    """A long time of looking."""
    return _(
        "It has been {seconds:.0f} s of looking. Offer a rest before going on."
    ).format(seconds=seconds)


def stop(seconds: float) -> str:
    """Enough for one sitting."""
    return _(
        "After {seconds:.0f} s of looking it is time to end, with what has been "
        "gained. Another day starts fresh."
    ).format(seconds=seconds)


def fresh() -> str:
    """No sign of tiredness."""
    return _("No sign of tiredness.")


def place(row: int, column: int) -> str:
    """Where on the screen, in thirds."""
    rows = (_("top"), _("middle"), _("bottom"))
    columns = (_("left"), _("centre"), _("right"))
    return f"{rows[row]} {columns[column]}"
