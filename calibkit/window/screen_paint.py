"""Draws a target in a window: a form in one grey, or pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibkit.errors import InputError
from calibkit.geometry import Setup, px_per_degree
from calibkit.window.screen_forms import FORMS, MIDDLE, Part, melting
from calibkit.window.screen_target import Look

MIDDLE_DEG = 0.6
# Memory of a picture is bounded, whatever its file: this many pixels a side.
PICTURE_PX = 1024


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What stands for a target: a form by name, or pictures for so long each."""

    form: str = "bullseye"
    pictures: tuple[Path, ...] = ()
    picture_s: float = 1.0


DEFAULT = Shown()


class Painter:
    """Holds the shapes of one window.

    Parameters
    ----------
    window : psychopy Window
    setup : Setup
    shown : Shown

    Raises
    ------
    InputError
        When a picture cannot be read any more.
    """

    def __init__(self, window: Any, setup: Setup, shown: Shown = DEFAULT) -> None:
        self._setup, self._shown = setup, shown
        parts = MIDDLE if shown.pictures else FORMS[shown.form]
        self._parts = [(_made(window, setup, part), part) for part in parts]
        self._pictures = [_picture(window, path) for path in shown.pictures]

    def draw(self, look: Look) -> None:
        """Draw a target as it looks now."""
        width, height = self._setup.screen_px
        # PsychoPy counts from the centre, y up.
        place = (look.x - width / 2.0, height / 2.0 - look.y)
        size_px = look.size_px
        if self._pictures:
            self._draw_pictures(look, place)
            degree_px = px_per_degree(self._setup, (look.x, look.y))
            size_px = min(MIDDLE_DEG * float(degree_px.mean()), size_px / 3.0)
        for shape, part in self._parts:
            shape.pos = place
            shape.size = (part.wide * size_px, part.high * size_px)
            if part.inked:
                shape.fillColor = signed(look.colour)
            elif self._pictures:
                shape.opacity = look.strength
            shape.draw()

    def _draw_pictures(self, look: Look, place: tuple[float, float]) -> None:
        count, each_s = len(self._pictures), self._shown.picture_s
        for number, share in melting(look.pictures, each_s, count).items():
            picture, (wide, high) = self._pictures[number]
            picture.pos = place
            picture.size = (wide * look.size_px, high * look.size_px)
            picture.opacity = share * look.strength
            picture.draw()


def signed(colour: Sequence[float]) -> list[float]:
    """PsychoPy's colours run from -1 to 1."""
    return [2.0 * level - 1.0 for level in colour]


def _made(window: Any, setup: Setup, part: Part) -> Any:
    from psychopy import visual

    plain = {
        "units": "pix",
        "lineColor": None,
        "colorSpace": "rgb",
        "fillColor": signed(setup.background),
        # A line a frame in the log of whoever keeps one.
        "autoLog": False,
    }
    if part.kind == "bar":
        return visual.Rect(window, width=1.0, height=1.0, **plain)
    if part.kind == "diamond":
        corners = ((0.0, 0.5), (0.5, 0.0), (0.0, -0.5), (-0.5, 0.0))
        return visual.ShapeStim(window, vertices=corners, **plain)
    return visual.Circle(window, radius=0.5, edges=64, **plain)


def _picture(window: Any, path: Path) -> tuple[Any, tuple[float, float]]:
    """Load a picture, and its width and height by its longer side."""
    from PIL import Image
    from psychopy import visual

    try:
        with Image.open(path, formats=("PNG", "JPEG")) as opened:
            pixels = opened.convert("RGBA")
    except Exception as error:
        raise InputError(
            f"the picture {path} cannot be read ({type(error).__name__}); save it anew"
        ) from None
    pixels.thumbnail((PICTURE_PX, PICTURE_PX))
    wide, high = np.array(pixels.size) / max(pixels.size)
    picture = visual.ImageStim(window, image=pixels, units="pix", autoLog=False)
    return picture, (wide, high)
