"""What to change, in words: face, light, distance, place, sharpness, eyes, rate.

Each limit stands beside its words. What is poor comes first: without a face nothing
else can be judged. Limits are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calibkit.camera.preview import Preview
from calibkit.language import _
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
        words = _("The face is seen in {share:.0%} of the pictures.")
        if seen.seen == 0:
            words = _("No face is seen.")
        move = _("Turn the camera to the face, light it from the front, uncover it.")
        yield _find("face", seen.seen < 0.5, words.format(share=seen.seen), move)
    if seen.faces > 1:
        words = _("{count} faces are in view; the one seen first is followed.")
        move = _("Let others step out of the picture.")
        yield _find("face", False, words.format(count=seen.faces), move)


def _light(seen: Preview) -> Iterator[Finding]:
    if seen.brightness < DIM:
        words = _("It is dark round the eyes (grey {grey:.0f} of 255).")
        if seen.seen == 0:
            words = _("The picture is dark (grey {grey:.0f} of 255).")
        move = _("Put a lamp behind the screen that shines softly at the face.")
        dark = seen.brightness < DARKEST
        yield _find("light", dark, words.format(grey=seen.brightness), move)
    elif seen.brightness > LIGHTEST or seen.bright > BURNT:
        words = _("It is too light round the eyes (grey {grey:.0f} of 255).")
        if seen.bright > BURNT:
            words = _("{share:.0%} of the picture round the eyes is burnt out.")
        told = words.format(grey=seen.brightness, share=seen.bright)
        move = _("Dim or soften the light; let glasses mirror no lamp and no window.")
        yield _find("light", False, told, move)


def _distance(seen: Preview) -> Iterator[Finding]:
    if seen.iris_px < FINE_IRIS_PX:
        words = _("The iris is {wide:.0f} pixels wide; {fine:.0f} do.")
        told = words.format(wide=seen.iris_px, fine=FINE_IRIS_PX)
        move = _("Bring the camera nearer or ask for larger pictures: --size 1280x720.")
        yield _find("distance", seen.iris_px < SMALL_IRIS_PX, told, move)
    elif not NEAR_MM <= seen.distance_mm <= FAR_MM and seen.distance_mm > 0:
        words = _("The eyes are some {away:.0f} cm from the camera.")
        told = words.format(away=seen.distance_mm / 10)
        move = _("Between {near:.0f} and {far:.0f} cm are good.")
        move = move.format(near=NEAR_MM / 10, far=FAR_MM / 10)
        yield _find("distance", False, told, move)


def _place(seen: Preview) -> Iterator[Finding]:
    if max(abs(seen.x), abs(seen.y)) > SIDE:
        words = _("The face is near the picture's edge.")
        move = _("Turn the camera until it is in the middle.")
        yield _find("place", False, words, move)
    if abs(seen.yaw_deg) > TURNED_DEG:
        words = _("The head is turned {angle:.0f} degrees aside.")
        move = _("Put camera and screen in front of the face.")
        yield _find("place", False, words.format(angle=abs(seen.yaw_deg)), move)
    if abs(seen.roll_deg) > TILTED_DEG:
        words = _("The head is tilted {angle:.0f} degrees.")
        move = _("Support it as it rests; turn the screen rather than the person.")
        yield _find("place", False, words.format(angle=abs(seen.roll_deg)), move)
    if seen.unrest > RESTLESS:
        move = _("Support it; this costs most accuracy.")
        yield _find("place", False, _("The head moves a lot."), move)


def _sharpness(seen: Preview) -> Iterator[Finding]:
    if seen.sharpness < BLURRED:
        move = _("Clean the lens, focus it by hand, give light for a shorter exposure.")
        yield _find("sharpness", False, _("The eyes are blurred."), move)


def _eyes(seen: Preview) -> Iterator[Finding]:
    if seen.opening < NARROW:
        words = _("The lids are nearly shut over the eyes.")
        move = _("Put the camera below the screen, where it looks under the lids.")
        yield _find("eyes", False, words, move)
    elif seen.confidence < UNSURE:
        words = _("The eyes are found unsurely ({sure:.2f} of 1).")
        move = _("More light, less distance; no reflections in glasses, no hair.")
        poor = seen.confidence < UNSURE / 2
        yield _find("eyes", poor, words.format(sure=seen.confidence), move)
    elif seen.sides > UNEVEN:
        words = _("One eye is found less surely than the other.")
        move = _("Look for hair, a frame or a shadow over it.")
        yield _find("eyes", False, words, move)


def _rate(seen: Preview) -> Iterator[Finding]:
    if seen.fps < SLOW_FPS:
        words = _("{fps:.0f} pictures a second come.")
        move = _("Give more light (in the dark a camera exposes longer), or --fps 30.")
        yield _find("rate", seen.fps < SLOWEST_FPS, words.format(fps=seen.fps), move)
    if seen.dropped > MOST_DROPPED:
        words = _("{share:.0%} of the pictures come too fast for this computer.")
        move = _("Close other programs, or add --looks 2.")
        yield _find("rate", False, words.format(share=seen.dropped), move)


def lines(seen: Preview, found: Sequence[Finding]) -> str:
    """Return one line of facts and one for each thing to change."""
    facts = [
        _("{fps:.0f} pictures a second").format(fps=seen.fps),
        _("face in {share:.0%}").format(share=seen.seen),
    ]
    if seen.seen > 0:
        facts += [
            _("eyes {apart:.0f} px apart").format(apart=seen.apart_px),
            _("iris {wide:.0f} px").format(wide=seen.iris_px),
            _("grey {grey:.0f}").format(grey=seen.brightness),
            _("confidence {sure:.2f}").format(sure=seen.confidence),
        ]
    if not math.isnan(seen.distance_mm):
        facts.append(_("{away:.0f} cm away").format(away=seen.distance_mm / 10))
    verdict = _("to mend") if found else _("will do")
    head = f"{verdict}: {', '.join(facts)}"
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
