"""All that the coach says, in one place: plain sentences that blame nobody.

Each says what was seen, what it means or what to do. A failed calibration is no
evidence that a person cannot use gaze (Karlsson et al. 2021 and our judgement).
"""

from __future__ import annotations

from collections.abc import Sequence

from calibkit.language import _, later, plural

SUREST = 0.99  # as data are ever said to be: a hundred per cent would be a promise


def grid(rows: int, columns: int) -> str:
    """Name a grid of keys, also within a sentence."""
    if rows * columns == 1:
        return _("the whole screen as one key")
    down = plural("{number} row", "{number} rows", rows)
    across = plural("{number} key", "{number} keys", columns)
    return _("{rows} of {keys}").format(rows=down, keys=across)


def keep(rows: int, columns: int) -> str:
    """Enough has been reached."""
    return _("This is good enough: {keys} can be offered. Change nothing.").format(
        keys=grid(rows, columns)
    )


def enough_unknown() -> str:
    """A mapping without check targets."""
    return _(
        "No check targets were shown, so nothing speaks for a change. Check the "
        "mapping before you change anything."
    )


def nothing_found() -> str:
    """No reason was found."""
    return _(
        "Nothing stands out that a setting could mend. Larger keys are the better way."
    )


def change() -> str:
    """Before the changes."""
    return _("Make one more attempt with this change:")


def rest() -> str:
    """Before a rest."""
    return _(
        "First a rest. Eyes tire, and rested eyes give more than another attempt now."
    )


def lower(rows: int, columns: int) -> str:
    """After three attempts."""
    if rows * columns < 1:
        return _(
            "Three attempts are enough for today. Aim for less: this says how well the "
            "tracker and the method did, not what the person can do."
        )
    return _(
        "Three attempts are enough for today. Offer {keys} now; a later day may give "
        "more."
    ).format(keys=grid(rows, columns))


def end(rows: int, columns: int) -> str:
    """Stop with what has been gained."""
    if rows * columns < 1:
        return _(
            "End here for today. Keep the mapping that was in use, and try other "
            "seating or light another day. A failed calibration is no sign of "
            "inability."
        )
    return _(
        "End here with what has been gained: {keys}. That can be used now."
    ).format(keys=grid(rows, columns))


def go_back() -> str:
    """An earlier attempt was better than the last."""
    return _(
        "That comes from an earlier attempt of today, not from the last one: go back "
        "to its mapping."
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
        "minute. That looks like tiredness, so rest before the next attempt."
    ).format(shut=shut, blinks=blinks_per_min)


def one_eye(eye: str, other: str, loss: float) -> str:
    """One eye is hardly seen."""
    return _(
        "The {other} eye was lost {loss:.0%} of the time, the {eye} eye was not. Use "
        "the {eye} eye alone."
    ).format(eye=_(eye), other=_(other), loss=loss)


def taking_turns(eye: str, other: str) -> str:
    """Now one eye looks, now the other."""
    return _(
        "The eyes take turns in looking, so both together mislead. Use the {eye} eye "
        "alone with the {other} eye covered, if the person likes that and whoever "
        "treats these eyes agrees."
    ).format(eye=_(eye), other=_(other))


def better_eye(eye: str, alone_deg: float, both_deg: float, sure: float) -> str:
    """One eye alone does better."""
    return _(
        "The {eye} eye alone is {alone:.1f} degrees off, both together are {both:.1f}. "
        "It is the better one with {sure:.0%} probability, so use it alone."
    ).format(eye=_(eye), alone=alone_deg, both=both_deg, sure=min(sure, SUREST))


def elsewhere(count: int, shown: int) -> str:
    """Looks that were not at the target."""
    return _(
        "At {count} of {shown} targets gaze rested somewhere else. Press a key when "
        "you see the person look: the looking before the press is what counts."
    ).format(count=count, shown=shown)


def contradicting() -> str:
    """Looks from which no mapping could be made."""
    return _(
        "The looks do not fit together, so some of them were elsewhere. Press a key "
        "when you see the person look: the looking before the press is what counts."
    )


def unlooked(count: int, shown: int) -> str:
    """Targets that nobody looked at."""
    return _(
        "{count} of {shown} targets were not looked at in time. A larger target that "
        "breathes before it is measured is found more easily."
    ).format(count=count, shown=shown)


def fewer(count: int, shown: int, left: int) -> str:
    """Fewer targets."""
    return _(
        "{count} of {shown} targets were missed. Show only {left}, so that each look "
        "counts and it is soon done."
    ).format(count=count, shown=shown, left=left)


def glide(count: int, shown: int) -> str:
    """A moving target."""
    return _(
        "{count} of {shown} resting targets were missed. Many people follow a slowly "
        "moving target more easily than they find a resting one."
    ).format(count=count, shown=shown)


def slow_limit(latency_s: float) -> str:
    """Late looks, some targets missed."""
    return _(
        "Looks began {latency:.1f} s after a target appeared, and some came too late. "
        "Wait longer for each."
    ).format(latency=latency_s)


def slow_hold(latency_s: float) -> str:
    """Late looks with a timer."""
    return _(
        "Looks began {latency:.1f} s after a target appeared, so the timer left little "
        "to measure. Show each target for longer."
    ).format(latency=latency_s)


def moving_eyes(spread_deg: float) -> str:
    """Eyes that keep moving."""
    return _(
        "The eyes keep moving by {spread:.1f} degrees while they rest on a target. A "
        "longer look averages that out."
    ).format(spread=spread_deg)


def noisy(spread_deg: float) -> str:
    """A noisy tracker."""
    return _(
        "The signal trembles by {spread:.1f} degrees, more than eyes do. Look for "
        "light, glasses or distance as the cause, and measure each target for longer."
    ).format(spread=spread_deg)


def lids(loss: float, rest_loss: float, low: bool) -> str:
    """Loss at one edge."""
    text = (
        _(
            "At the lower targets {loss:.0%} was lost, elsewhere {rest:.0%}; lids and "
            "lashes hide the eyes there. Bring the targets together, or raise the "
            "screen."
        )
        if low
        else _(
            "At the upper targets {loss:.0%} was lost, elsewhere {rest:.0%}. Bring the "
            "targets together, or lower the screen."
        )
    )
    return text.format(loss=loss, rest=rest_loss)


def head(moved_mm: float) -> str:
    """The head moves."""
    return _(
        "The head moved by about {moved:.0f} mm between the targets. Support it if "
        "the person likes that, and set the tracker where the head comes to rest."
    ).format(moved=moved_mm)


def shift(shift_deg: float, rest_deg: float) -> str:
    """A constant shift."""
    return _(
        "All check targets are off the same way, by {shift:.1f} degrees. One target "
        "in the middle takes that away and leaves about {rest:.1f}."
    ).format(shift=shift_deg, rest=rest_deg)


def more_points(points: int, more: int, error_deg: float) -> str:
    """Too few targets."""
    return _(
        "Every look was good, and the error of {error:.1f} degrees changes from place "
        "to place. {more} targets instead of {points} can follow it."
    ).format(points=points, more=more, error=error_deg)


def kept_points(count: int) -> str:
    """The number of targets is left alone."""
    return _("All {count} targets were looked at, so their number stays.").format(
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
    return texts[verdict].format(sure=min(sure, SUREST))


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
        "missed": _("more targets are missed"),
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
        "After {minutes:.0f} minutes of looking it is time to stop, before it tires "
        "the person more. Another day starts fresh."
    ).format(minutes=seconds / 60)


def fresh() -> str:
    """No sign of tiredness."""
    return _("No sign of tiredness.")


_PLACES = (
    (later("upper left"), later("upper middle"), later("upper right")),
    (later("middle left"), later("middle"), later("middle right")),
    (later("lower left"), later("lower middle"), later("lower right")),
)


def place(across: float, down: float) -> str:
    """Say where on the screen, by shares of its width and height."""
    return _(_PLACES[_third(down)][_third(across)])


def _third(share: float) -> int:
    return 0 if share < 0.4 else 2 if share > 0.6 else 1
