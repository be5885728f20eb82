"""The signal check in plain words, and as bars of plain characters.

Sentences follow the plain-language rules: short, active, one idea, no blame.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calibkit.live import signals_facts as facts
from calibkit.live.signals_facts import Finding, Head, Place, Signal
from calibkit.live.signals_measure import Eye, Rate

BAR = 12  # characters to either side
MARKS = {"good": "good", "fair": "fair", "poor": "look here", "unknown": "not told"}
_WAYS = {
    "distance": ("farther away", "closer", "closer", "farther away"),
    "side": ("to the right", "to the left", "to the left", "to the right"),
    "height": ("lower", "higher", "higher", "lower"),
}


def stream(count: int, watched_s: float, eyes: Sequence[Eye]) -> Iterator[Finding]:
    """Say whether anything came and can be read."""
    if count == 0:
        yield Finding(
            about="stream",
            level="poor",
            words=f"No sample came in {watched_s:.0f} s.",
            move="Start the tracker's measurement.",
        )
    if not eyes:
        yield Finding(
            about="stream",
            level="poor",
            words="The stream does not say what its channels are.",
            move="Name them once: calibkit streams --names FILE.",
        )


def eyes(seen: Sequence[Eye], gaze_sd_deg: float = math.nan) -> Iterator[Finding]:
    """Say of each eye whether it is seen, and how noisy it is."""
    for eye in seen:
        yield _seen(eye)
        if eye.samples:
            yield from _noise(eye, gaze_sd_deg)
        if eye.confidence < facts.UNSURE:
            yield Finding(
                about=_name(eye.eye).lower(),
                level="fair",
                words=f"The tracker is unsure of it (confidence {eye.confidence:.2f}).",
                move="Turn lamps or windows that mirror in the eye or glasses away.",
            )


def _seen(eye: Eye) -> Finding:
    name, about = _name(eye.eye), _name(eye.eye).lower()
    verb = "are" if eye.eye == "both" else "is"
    if eye.loss >= facts.LOSS_ALL:
        return Finding(
            about=about,
            level="poor",
            words=f"{name} {verb} not seen.",
            move="Move the tracker or the head until the camera has a free view of the "
            "eye. One eye is enough to go on.",
        )
    share = f"{eye.loss:.0%} of the samples are lost"
    if eye.loss > facts.LOSS_OFTEN:
        return Finding(
            about=about,
            level="poor",
            words=f"{name} {verb} often lost: {share}.",
            move="Tilt the tracker a little, and keep lamps and hair out of its view.",
        )
    if eye.loss > facts.LOSS_SOME:
        return Finding(
            about=about,
            level="fair",
            words=f"{name} {verb} seen, with pauses: {share}, the longest for "
            f"{eye.longest_gap_s:.1f} s.",
            move="Tilt the tracker a little if it stays so.",
        )
    words = f"{name} {verb} seen ({share})."
    return Finding(about=about, level="good", words=words)


def _noise(eye: Eye, gaze_sd_deg: float) -> Iterator[Finding]:
    about = f"{_name(eye.eye).lower()}, noise"
    sd = eye.sd if eye.noise_unit == "degrees" else gaze_sd_deg
    if not math.isfinite(sd):
        if eye.noise_unit:
            yield Finding(
                about=about,
                level="unknown",
                words=f"Noise {relative(eye)}; in degrees only after a calibration.",
            )
        return
    level = "good"
    if sd > facts.NOISE_SOME_DEG:
        level = "fair" if sd <= facts.NOISE_HIGH_DEG else "poor"
    yield Finding(
        about=about,
        level=level,
        words=f"Noise {sd:.2f} degrees: "
        + {
            "good": "steady.",
            "fair": "some trembling; keys need a little more room.",
            "poor": "strong trembling; keys need to be large.",
        }[level],
        move="" if level == "good" else "Bring the tracker to its stated distance.",
    )


def relative(eye: Eye) -> str:
    """Noise of features that are no degrees, with what it is relative to."""
    if eye.noise_unit.startswith("of the"):
        share = f"{eye.sd:.2%}" if "unit" not in eye.noise_unit else f"{eye.sd:.3g}"
        return f"{share} {eye.noise_unit}"
    return f"{eye.sd:.3g} {eye.noise_unit}"


def rate(found: Rate) -> Iterator[Finding]:
    """Say how regularly samples come."""
    if found.measured_hz <= 0:
        return
    words = f"{found.measured_hz:.0f} samples a second"
    level, move = "good", ""
    if found.declared_hz and abs(found.measured_hz / found.declared_hz - 1) > 0.1:
        words += f" come, not the {found.declared_hz:g} that the stream declares"
        level = "fair"
        move = "Close other programs on the tracker's computer, or lower its rate."
    if found.absent > 0.02:
        words += f"; {found.absent:.0%} are absent, the longest gap is "
        words += f"{found.longest_gap_s * 1000:.0f} ms"
        level = "fair" if found.absent < 0.2 else "poor"
        move = "Close other programs on the tracker's computer."
    odd = found.repeated + found.backward
    if odd:
        words += f"; {odd} stamps repeat or run backward"
        level = "fair"
        move = move or "calibkit streams --check tells more."
    yield Finding(about="rate", level=level, words=words + ".", move=move)


def head(found: Head) -> Iterator[Finding]:
    """Say where the head is, what to move, and whether it is still."""
    if not found.told:
        yield Finding(
            about="head",
            level="unknown",
            words="The stream does not say where the head is.",
        )
        return
    for place in found.places:
        yield from _place(place)
    still = found.still
    if still is None:
        return
    level = "good" if still else "fair"
    words = "The head is still." if still else f"The head moves: {_moves(found)}."
    rest = "" if still else "A head rest or a cushion helps, if it is comfortable."
    yield Finding(about="head, stillness", level=level, words=words, move=rest)


def _place(place: Place) -> Iterator[Finding]:
    about = f"head, {place.axis}"
    if not math.isfinite(place.off):
        if place.axis == "distance" and place.now > 10:
            words = f"The eyes are {place.now / 10:.0f} cm away."
            yield Finding(about=about, level="good", words=words)
        return
    amount = size(place)
    if not place.far:
        words = {
            "distance": "The distance is right",
            "side": "The head is in the middle, left to right",
            "height": "The height is right",
        }[place.axis]
        yield Finding(about=about, level="good", words=f"{words} (off by {amount}).")
        return
    if not place.signed:
        yield Finding(
            about=about,
            level="fair",
            words=f"The head is {amount} off in {place.axis}; the stream does not say "
            "which way.",
            move="Move a little either way and watch the bar shrink.",
        )
        return
    yield Finding(
        about=about,
        level="fair",
        words=f"The head is {amount} {way(place)} than it should be."
        if place.axis != "side"
        else f"The head is {amount} {way(place)}.",
        move=f"Move {amount} {way(place, back=True)}, or move the tracker with it.",
    )


def way(place: Place, *, back: bool = False) -> str:
    """Which way a place is off, or the way back."""
    plus, minus, plus_back, minus_back = _WAYS[place.axis]
    if back:
        return plus_back if place.off > 0 else minus_back
    return plus if place.off > 0 else minus


def size(place: Place) -> str:
    """How far a place is off, in cm or as a share."""
    if place.unit == "mm":
        return f"{abs(place.off) / 10:.0f} cm"
    whole = "the distance" if place.axis == "distance" else "the picture"
    return f"{abs(place.off):.0%} of {whole}"


def _moves(found: Head) -> str:
    parts = []
    if found.moves_mm > facts.STILL_MM:
        parts.append(f"{found.moves_mm:.0f} mm")
    if found.moves_share > facts.STILL_SHARE:
        parts.append(f"{found.moves_share:.0%} of its place in the picture")
    if found.moves_deg > facts.STILL_DEG:
        parts.append(f"{found.moves_deg:.0f} degrees of turning")
    return ", ".join(parts)


def ends(place: Place) -> tuple[str, str]:
    """Words at both ends of a bar."""
    if not place.signed:
        return "one way", "other way"
    return {
        "distance": ("closer", "farther away"),
        "side": ("left", "right"),
        "height": ("higher", "lower"),
    }[place.axis]


def bar(place: Place, half: int = BAR) -> str:
    """Draw one axis as a signed bar of plain characters.

    Parameters
    ----------
    place : Place
    half : int
        Characters to either side; the bar is full at twice the limit.

    Returns
    -------
    str, such as ``closer  ......####|............  farther away``
    """
    left, right = ends(place)
    share = max(-1.0, min(1.0, place.off / (2 * place.limit)))
    count = round(abs(share) * half)
    filled = ("#" * count).ljust(half, ".")
    empty = "." * half
    drawn = f"{empty}|{filled}" if share >= 0 else f"{filled[::-1]}|{empty}"
    return f"{left:>8} {drawn} {right}"


def bars(signal: Signal) -> list[str]:
    """Draw a bar for each place that is known, with its name and words."""
    return [
        f"{place.axis:<9}{bar(place)}  ({size(place)} off)"
        for place in signal.head.places
        if math.isfinite(place.off)
    ]


def line(finding: Finding) -> str:
    """Return one finding as a line for a terminal."""
    text = f"[{MARKS[finding.level]}] {subject(finding)}{finding.words}"
    return f"{text} {finding.move}".rstrip()


def lines(signal: Signal) -> list[str]:
    """Return the whole check as lines for a terminal."""
    return [*[line(finding) for finding in signal.findings], *bars(signal)]


def summary(signal: Signal) -> str:
    """One sentence at the end; going on is always allowed."""
    if signal.lost:
        return (
            "No eye is seen now. Calibrating can begin anyway and waits for the eyes; "
            "the steps above help first."
        )
    levels = {finding.level for finding in signal.findings}
    if "poor" in levels:
        return "It can be done so; the points marked 'look here' would help first."
    if "fair" in levels:
        return "Good enough to go on; the points marked 'fair' would help."
    return "The signal is good."


def subject(finding: Finding) -> str:
    """Return whose noise it is; other findings name their subject themselves."""
    if "noise" not in finding.about:
        return ""
    return finding.about.split(",")[0].capitalize() + ": "


def _name(eye: str) -> str:
    return "Both eyes together" if eye == "both" else f"The {eye} eye"
