"""Asking what a stream's channels are, once, where its metadata do not say it."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable, Sequence

from calibkit.channels import Channel
from calibkit.errors import CallError
from calibkit.joined import options
from calibkit.kept import stream_names
from calibkit.kept.stream_names import StreamNames
from calibkit.language import _

EYES = ("left", "right", "both")
EXAMPLE = "left ScreenX pixels"
TRIES = 3
_EYES = {
    "left": r"left|(^|[^a-z])l([xyz]|[^a-z]|$)",
    "right": r"right|(^|[^a-z])r([xyz]|[^a-z]|$)",
}
_KINDS = {
    "Diameter": "diam|size",
    "Confidence": "conf|valid|quality",
    "Reflex": "reflex|glint",
    "Pupil": "pupil",
    "Direction": "direction|vector",
    "Position": "position|origin",
}
_AXIS = r"(?:(?:^|[^a-z])[lr]?|gaze|pos|screen|pupil|reflex|glint)([xyz])(?![a-z])"
_DRAFT = """\
# What the channels of a stream are. The types are guesses from the labels: correct
# them, then keep the file: calibkit streams --names FILE
# eye: left, right, both. type: ScreenX/Y, PupilX/Y, ReflexX/Y, DirectionX/Y/Z,
# PositionX/Y/Z, Diameter, Confidence; empty for a channel that is not to be read.
# unit of ScreenX/Y: pixels, normalized (0 to 1), mm.
origin = "top-left"  # of ScreenX/Y; or bottom-left, center, center-up (y runs up)
missing = []         # numbers that mean "not seen", such as -9999
"""


def parse(answer: str, label: str) -> Channel:
    """Read one answer: eye, XDF type, and a unit if there is one.

    Parameters
    ----------
    answer : str
        Such as "left ScreenX pixels"; empty for a channel that is not to be read.
    label : str

    Raises
    ------
    CallError
        When the eye is none or the type is missing.
    """
    words = answer.split(maxsplit=2)
    if not words:
        return Channel(label=label, eye="", type="", unit="")
    if len(words) < 2 or words[0].lower() not in EYES:
        raise CallError(
            f"{answer!r} does not name an eye (left, right or both) and a type; write "
            f"it like {EXAMPLE}"
        )
    unit = words[2] if len(words) > 2 else ""
    return Channel(label=label, eye=words[0].lower(), type=words[1], unit=unit)


def ask_channels(
    labels: Sequence[str], answer: Callable[[str], str] | None = None
) -> tuple[Channel, ...]:
    """Ask for each channel in turn.

    Parameters
    ----------
    labels : sequence of str
        What the stream calls its channels.
    answer : callable, optional
        Puts a question and returns what was typed; the terminal by default.

    Returns
    -------
    tuple of Channel

    Raises
    ------
    CallError
        When an answer cannot be read, or nothing that was named can be used.
    """
    put = _typed if answer is None else answer
    words = _(
        "The stream does not say what its channels are. For each, type the eye, the "
        "type and the unit, like: {example}\n"
        "Types: PupilX/Y, ReflexX/Y, DirectionX/Y/Z, ScreenX/Y, PositionX/Y/Z, "
        "Diameter, Confidence. Just Enter leaves a channel out."
    )
    options.say(words.format(example=EXAMPLE))
    channels = tuple(_one(put, label) for label in labels)
    faults = stream_names.check(StreamNames(channels=channels))
    if faults:
        raise CallError("; ".join(faults))
    return channels


def _one(put: Callable[[str], str], label: str) -> Channel:
    """Ask for a channel; a slip of the hand is told and asked again."""
    for _try in range(TRIES - 1):
        try:
            return parse(put(f"{label}: "), label)
        except CallError as slip:
            options.say(str(slip))
    return parse(put(f"{label}: "), label)


def guess(label: str, low: float, high: float) -> Channel:
    """Guess from its label what a channel is; for a draft that somebody corrects.

    Parameters
    ----------
    label : str
    low, high : float
        The range of what it sends, to guess the unit.

    Returns
    -------
    Channel; without a type where the label says nothing
    """
    words = re.sub(r"([a-z])([A-Z])", r"\1_\2", label).lower()
    eye = next((e for e, p in _EYES.items() if re.search(p, words)), "both")
    kind = next((k for k, p in _KINDS.items() if re.search(p, words)), "")
    axis = re.search(_AXIS, words)
    if kind in ("Diameter", "Confidence"):
        return Channel(label=label, eye=eye, type=kind, unit="")
    if axis is None or (axis[1] == "z" and kind not in ("Direction", "Position")):
        return Channel(label=label, eye="", type="", unit="")
    unit = "normalized" if low > -0.5 and high < 1.5 else "pixels"
    plain = kind in ("Direction", "Position")
    return Channel(
        label=label,
        eye=eye,
        type=(kind or "Screen") + axis[1].upper(),
        unit="" if plain else unit,
    )


def draft(labels: Sequence[str], ranges: Sequence[Sequence[float | None]]) -> str:
    """Write a channel map to be corrected by hand, from labels and what was sent.

    Parameters
    ----------
    labels : sequence of str
    ranges : sequence of (least, middle, largest)
        None where a channel sent nothing.

    Returns
    -------
    str, TOML
    """
    import tomlkit

    parts = [_DRAFT]
    for number, (label, seen) in enumerate(zip(labels, ranges, strict=True), 1):
        low, high = (math.nan if v is None else v for v in (seen[0], seen[-1]))
        row = guess(label, low, high)
        text = {key: getattr(row, key) for key in stream_names.KEYS}
        sent = "sent nothing" if seen[0] is None else f"sent {low:g} to {high:g}"
        parts.append(f"\n[[channels]]  # {number}, {sent}\n{tomlkit.dumps(text)}")
    return "".join(parts)


def _typed(question: str) -> str:
    options.say(question, end="")
    return sys.stdin.readline().strip()
