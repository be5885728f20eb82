"""What to change, in words: face, light, distance, place, sharpness, eyes, rate.

Each limit stands beside its words. What is poor comes first: without a face nothing
else can be judged. Limits are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calibkit.camera.preview import Preview
from calibkit.live.signals_facts import Finding

LEAST_SEEN = 0.9
DIM, DARKEST, LIGHTEST, BURNT = 60.0, 35.0, 215.0, 0.10
SMALL_IRIS_PX, FINE_IRIS_PX = 7.0, 11.0
NEAR_MM, FAR_MM = 350.0, 900.0
SLOW_FPS, SLOWEST_FPS, MOST_DROPPED = 24.0, 10.0, 0.1
BLURRED = 0.015
SIDE, TURNED_DEG, TILTED_DEG = 0.5, 20.0, 15.0
NARROW, UNSURE, UNEVEN = 0.18, 0.5, 0.4
RESTLESS = 0.5


def judge(seen: Preview) -> list[Finding]:
    """Return what to change, poor before fair; empty where all will do.

    Parameters
    ----------
    seen : Preview
    """
    found = [*_face(seen), *_light(seen)]
    if seen.seen > 0:
        found += [*_distance(seen), *_place(seen), *_sharpness(seen), *_eyes(seen)]
    found += _rate(seen)
    return sorted(found, key=lambda one: one.level != "poor")


def _find(about: str, poor: bool, words: str, move: str) -> Finding:
    level = "poor" if poor else "fair"
    return Finding(about=about, level=level, words=words, move=move)


def _face(seen: Preview) -> Iterator[Finding]:
    if seen.seen < LEAST_SEEN:
        words = f"The face is seen in {seen.seen:.0%} of the pictures."
        if seen.seen == 0:
            words = "No face is seen."
        move = "Turn the camera to the face, light it from the front, uncover it."
        yield _find("face", seen.seen < 0.5, words, move)
    if seen.faces > 1:
        words = f"{seen.faces} faces are in view; the one seen first is followed."
        yield _find("face", False, words, "Let others step out of the picture.")


def _light(seen: Preview) -> Iterator[Finding]:
    if seen.brightness < DIM:
        words = f"It is dark round the eyes (grey {seen.brightness:.0f} of 255)."
        if seen.seen == 0:
            words = f"The picture is dark (grey {seen.brightness:.0f} of 255)."
        move = "Put a lamp behind the screen that shines softly at the face."
        yield _find("light", seen.brightness < DARKEST, words, move)
    elif seen.brightness > LIGHTEST or seen.bright > BURNT:
        words = f"It is too light round the eyes (grey {seen.brightness:.0f} of 255)."
        if seen.bright > BURNT:
            words = f"{seen.bright:.0%} of the picture round the eyes is burnt out."
        move = "Dim or soften the light; let glasses mirror no lamp and no window."
        yield _find("light", False, words, move)


def _distance(seen: Preview) -> Iterator[Finding]:
    if seen.iris_px < FINE_IRIS_PX:
        words = f"The iris is {seen.iris_px:.0f} pixels wide; {FINE_IRIS_PX:.0f} do."
        move = "Bring the camera nearer, or ask for larger pictures: --size 1280x720."
        yield _find("distance", seen.iris_px < SMALL_IRIS_PX, words, move)
    elif not NEAR_MM <= seen.distance_mm <= FAR_MM and seen.distance_mm > 0:
        words = f"The eyes are some {seen.distance_mm / 10:.0f} cm from the camera."
        move = f"Between {NEAR_MM / 10:.0f} and {FAR_MM / 10:.0f} cm are good."
        yield _find("distance", False, words, move)


def _place(seen: Preview) -> Iterator[Finding]:
    if max(abs(seen.x), abs(seen.y)) > SIDE:
        words = "The face is near the picture's edge."
        yield _find("place", False, words, "Turn the camera until it is in the middle.")
    if abs(seen.yaw_deg) > TURNED_DEG:
        words = f"The head is turned {abs(seen.yaw_deg):.0f} degrees aside."
        move = "Put camera and screen in front of the face."
        yield _find("place", False, words, move)
    if abs(seen.roll_deg) > TILTED_DEG:
        words = f"The head is tilted {abs(seen.roll_deg):.0f} degrees."
        move = "Support it as it rests; turn the screen rather than the person."
        yield _find("place", False, words, move)
    if seen.unrest > RESTLESS:
        words = "The head moves a lot."
        yield _find("place", False, words, "Support it; this costs most accuracy.")


def _sharpness(seen: Preview) -> Iterator[Finding]:
    if seen.sharpness < BLURRED:
        move = "Clean the lens, focus it by hand, give light for a shorter exposure."
        yield _find("sharpness", False, "The eyes are blurred.", move)


def _eyes(seen: Preview) -> Iterator[Finding]:
    if seen.opening < NARROW:
        words = "The lids are nearly shut over the eyes."
        move = "Put the camera below the screen, where it looks under the lids."
        yield _find("eyes", False, words, move)
    elif seen.confidence < UNSURE:
        words = f"The eyes are found unsurely ({seen.confidence:.2f} of 1)."
        move = "More light, less distance; no reflections in glasses, no hair."
        yield _find("eyes", seen.confidence < UNSURE / 2, words, move)
    elif seen.sides > UNEVEN:
        words = "One eye is found less surely than the other."
        yield _find("eyes", False, words, "Look for hair, a frame or a shadow over it.")


def _rate(seen: Preview) -> Iterator[Finding]:
    if seen.fps < SLOW_FPS:
        words = f"{seen.fps:.0f} pictures a second come."
        move = "Give more light (in the dark a camera exposes longer), or --fps 30."
        yield _find("rate", seen.fps < SLOWEST_FPS, words, move)
    if seen.dropped > MOST_DROPPED:
        words = f"{seen.dropped:.0%} of the pictures come too fast for this computer."
        yield _find("rate", False, words, "Close other programs, or add --looks 1.")


def lines(seen: Preview, found: Sequence[Finding]) -> str:
    """Return one line of facts and one for each thing to change."""
    facts = [f"{seen.fps:.0f} pictures a second", f"face in {seen.seen:.0%}"]
    if seen.seen > 0:
        facts += [
            f"eyes {seen.apart_px:.0f} px apart",
            f"iris {seen.iris_px:.0f} px",
            f"grey {seen.brightness:.0f}",
            f"confidence {seen.confidence:.2f}",
        ]
    if not math.isnan(seen.distance_mm):
        facts.append(f"{seen.distance_mm / 10:.0f} cm away")
    head = f"{'will do' if not found else 'to mend'}: {', '.join(facts)}"
    return "\n".join([head, *(f"  {sentence(one)}" for one in found)])


def sentence(one: Finding) -> str:
    """What is so, and what to do."""
    return f"{one.words} {one.move}"


class Told:
    """Says a thing once, and again only after it was mended meanwhile."""

    def __init__(self) -> None:
        self._now: set[str] = set()

    def news(self, found: Sequence[Finding]) -> list[str]:
        """Return what was not said of the second before."""
        new = [sentence(one) for one in found if one.about not in self._now]
        self._now = {one.about for one in found}
        return new
