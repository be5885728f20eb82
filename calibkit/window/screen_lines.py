"""The operator's lines on the one screen, between targets; they fade in and out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calibkit.geometry import Setup
from calibkit.window.screen_target import contrast, eased

FADE_S = 0.3
# Large enough for an operator beside the client; 24 px is the least for any text.
LEAST_PX = 24.0
SHARE = 1.0 / 28.0
# Seven to one, the enhanced contrast of text (WCAG 1.4.6), where a grey allows it.
BLACK, WHITE = (0.0,) * 3, (1.0,) * 3


def text_px(setup: Setup) -> float:
    """Height of the letters."""
    return max(LEAST_PX, setup.screen_px[1] * SHARE)


class Lines:
    """Lines of words in the lower part of a window.

    Parameters
    ----------
    window : psychopy Window
    setup : Setup
    """

    def __init__(self, window: Any, setup: Setup) -> None:
        self._window, self._setup = window, setup
        self._text: Any = None
        self._since_s, self._leaving = 0.0, False

    def tell(self, lines: Sequence[str], time_s: float) -> None:
        """Show lines from now on; with none, let those that are shown fade."""
        self._since_s, self._leaving = time_s, not lines
        if lines:
            self._text = self._made("\n".join(lines))

    def draw(self, time_s: float) -> None:
        """Draw what is to be seen of them."""
        if self._text is None:
            return
        share = eased((time_s - self._since_s) / FADE_S)
        strength = 1.0 - share if self._leaving else share
        if self._leaving and share >= 1.0:
            self._text = None
            return
        self._text.opacity = strength
        self._text.draw()

    def _made(self, text: str) -> Any:
        from psychopy import visual

        width, height = self._setup.screen_px
        back = self._setup.background
        ink = max((BLACK, WHITE), key=lambda grey: contrast(grey, back))
        return visual.TextStim(
            self._window,
            text=text,
            units="pix",
            height=text_px(self._setup),
            wrapWidth=0.9 * width,
            pos=(0.0, -0.25 * height),
            color=[2.0 * level - 1.0 for level in ink],
            colorSpace="rgb",
            opacity=0.0,
            autoLog=False,
        )
