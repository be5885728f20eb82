"""How a target looks at a moment: place, size and grey, as pure numbers.

A disc with a cross and a dot, the shape on which eyes rest best (Thaler et al. 2013:
outer disc 0.6 degrees, dot and arms a third of it). It fades in and out and shrinks; it
never flashes, and its grey stands out at least 3 : 1 (WCAG 1.4.11).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibkit.geometry import Setup, px_per_degree
from calibkit.session import session_words as words

FADE_IN_S = 0.3
DARK, LIGHT = 0.06, 0.97
PULSE_SHARE = 0.12
# Part of drawing in in which a target that is there already grows, without a jump.
GROW_SHARE = 0.4

Colour = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Look:
    """A target at one moment: id, place and outer size in px, colour 0-1.

    `strength` is how far it has faded in; `pictures` how many pictures of a sequence
    have passed, with the fraction of the one that is on.
    """

    id: int
    x: float
    y: float
    size_px: float
    colour: Colour
    leaving: bool
    still: bool
    strength: float = 1.0
    pictures: float = 0.0


def luminance(colour: Colour) -> float:
    """Relative luminance, WCAG 2.2 definition (sRGB)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
              for c in colour]  # fmt: skip
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: Colour, other: Colour) -> float:
    """Contrast ratio of two colours, WCAG 2.2 definition."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def ink(background: Colour) -> Colour:
    """Choose the grey that stands out more from a background."""
    greys: tuple[Colour, Colour] = ((DARK,) * 3, (LIGHT,) * 3)
    return max(greys, key=lambda grey: contrast(grey, background))


class Appearance:
    """Follows a session's commands and says how the target looks at any time.

    Parameters
    ----------
    setup : Setup
        Gives sizes and the background.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup, self._ink = setup, ink(setup.background)
        self._show: words.Show | None = None
        self._since_s = self._began_s = 0.0
        self._hidden_s: float | None = None
        self._fade_s = FADE_IN_S
        self._place = (0.0, 0.0)
        self._from_deg = math.nan

    def take(self, command: words.Command, time_s: float) -> None:
        """Take a command of the session at a time."""
        if isinstance(command, words.Show):
            again = self._show is not None and self._show.id == command.id
            fresh = not again or self._hidden_s is not None
            # A target that draws attention again grows anew but does not fade in.
            self._faded_from_s = time_s if fresh else time_s - FADE_IN_S
            self._began_s = time_s if fresh else self._began_s
            self._from_deg = math.nan if fresh else self._size_deg(time_s, command)
            self._show, self._hidden_s, self._since_s = command, None, time_s
            self._place = (command.x, command.y)
        elif isinstance(command, words.Move):
            self._place = (command.x, command.y)
        elif isinstance(command, words.Hide) and self._hidden_s is None:
            self._hidden_s, self._fade_s = time_s, command.fade_s

    def at(self, time_s: float) -> Look | None:
        """How the target looks, or None where nothing is to be drawn."""
        if self._show is None:
            return None
        strength = self._strength(time_s)
        if self._hidden_s is not None and strength <= 0.0:
            self._show = None
            return None
        x, y = self._place
        degree_px = float(np.sqrt(np.prod(px_per_degree(self._setup, (x, y)))))
        back = self._setup.background
        colour = tuple(b + (i - b) * strength
                       for b, i in zip(back, self._ink, strict=True))  # fmt: skip
        return Look(
            id=self._show.id,
            x=x,
            y=y,
            size_px=self._size_deg(time_s, self._show) * degree_px,
            colour=(colour[0], colour[1], colour[2]),
            leaving=self._hidden_s is not None,
            still=time_s - self._since_s > self._show.draw_in_s,
            strength=strength,
            pictures=max(0.0, time_s - self._began_s) / self._show.picture_s,
        )

    def _strength(self, time_s: float) -> float:
        shown = eased((time_s - self._faded_from_s) / FADE_IN_S)
        if self._hidden_s is None:
            return shown
        return shown * (1.0 - eased((time_s - self._hidden_s) / self._fade_s))

    def _size_deg(self, time_s: float, show: words.Show) -> float:
        passed_s = time_s - self._since_s
        share = passed_s / show.draw_in_s
        if not math.isnan(self._from_deg):
            grown = eased(share / GROW_SHARE)
            if share < GROW_SHARE:
                return self._from_deg + (show.start_deg - self._from_deg) * grown
            share = (share - GROW_SHARE) / (1.0 - GROW_SHARE)
        left = 1.0 - eased(share)
        size = show.size_deg + (show.start_deg - show.size_deg) * left
        pulse = math.sin(2.0 * math.pi * show.pulse_hz * passed_s)
        return size * (1.0 + PULSE_SHARE * pulse * left)


def eased(share: float) -> float:
    """Go from 0 to 1 without a sudden start or end."""
    return 0.5 - 0.5 * math.cos(math.pi * min(max(share, 0.0), 1.0))
