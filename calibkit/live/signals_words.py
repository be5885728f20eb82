"""The signal check in plain words, and as bars of plain characters.

Sentences follow the plain-language rules: short, active, one idea, no blame.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from calibkit.language import Said, _, later
from calibkit.live import signals_facts as facts
from calibkit.live.signals_facts import Finding, Head, Place, Signal
from calibkit.live.signals_measure import Eye, Rate

BAR = 12  # characters to either side
MARKS = {
    "good": later("good"),
    "fair": later("fair"),
    "poor": later("look here"),
    "unknown": later("not judged"),
}
# Off towards plus and minus, and the ways back.
_OFF = {
    "distance": (
        later("The head is {amount} farther away than it should be."),
        later("The head is {amount} closer than it should be."),
    ),
    "side": (
        later("The head is {amount} to the right."),
        later("The head is {amount} to the left."),
    ),
    "height": (
        later("The head is {amount} lower than it should be."),
        later("The head is {amount} higher than it should be."),
    ),
}
_BACK = {
    "distance": (
        later("Move {amount} closer, or move the tracker with it."),
        later("Move {amount} farther away, or move the tracker with it."),
    ),
    "side": (
        later("Move {amount} to the left, or move the tracker with it."),
        later("Move {amount} to the right, or move the tracker with it."),
    ),
    "height": (
        later("Move {amount} higher, or move the tracker with it."),
        later("Move {amount} lower, or move the tracker with it."),
    ),
}
_RIGHT = {
    "distance": later("The distance is right (off by {amount})."),
    "side": later("The head is in the middle, left to right (off by {amount})."),
    "height": later("The height is right (off by {amount})."),
}
_EITHER_WAY = {
    "distance": later(
        "The head is {amount} off in distance; the stream does not say which way."
    ),
    "side": later(
        "The head is {amount} off to a side; the stream does not say which way."
    ),
    "height": later(
        "The head is {amount} off in height; the stream does not say which way."
    ),
}
_AXES = {
    "distance": later("Distance"),
    "side": later("Left to right"),
    "height": later("Height"),
}
_ENDS = {
    "distance": (later("closer"), later("farther away")),
    "side": (later("left"), later("right")),
    "height": (later("higher"), later("lower")),
}
_ABOUT = {
    "left": "the left eye",
    "right": "the right eye",
    "both": "both eyes together",
}
_EYES = {
    "left": later("The left eye"),
    "right": later("The right eye"),
    "both": later("Both eyes together"),
}
# Level, words for one eye and for both, what to move.
_SEEN = {
    "seen": (
        "good",
        later("{eye} is seen ({share:.0%} of the samples are lost)."),
        later("{eye} are seen ({share:.0%} of the samples are lost)."),
        "",
    ),
    "with pauses": (
        "fair",
        later(
            "{eye} is seen, with pauses: {share:.0%} of the samples are lost, the "
            "longest for {gap:.1f} s."
        ),
        later(
            "{eye} are seen, with pauses: {share:.0%} of the samples are lost, the "
            "longest for {gap:.1f} s."
        ),
        later("Tilt the tracker a little if it stays so."),
    ),
    "often lost": (
        "poor",
        later("{eye} is often lost: {share:.0%} of the samples are lost."),
        later("{eye} are often lost: {share:.0%} of the samples are lost."),
        later("Tilt the tracker a little, and keep lamps and hair out of its view."),
    ),
    "not seen": (
        "poor",
        later("{eye} is not seen."),
        later("{eye} are not seen."),
        later(
            "Move the tracker or the head until the camera has a free view of the eye. "
            "One eye is enough to go on."
        ),
    ),
}
_TREMBLING = {
    "good": later("Noise {sd:.2f} degrees: steady."),
    "fair": later(
        "Noise {sd:.2f} degrees: some trembling; keys need a little more room."
    ),
    "poor": later("Noise {sd:.2f} degrees: strong trembling; keys need to be large."),
}


def stream(count: int, watched_s: float, eyes: Sequence[Eye]) -> Iterator[Finding]:
    """Say whether anything came and can be read."""
    if count == 0:
        yield Finding(
            about="stream",
            level="poor",
            words=_("No sample came in {seconds:.0f} s.").format(seconds=watched_s),
            move=_("Start the tracker's measurement."),
        )
    if not eyes:
        yield Finding(
            about="stream",
            level="poor",
            words=_("The stream does not say what its channels are."),
            move=_("Name them: calibkit streams --draft FILE, then --names FILE."),
        )


def eyes(seen: Sequence[Eye], gaze_sd_deg: float = math.nan) -> Iterator[Finding]:
    """Say of each eye whether it is seen, and how noisy it is."""
    for eye in seen:
        yield _seen(eye)
        if eye.samples:
            yield from _noise(eye, gaze_sd_deg)
        if eye.confidence < facts.UNSURE:
            yield Finding(
                about=_ABOUT[eye.eye],
                level="fair",
                words=_("The tracker is unsure of it (confidence {value:.2f}).").format(
                    value=eye.confidence
                ),
                move=_("Turn lamps or windows that mirror in the eye or glasses away."),
            )


def _seen(eye: Eye) -> Finding:
    how = "seen"
    if eye.loss >= facts.LOSS_ALL:
        how = "not seen"
    elif eye.loss > facts.LOSS_OFTEN:
        how = "often lost"
    elif eye.loss > facts.LOSS_SOME:
        how = "with pauses"
    level, *texts, move = _SEEN[how]
    words = _(texts[eye.eye == "both"]).format(
        eye=_(_EYES[eye.eye]), share=eye.loss, gap=eye.longest_gap_s
    )
    move = _(move) if move else ""
    return Finding(about=_ABOUT[eye.eye], level=level, words=words, move=move)


def _noise(eye: Eye, gaze_sd_deg: float) -> Iterator[Finding]:
    about = f"{_ABOUT[eye.eye]}, noise"
    sd = eye.sd if eye.noise_unit == "degrees" else gaze_sd_deg
    if not math.isfinite(sd):
        if eye.noise_unit:
            words = _("Noise {noise}; in degrees only after a calibration.")
            said = words.format(noise=relative(eye))
            yield Finding(about=about, level="unknown", words=said)
        return
    level = "good"
    if sd > facts.NOISE_SOME_DEG:
        level = "fair" if sd <= facts.NOISE_HIGH_DEG else "poor"
    yield Finding(
        about=about,
        level=level,
        words=_(_TREMBLING[level]).format(sd=sd),
        move="" if level == "good" else _("Bring the tracker to its stated distance."),
    )


def relative(eye: Eye) -> str:
    """Noise of features that are no degrees, with what it is relative to."""
    unit = _(eye.noise_unit)
    if eye.noise_unit.startswith("of the") and "unit" not in eye.noise_unit:
        return Said("{share:.2%} {unit}").format(share=eye.sd, unit=unit)
    return Said("{value:.3g} {unit}").format(value=eye.sd, unit=unit)


def rate(found: Rate) -> Iterator[Finding]:
    """Say how regularly samples come."""
    if found.measured_hz <= 0:
        return
    words = [_("{rate:.0f} samples a second.").format(rate=found.measured_hz)]
    level, move = "good", ""
    if found.declared_hz and abs(found.measured_hz / found.declared_hz - 1) > 0.1:
        declared = _("The stream declares {rate:.0f}.")
        words.append(declared.format(rate=found.declared_hz))
        level = "fair"
        move = _("Close other programs on the tracker's computer, or lower its rate.")
    if found.absent > 0.02:
        absent = _("{share:.0%} are absent, the longest gap is {gap:.0f} ms.")
        gap_ms = found.longest_gap_s * 1000
        words.append(absent.format(share=found.absent, gap=gap_ms))
        level = "fair" if found.absent < 0.2 else "poor"
        move = _("Close other programs on the tracker's computer.")
    odd = found.repeated + found.backward
    if odd:
        words.append(_("{count} stamps repeat or run backward.").format(count=odd))
        level = "fair"
        move = move or _("calibkit streams --check tells more.")
    yield Finding(about="rate", level=level, words=" ".join(words), move=move)


def head(found: Head) -> Iterator[Finding]:
    """Say where the head is, what to move, and whether it is still."""
    if not found.told:
        words = _("The stream does not say where the head is.")
        yield Finding(about="head", level="unknown", words=words)
        return
    for place in found.places:
        yield from _place(place)
    if found.still is None:
        return
    if found.still:
        words, level, move = _("The head is still."), "good", ""
    else:
        words = _("The head moves: {moves}.").format(moves=_moves(found))
        level = "fair"
        move = _("A head rest or a cushion helps, if it is comfortable.")
    yield Finding(about="head, stillness", level=level, words=words, move=move)


def _place(place: Place) -> Iterator[Finding]:
    about, level, move = f"head, {place.axis}", "good", ""
    if not math.isfinite(place.off):
        if place.axis == "distance" and place.now > 10:
            words = _("The eyes are {cm:.0f} cm away.").format(cm=place.now / 10)
            yield Finding(about=about, level=level, words=words)
        return
    if not place.far:
        text = _RIGHT[place.axis]
    elif not place.signed:
        text, level = _EITHER_WAY[place.axis], "fair"
        move = _("Move a little either way and watch the bar shrink.")
    else:
        text, level = _OFF[place.axis][place.off < 0], "fair"
        move = _(_BACK[place.axis][place.off < 0]).format(amount=size(place))
    words = _(text).format(amount=size(place))
    yield Finding(about=about, level=level, words=words, move=move)


def size(place: Place) -> str:
    """How far a place is off, in cm or as a share."""
    if place.unit == "mm":
        return f"{abs(place.off) / 10:.0f} cm"
    if place.axis == "distance":
        return _("{share:.0%} of the distance").format(share=abs(place.off))
    return _("{share:.0%} of the picture").format(share=abs(place.off))


def _moves(found: Head) -> str:
    parts = []
    if found.moves_mm > facts.STILL_MM:
        parts.append(f"{found.moves_mm:.0f} mm")
    if found.moves_share > facts.STILL_SHARE:
        text = _("{share:.0%} of its place in the picture")
        parts.append(text.format(share=found.moves_share))
    if found.moves_deg > facts.STILL_DEG:
        parts.append(_("{turn:.0f} degrees of turning").format(turn=found.moves_deg))
    return ", ".join(parts)


def ends(place: Place) -> tuple[str, str]:
    """Words at both ends of a bar."""
    if not place.signed:
        return _("one way"), _("other way")
    one, other = _ENDS[place.axis]
    return _(one), _(other)


def axis(place: Place) -> str:
    """Name an axis, with how far the head is off on it."""
    text = _("{axis}: {amount} off")
    return text.format(axis=_(_AXES[place.axis]), amount=size(place))


def filled(place: Place) -> float:
    """How much of a bar is filled, -1 to 1; half of it is the limit."""
    return max(-1.0, min(1.0, place.off / (2 * place.limit)))


def bar_parts(signal: Signal) -> list[dict[str, Any]]:
    """What there is to draw of each bar, as plain values."""
    return [
        {
            "words": axis(place),
            "left": ends(place)[0],
            "right": ends(place)[1],
            "share": round(filled(place), 3),
            "far": place.far,
        }
        for place in signal.head.places
        if math.isfinite(place.off)
    ]


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
    share = filled(place)
    count = round(abs(share) * half)
    full = ("#" * count).ljust(half, ".")
    empty = "." * half
    drawn = f"{empty}|{full}" if share >= 0 else f"{full[::-1]}|{empty}"
    return f"{left:>10} {drawn} {right}"


def bars(signal: Signal) -> list[str]:
    """Draw a bar for each place that is known, with its name and words."""
    return [
        f"{bar(place)}  ({axis(place)})"
        for place in signal.head.places
        if math.isfinite(place.off)
    ]


def line(finding: Finding) -> str:
    """Return one finding as a line for a terminal."""
    text = f"[{_(MARKS[finding.level])}] {subject(finding)}{finding.words}"
    return f"{text} {finding.move}".rstrip()


def lines(signal: Signal) -> list[str]:
    """Return the whole check as lines for a terminal."""
    return [*[line(finding) for finding in signal.findings], *bars(signal)]


def summary(signal: Signal) -> str:
    """One sentence at the end; going on is allowed wherever something can be read."""
    if not signal.eyes:
        return _("Before its channels are named nothing can be judged or begun.")
    if signal.lost:
        return _(
            "No eye is seen now. Calibrating can begin anyway and waits for the eyes; "
            "the steps above help first."
        )
    levels = {finding.level for finding in signal.findings}
    if "poor" in levels:
        return _("It works as it is; what is marked '{mark}' would help first.").format(
            mark=_(MARKS["poor"])
        )
    if "fair" in levels:
        return _("Good enough to go on; what is marked '{mark}' would help.").format(
            mark=_(MARKS["fair"])
        )
    return _("The signal is good.")


def subject(finding: Finding) -> str:
    """Return whose noise it is; other findings name their subject themselves."""
    eye, _comma, what = finding.about.partition(", ")
    if what != "noise":
        return ""
    name = next(_EYES[one] for one, about in _ABOUT.items() if about == eye)
    return f"{_(name)}: "
