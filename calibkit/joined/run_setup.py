"""Which screen, how large, how far: flags, then what is stored, the stream, a question.

With a window the window is the screen; where only the whole screen's millimetres are
known, the window's follow from its share of the pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calibkit.errors import CallError
from calibkit.geometry import Setup
from calibkit.joined import options

Values = Mapping[str, Any]
# A distance in centimetres taken for millimetres lies below this.
_PLAUSIBLE_MM = {"screen_mm": (40.0, 5000.0), "distance_mm": (100.0, 5000.0)}


@dataclass(frozen=True, kw_only=True)
class Resolved:
    """A set-up, and what the operator was asked for and should not be asked again."""

    setup: Setup
    answers: Mapping[str, Any]


def resolve(
    flags: Values,
    stored: Values,
    stream: Values,
    *,
    screen_px: tuple[int, int] | None,
    background: Sequence[float],
    display_px: tuple[int, int] | None = None,
    ask: Callable[[str, str], str] = options.ask,
) -> Resolved:
    """Find the set-up of a session.

    Parameters
    ----------
    flags : mapping
        `screen_mm`, `distance_mm` from the command line, where given.
    stored, stream : mapping
        Fields of the stored set-up, and what the stream says of itself.
    screen_px : pair of int, optional
        Size of what is shown, where it is known: the window's, or the display's.
    background : three floats
        The protocol's.
    display_px : pair of int, optional
        Size of the whole display: millimetres that came without pixels are of it.
    ask : callable
        Asks the operator (question, flag).

    Returns
    -------
    Resolved

    Raises
    ------
    CallError
        When something is not known and nobody can be asked, or is not plausible.
    """
    answers: dict[str, Any] = {}
    size_px = screen_px or _first("screen_px", stored, stream)
    if size_px is None:
        text = ask("the screen's width and height in pixels", "--window WxH")
        answers["screen_px"] = size_px = _pair(text, "--window", whole=True)
    size_mm = flags.get("screen_mm")
    for place in (stored, stream):
        size_mm = size_mm or _scaled(size_px, place, display_px or size_px)
    if size_mm is None:
        text = ask("the picture's width and height in millimetres", "--screen-mm WxH")
        answers["screen_mm"] = size_mm = _pair(text, "--screen-mm")
        # Millimetres mean nothing later without the pixels that they were of.
        answers["screen_px"] = (int(size_px[0]), int(size_px[1]))
    distance = flags.get("distance_mm") or _first("distance_mm", stored, stream)
    if distance is None:
        text = ask("the distance from eyes to screen in millimetres", "--distance-mm D")
        answers["distance_mm"] = distance = _number(text, "--distance-mm")
    _check(size_px, size_mm, distance)
    setup = _setup(size_px, size_mm, distance, background, stored.get("eye_mm"))
    return Resolved(setup=setup, answers=answers)


def named(found: Resolved, flags: Values) -> dict[str, Any]:
    """Return what a set-up with a name keeps: what was asked for, and what was given.

    Parameters
    ----------
    found : Resolved
    flags : mapping
        `screen_mm`, `distance_mm` from the command line, where given.

    Returns
    -------
    dict
        Fields of the set-up.
    """
    kept = dict(found.answers)
    if flags.get("screen_mm"):
        kept |= {
            name: getattr(found.setup, name) for name in ("screen_px", "screen_mm")
        }
    if flags.get("distance_mm"):
        kept["distance_mm"] = found.setup.distance_mm
    return kept


def _setup(
    size_px: Sequence[float],
    size_mm: Sequence[float],
    distance_mm: float,
    background: Sequence[float],
    eye_mm: Any,
) -> Setup:
    return Setup(
        screen_px=(int(size_px[0]), int(size_px[1])),
        screen_mm=(float(size_mm[0]), float(size_mm[1])),
        distance_mm=float(distance_mm),
        background=(background[0], background[1], background[2]),
        eye_mm=eye_mm,
    )


def _first(name: str, *places: Values) -> Any:
    found = [place[name] for place in places if place.get(name)]
    value = found[0] if found else None
    single = isinstance(value, tuple | list) and len(value) == 1
    return value[0] if single else value  # type: ignore[index]


def _scaled(
    size_px: Sequence[float], place: Values, whole_px: Sequence[float]
) -> tuple[float, float] | None:
    """Millimetres of a place, for the part of its screen that is this many pixels."""
    mm, px = place.get("screen_mm"), place.get("screen_px") or whole_px
    if not mm:
        return None
    return (mm[0] * size_px[0] / px[0], mm[1] * size_px[1] / px[1])


def _pair(text: str, flag: str, *, whole: bool = False) -> tuple[float, float]:
    parts = text.lower().replace("×", "x").split("x")
    if len(parts) != 2:
        raise CallError(f"{flag} {text!r} is not a width and a height, such as 520x290")
    width, height = (_number(part, flag) for part in parts)
    return (round(width), round(height)) if whole else (width, height)


def _number(text: str, flag: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise CallError(
            f"{flag} {text!r} is not a number; write it in digits"
        ) from None


def _check(
    size_px: Sequence[float], size_mm: Sequence[float], distance_mm: float
) -> None:
    """Refuse what is likely centimetres or pixels taken for millimetres."""
    for name, numbers in (("screen_mm", size_mm), ("distance_mm", (distance_mm,))):
        low, high = _PLAUSIBLE_MM[name]
        if not all(low <= one <= high for one in numbers):
            shown = " x ".join(f"{one:g}" for one in numbers)
            raise CallError(
                f"{name} {shown} mm is not plausible for a screen or its distance; "
                f"give --{name.replace('_', '-')} in millimetres"
            )
    across, down = (mm / px for mm, px in zip(size_mm, size_px, strict=True))
    if not 0.5 < across / down < 2.0:
        raise CallError(
            f"pixels of {across:.2f} x {down:.2f} mm are not square; check --screen-mm "
            f"against the screen's {size_px[0]:g} x {size_px[1]:g} pixels"
        )
