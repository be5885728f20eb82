"""Plain words for numbers: what a client, a parent or a clinician reads first.

Rules (ISO 24495-1): one idea a sentence, 15 to 20 words, active, no blame, no jargon;
what happened, what it means, what to do. Numbers come after the words.
"""

from __future__ import annotations

import math

from calibkit.geometry import Setup
from calibkit.judged import coach_words
from calibkit.judged.keys import UsableKeys
from calibkit.language import _, decimal, later, plural

UNKNOWN = later("not known")

# Upper limits in mm. Rough body measures of adults, from memory and rounded; they are
# a picture for the reader, no measure.
_PICTURES = (
    (5.0, later("less than the width of a pencil")),
    (10.0, later("about the width of a pencil")),
    (17.0, later("about the width of a fingertip")),
    (28.0, later("about the width of a thumb")),
    (45.0, later("about the width of two fingers")),
    (70.0, later("about the width of three fingers")),
    (110.0, later("about the width of a palm")),
)


def mm_on_screen(setup: Setup, angle_deg: float) -> float:
    """How long an angle is on the screen, seen straight ahead."""
    return 2 * setup.viewpoint_mm[2] * math.tan(math.radians(angle_deg) / 2)


def picture(length_mm: float) -> str:
    """Compare a length with something everybody knows."""
    if math.isnan(length_mm):
        return _(UNKNOWN)
    for limit, words in _PICTURES:
        if length_mm < limit:
            return _(words)
    return _("more than the width of a palm")


def degrees(value: float) -> str:
    """Write an angle."""
    return _(UNKNOWN) if math.isnan(value) else f"{decimal(value, 2)}°"


def millimetres(value: float) -> str:
    """Write a length."""
    return _(UNKNOWN) if math.isnan(value) else f"{value:.0f} mm"


def percent(share: float) -> str:
    """Write a fraction as percent."""
    if math.isnan(share):
        return _(UNKNOWN)
    return f"{decimal(100 * share, 1 if 0 < share < 0.1 else 0)} %"


def interval(low: float, high: float, form: str) -> str:
    """Write an interval, or nothing where it is not known."""
    if math.isnan(low) or math.isnan(high):
        return ""
    write = percent if form == "share" else degrees
    return _("{low} to {high}").format(low=write(low), high=write(high))


def place(setup: Setup, x: float, y: float) -> str:
    """Say where on the screen a point lies."""
    if math.isnan(x) or math.isnan(y):
        return _("moving")
    return coach_words.place(x / setup.screen_px[0], y / setup.screen_px[1])


_KINDS = {
    "calibration": later("calibration"),
    "validation": later("validation"),
    "pointing": later("pointing trial"),
}


def kind(name: str) -> str:
    """Name a kind of session as a person reads it."""
    return _(_KINDS[name]) if name in _KINDS else name


def made(stamp: str) -> str:
    """Say when a report was made, or nothing where that is left open."""
    return _("Made {stamp}.").format(stamp=stamp) if stamp else ""


def direction(right: float, down: float, unit_deg: float = 0.05) -> str:
    """Say which way an offset points; too small ones point nowhere."""
    if math.isnan(right) or math.isnan(down):
        return ""
    parts = []
    if abs(down) >= unit_deg:
        text = _("{off:.1f}° below") if down > 0 else _("{off:.1f}° above")
        parts.append(text.format(off=float(abs(down))))
    if abs(right) >= unit_deg:
        text = (
            _("{off:.1f}° to the right") if right > 0 else _("{off:.1f}° to the left")
        )
        parts.append(text.format(off=float(abs(right))))
    return ", ".join(parts) or _("on it")


def headline(keys: UsableKeys | None) -> str:
    """Say in one line what the person can use."""
    if keys is None:
        return _("It is not yet known which keys can be used.")
    if not keys.rows:
        return _("No size of key is reliable enough yet.")
    if keys.rows * keys.columns == 1:
        return _("The whole screen can serve as one key.")
    rows = plural("{number} row", "{number} rows", keys.rows)
    across = plural("{number} key", "{number} keys", keys.columns)
    return _("{rows} of {keys} can be used.").format(rows=rows, keys=across)


def explained(keys: UsableKeys | None) -> tuple[str, ...]:
    """Say what the headline means and how sure it is."""
    if keys is None:
        return (
            _(
                "No check targets were looked at, so nothing tells how far gaze can be "
                "trusted."
            ),
            _("Run calibkit validate with the person; it takes about half a minute."),
        )
    share = f"{100 * keys.reliability:g}"
    if not keys.rows:
        return (
            _(
                "With what is known now, no grid of keys would be hit {share} times in "
                "100."
            ).format(share=share),
            _(
                "This describes today's tracker signal. It does not describe what the "
                "person can do."
            ),
            _(
                "A rest, a new position or fewer targets may help. Keys that do not "
                "need gaze stay possible."
            ),
        )
    wide, high = keys.key_mm
    targets = plural("{number} check target", "{number} check targets", keys.targets)
    return (
        _("Each key is {wide:.0f} mm wide and {high:.0f} mm high.").format(
            wide=wide, high=high
        ),
        _(
            "Of 100 looks at the weakest key, about {hits} should land on it. All "
            "other keys should do better."
        ).format(hits=_floor(keys.probability)),
        _(
            "This rests on {targets}. So few leave some doubt; the numbers allow for "
            "it."
        ).format(targets=targets),
    )


def _floor(probability: float) -> str:
    return f"{math.floor(100 * probability + 1e-9):d}"


def accuracy(setup: Setup, value: float) -> str:
    """Say how far off the gaze is, on average."""
    if math.isnan(value):
        return _("How far off the gaze is could not be measured.")
    mm = mm_on_screen(setup, value)
    return _(
        "On average the gaze point lies {picture} away from what the person looks at "
        "({mm:.0f} mm, {degrees})."
    ).format(picture=picture(mm), mm=mm, degrees=degrees(value))


# Of the loss: from so much on it is the computer's doing, and not the eyes'.
MOSTLY = 0.5
NOTABLE = 0.05


def too_slow(share: float, absent: float) -> bool:
    """Whether a loss is for the most part of samples that never came."""
    return share >= NOTABLE and absent > MOSTLY * share


def loss(share: float, absent: float = math.nan) -> str:
    """Say how much of the time the eyes were lost, or that nothing came."""
    if math.isnan(share):
        return _("How often the eyes were lost is not known.")
    if share < 0.005:
        return _("The tracker saw the eyes nearly all the time.")
    if share >= 0.995:
        return _("The tracker did not see the eyes.")
    lost = percent(share)
    if too_slow(share, absent):
        return _(
            "{share} of the samples are missing, most of them because none came: the "
            "computer or the tracker was too slow."
        ).format(share=lost)
    return _("The tracker lost the eyes {share} of the time.").format(share=lost)
