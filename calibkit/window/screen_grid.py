"""Plain keys on the client's screen: thin grey frames, one of them marked.

The keys are as light as the background, so that pupils stay as they were calibrated.
The one that is asked for has a heavier frame and the usual target in its middle. Frames
fade in and out over 0.3 s; nothing flashes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from calibkit.geometry import Setup
from calibkit.session import session_words as words
from calibkit.session.pointing_grid import Grid, ShowGrid
from calibkit.window.screen import Screen
from calibkit.window.screen_paint import signed
from calibkit.window.screen_target import Colour, Look, eased, ink

FADE_S = 0.3
# Frames stand out less than the mark, which is the thing to look at.
FRAME_STRENGTH, MARK_STRENGTH = 0.55, 0.9
FRAME_SHARE, MARK_SHARE = 0.0016, 0.005
Line = tuple[float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class Frames:
    """Lines to be drawn: middle x, y, width, height (px), and their colours."""

    plain: tuple[Line, ...]
    plain_colour: Colour
    marked: tuple[Line, ...]
    marked_colour: Colour


class Plates:
    """Follows a trial's commands and says how its keys look at any time.

    Parameters
    ----------
    setup : Setup
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._shown: ShowGrid | None = None
        self._next: ShowGrid | None = None
        self._since_s = 0.0
        self._left_s: float | None = None
        self._mark_s, self._unmark_s = 0.0, float("inf")

    def take(self, command: words.Command, time_s: float) -> None:
        """Take a command of the trial at a time."""
        if isinstance(command, ShowGrid):
            self._mark_s, self._unmark_s = time_s, float("inf")
            old = self._shown
            if old is None or (old.rows, old.columns) == (
                command.rows,
                command.columns,
            ):
                self._since_s = time_s if old is None else self._since_s
                self._shown, self._left_s = command, None
            else:
                self._next, self._left_s = command, time_s
        elif isinstance(command, words.Hide):
            self._unmark_s = time_s
        elif isinstance(command, words.Finish | words.Pause):
            self._left_s = time_s

    def at(self, time_s: float) -> Frames | None:
        """How the keys look, or None where there are none."""
        if self._left_s is not None and time_s - self._left_s >= FADE_S:
            self._shown, self._next = self._next, None
            self._since_s, self._left_s = time_s, None
            self._mark_s = time_s
        if self._shown is None:
            return None
        seen = eased((time_s - self._since_s) / FADE_S)
        if self._left_s is not None:
            seen *= 1.0 - eased((time_s - self._left_s) / FADE_S)
        mark = seen * eased((time_s - self._mark_s) / FADE_S)
        if time_s > self._unmark_s:
            mark *= 1.0 - eased((time_s - self._unmark_s) / FADE_S)
        grid = Grid(
            setup=self._setup, rows=self._shown.rows, columns=self._shown.columns
        )
        width = self._setup.screen_px[0]
        return Frames(
            plain=_all_frames(grid, max(1.0, FRAME_SHARE * width)),
            plain_colour=self._mixed(FRAME_STRENGTH * seen),
            marked=_one_frame(grid, self._shown, max(2.0, MARK_SHARE * width)),
            marked_colour=self._mixed(MARK_STRENGTH * mark),
        )

    def _mixed(self, strength: float) -> Colour:
        back = self._setup.background
        r, g, b = (b + (i - b) * strength
                   for b, i in zip(back, ink(back), strict=True))  # fmt: skip
        return r, g, b


def _all_frames(grid: Grid, thick: float) -> tuple[Line, ...]:
    """Lines between keys and about all of them, inside the screen."""
    width, height = grid.setup.screen_px
    wide, high = grid.key_px
    across = [min(max(c * wide, thick / 2), width - thick / 2)
              for c in range(grid.columns + 1)]  # fmt: skip
    down = [min(max(r * high, thick / 2), height - thick / 2)
            for r in range(grid.rows + 1)]  # fmt: skip
    return (
        *((x, height / 2, thick, float(height)) for x in across),
        *((width / 2, y, float(width), thick) for y in down),
    )


def _one_frame(grid: Grid, shown: ShowGrid, thick: float) -> tuple[Line, ...]:
    wide, high = grid.key_px
    x, y = shown.x, shown.y
    dx, dy = (wide - thick) / 2, (high - thick) / 2
    return (
        (x - dx, y, thick, high),
        (x + dx, y, thick, high),
        (x, y - dy, wide, thick),
        (x, y + dy, wide, thick),
    )


class GridScreen(Screen):
    """A screen that can show keys too; without a `ShowGrid` it is a plain one.

    Parameters and errors as for `Screen`.
    """

    def __init__(self, setup: Setup, *args: Any, **more: Any) -> None:
        super().__init__(setup, *args, **more)
        self._plates = Plates(setup)
        self._bar = _bar(self._window)

    def step(self, commands: Sequence[words.Command]) -> tuple[words.Event, ...]:
        """Draw, flip once, and return what happened since."""
        for command in commands:
            self._plates.take(command, self._clock())
        return super().step(commands)

    def _draw(self, look: Look | None) -> None:
        frames = self._plates.at(self._clock())
        if frames is not None:
            self._draw_lines(frames.plain, frames.plain_colour)
            self._draw_lines(frames.marked, frames.marked_colour)
        super()._draw(look)

    def _draw_lines(self, lines: Sequence[Line], colour: Colour) -> None:
        width, height = self._setup.screen_px
        self._bar.fillColor = signed(colour)
        for x, y, wide, high in lines:
            # PsychoPy counts from the centre, y up.
            self._bar.pos = (x - width / 2.0, height / 2.0 - y)
            self._bar.size = (wide, high)
            self._bar.draw()


def _bar(window: Any) -> Any:
    from psychopy import visual

    return visual.Rect(
        window,
        width=1.0,
        height=1.0,
        units="pix",
        lineColor=None,
        colorSpace="rgb",
        autoLog=False,
    )
