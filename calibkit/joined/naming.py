"""Asking what a stream's channels are, once, where its metadata do not say it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

from calibkit.channels import Channel, feature_sources
from calibkit.errors import CallError
from calibkit.joined import options

EYES = ("left", "right", "both")
EXAMPLE = "left ScreenX pixels"


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
    options.say(
        "The stream does not say what its channels are. For each, type the eye, the "
        f"type and the unit, like: {EXAMPLE}\n"
        "Types: PupilX/Y, ReflexX/Y, DirectionX/Y/Z, ScreenX/Y, PositionX/Y/Z, "
        "Diameter, Confidence. Just Enter leaves a channel out."
    )
    channels = tuple(parse(put(f"{label}: "), label) for label in labels)
    if not feature_sources(channels):
        raise CallError(
            "no gaze can be read from channels named so; an eye needs ScreenX and "
            "ScreenY, or PupilX and PupilY, or all of DirectionX, Y and Z"
        )
    return channels


def _typed(question: str) -> str:
    options.say(question, end="")
    return sys.stdin.readline().strip()
