"""What the operator's view says: states, eyes, what a target gave, what keys do."""

from __future__ import annotations

import math
from collections.abc import Mapping

from calibkit.language import _, decimal, later
from calibkit.session import session_table as table
from calibkit.session import session_words as words
from calibkit.session.session_look import NEAR_DEG

SEEN, GLIMPSED = 0.8, 0.2

_STATES = {
    table.OPENING: later("Waits for the gaze stream."),
    table.BETWEEN: later("Between two targets."),
    table.ARRIVING: later("A target appears."),
    table.SETTLING: later("The target shrinks."),
    table.GLIDING: later("The target moves; let the person follow it."),
    table.JUDGING: later("Works out how good it is so far."),
    table.PAUSED: later("Paused. “Next” goes on."),
    table.LOST: later(
        "No gaze comes. The session waits and goes on with the same target."
    ),
    table.ENDED: later("The session is over."),
    table.CHOOSING: later("The person chooses the marked key by looking at it."),
}
_MEASURING = {
    "gaze": later("Waits until the person looks at the target."),
    "timer": later("Measures."),
    "key": later("Press “Next” while the person looks at the target."),
}
_GAVE = {
    "looked": later("looked at"),
    "moved on": later("moved on by the operator"),
    "restless": later("seen, but the eyes never came to rest"),
    "no look": later("no look yet; it comes again at the end"),
    "missed": later("no look; the others count without it"),
    "again": later("will be shown again"),
    "omitted": later("left out"),
    "cut short": later("cut short; it comes again"),
    "hit": later("hit"),
    "beside": later("a key beside it was chosen"),
    "elsewhere": later("a key elsewhere was chosen"),
    "none": later("no key was chosen in time"),
}
_NOTED = {
    words.GOOD_ENOUGH: later(
        "That is good enough already. No more targets are needed."
    ),
    words.NO_LOOKS: later(
        "Three targets in a row without a look. Pause, or draw attention to the target."
    ),
    words.CHECK_SHORTENED: later(
        "Three check targets in a row without a look. The rest of the check is left "
        "out."
    ),
}
_EYES = {
    "left": later("Left eye"),
    "right": later("Right eye"),
    "both": later("Both eyes together"),
}
_EYES_INSIDE = {
    "left": later("left eye"),
    "right": later("right eye"),
    "both": later("both eyes together"),
}
_ACTIONS = {
    "next": later("Next"),
    "again": later("Show again"),
    "omit": later("Leave out"),
    "call": later("Draw attention"),
    "pause": later("Pause"),
    "stop": later("Stop and keep"),
    "back": later("Go back to the previous mapping"),
    "replace": later("Use the new mapping anyway"),
    "close": later("Close this page"),
}
_KEYS = {
    "space": later("Space"),
    "escape": later("Esc"),
    "return": later("Enter"),
    "enter": later("Enter"),
}
_REASONS = {
    "paused": later("Paused. “Next” goes on."),
    "pause": later("Paused. “Next” goes on."),
    "between": later("A rest after the target. “Next” goes on."),
    "the gaze stream is lost": _STATES[table.LOST],
}


def state(name: str, advance: str) -> str:
    """Say what the session is doing."""
    if name == table.MEASURING:
        return _(_MEASURING[advance])
    return _(_STATES[name])


def pause(reason: str) -> str:
    """Say why a session waits."""
    return _(_REASONS.get(reason, reason))


def point(number: int, total: int, role: str) -> str:
    """Say which target is on."""
    if role == "pointing":
        form = _("Key {number}")
    elif role == "validation":
        form = _("Check target {number} of {total}")
    else:
        form = _("Target {number} of {total}")
    return form.format(number=number, total=total)


def eye(name: str) -> str:
    """Name an eye."""
    return _(_EYES[name])


def seen(share: float) -> str:
    """Say how an eye is seen now, by the share of the last second."""
    if math.isnan(share) or share < GLIMPSED:
        return _("not seen")
    return _("seen") if share >= SEEN else _("seen at times")


def gave(what: str, eyes: Mapping[str, float], off_deg: float) -> str:
    """Say what a target gave: how it ended, how the eyes were seen, how far off."""
    away = what == "looked" and off_deg > NEAR_DEG
    parts = [_("held still, perhaps not on the target") if away else _(_GAVE[what])]
    if what in ("looked", "moved on", "restless"):
        parts += [
            _("{eye} seen {share:.0f} %").format(
                eye=_(_EYES_INSIDE[name]), share=100 * share
            )
            for name, share in eyes.items()
            if not math.isnan(share)
        ]
        if not math.isnan(off_deg):
            parts.append(_("gaze {degrees}° off").format(degrees=decimal(off_deg, 1)))
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def noted(text: str) -> str:
    """Say what a note of the session means for the operator, "" where nothing."""
    return _(_NOTED[text]) if text in _NOTED else ""


def away(off_deg: float) -> str:
    """Say how far gaze is from the target now."""
    if math.isnan(off_deg):
        return _("How far from the target: not known yet")
    return _("{degrees}° from the target").format(degrees=decimal(off_deg, 1))


def keys(actions: Mapping[str, str]) -> list[dict[str, str]]:
    """List keys with what they do, as a page shows them."""
    return [
        {"key": key, "shown": key_name(key), "does": does, "words": _(_ACTIONS[does])}
        for key, does in actions.items()
    ]


def key_name(key: str) -> str:
    """Name a key as it is printed on a keyboard."""
    return _(_KEYS[key]) if key in _KEYS else key.upper()


def key_line(actions: Mapping[str, str]) -> str:
    """List the keys in a line for the terminal."""
    parts = [f"{row['shown']}: {row['words']}" for row in keys(actions)]
    return _("Keys in the person's window: {keys}").format(keys="; ".join(parts))


def key_lines(actions: Mapping[str, str]) -> tuple[str, ...]:
    """List the keys that matter while a session rests, a line each."""
    rows = keys(actions)
    wanted = ("next", "again", "stop")
    return tuple(f"{r['shown']}: {r['words']}" for r in rows if r["does"] in wanted)


def labels() -> dict[str, str]:
    """Return the fixed words of the page."""
    return {
        "title": _("calibkit: operator's view"),
        "screen": _("The person's screen"),
        "legend": _("Cross: target. Diamond: gaze."),
        "eyes": _("Eyes"),
        "unmapped": _("Gaze is shown here once there is a mapping."),
        "last": _("What the last targets gave"),
        "nothing": _("Nothing yet."),
        "keys": _("Keys and buttons"),
        "gone": _(
            "This page has lost the session: it has ended or is out of reach. What was "
            "recorded is kept. The terminal says more."
        ),
        "over": _("The session is over. This page can be closed."),
        "taken": _(
            "Another page is the operator's already. Close that page first; then this "
            "one takes over by itself."
        ),
    }
