"""The client's screen: one target in greys on a plain background, and the keys.

The only home of PsychoPy, used for drawing and keys alone. All geometry is ours, in
pixels. Nothing flashes: targets fade in and out over 0.3 s or more, and only their
size changes in between.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from calibkit.errors import CallError, DeviceError
from calibkit.geometry import Setup
from calibkit.session import session_words as words
from calibkit.window.display import has_display
from calibkit.window.screen_lines import Lines
from calibkit.window.screen_loan import Loan, window_px
from calibkit.window.screen_lost import Lost
from calibkit.window.screen_paint import DEFAULT, Painter, Shown, signed
from calibkit.window.screen_target import Appearance, Look
from calibkit.window.sound import Sound

# A held key repeats as release and press at once; no finger is that fast.
REPEAT_S = 0.06
SHORTEST_S = 1.0 / 125.0
NO_DISPLAY = (
    "there is no display to show targets on; use a desktop, or install the package "
    "xvfb and run this under xvfb-run"
)


class Screen:
    """A window that shows a session's targets.

    Parameters
    ----------
    setup : Setup
        Its `screen_px` is the window's size where it is no full screen.
    clock : callable
        The LSL clock, seconds; every event is stamped with it.
    full : bool
        Cover the whole screen.
    number : int
        Which screen, where there are several.
    pictures : Path, optional
        Folder for a picture of each target as it is measured.
    show : Shown
        The target's form, or the pictures in its place.
    sound : Sound, optional
        Plays the cue; silent without.
    window : psychopy Window, optional
        Somebody else's, to be handed back as it was; without it one is opened.

    Raises
    ------
    DeviceError
        When PsychoPy or a display is missing, or the window is not as large as the
        set-up says.
    """

    def __init__(
        self,
        setup: Setup,
        clock: Callable[[], float],
        *,
        full: bool = True,
        number: int = 0,
        pictures: Path | None = None,
        show: Shown = DEFAULT,
        sound: Sound | None = None,
        window: Any = None,
    ) -> None:
        self._clock, self._setup, self._pictures = clock, setup, pictures
        self._keys: list[words.Event] = []
        self._let_go_s: dict[str, float] = {}
        self._taken: list[Path] = []
        self._loan: Loan | None = None
        self._sound, self._closed = sound, False
        self._window, self._level = window, None
        if window is None:
            self._window, self._level = _open(setup, full=full, number=number)
        self._lost = Lost(self._window)
        try:
            if window is not None:
                self._loan = _borrowed(window, setup)
            self._flip_s = clock()
            self._target = Appearance(setup)
            self._lines = Lines(self._window, setup)
            self._painter = Painter(self._window, setup, show)
            self._window.winHandle.push_handlers(**self._handlers())
        except BaseException:
            self.close()
            raise

    def _handlers(self) -> dict[str, Callable[..., bool]]:
        return {
            "on_key_press": self._press,
            "on_key_release": self._release,
            "on_close": self._close_asked,
        }

    @property
    def time_s(self) -> float:
        """When the last frame was shown."""
        return self._flip_s

    @property
    def pictures(self) -> tuple[Path, ...]:
        """The pictures that were saved."""
        return tuple(self._taken)

    def step(self, commands: Sequence[words.Command]) -> tuple[words.Event, ...]:
        """Draw, flip once, and return what happened since.

        Parameters
        ----------
        commands : sequence of Command

        Returns
        -------
        tuple of Event: keys, `Shown` where a target was visible, a `Tick` at the end
        """
        for command in commands:
            self._target.take(command, self._clock())
            if isinstance(command, words.Tell):
                self._lines.tell(command.lines, self._clock())
            elif isinstance(command, words.Cue) and self._sound is not None:
                self._sound.play()
        look = self._target.at(self._clock())
        try:
            self._draw(look)
            self._lines.draw(self._clock())
            self._flip()
        except Exception as error:
            raise _gone(type(error).__name__) from error
        if self._lost.lost:
            raise _gone("its server ended")
        events, self._keys = list(self._keys), []
        if look is not None and not look.leaving:
            shown = words.Shown(time_s=self._flip_s, id=look.id, x=look.x, y=look.y)
            events.append(shown)
        if self._closed:
            events.append(words.WindowClosed(time_s=self._flip_s))
        return (*events, words.Tick(time_s=self._flip_s))

    def close(self) -> None:
        """Take the window away, or hand it back."""
        if self._sound is not None:
            self._sound.close()
        window, self._window = self._window, None
        if window is None:
            return
        if self._lost.lost:
            self._lost.let_go()
            return
        if self._loan is None:
            window.close()
            _hushed(self._level)
            return
        try:
            # Its last flip also brings us the keys that are still on their way.
            self._loan.give_back()
        finally:
            window.winHandle.remove_handlers(**self._handlers())
            self._lost.unhook()

    def _draw(self, look: Look | None) -> None:
        if look is None:
            return
        self._painter.draw(look)
        if self._pictures is not None and look.still and not look.leaving:
            self._take_picture(self._pictures / f"target-{look.id:02d}.png")

    def _take_picture(self, path: Path) -> None:
        if path not in self._taken:
            # After the flip the buffer is black on some systems; before it is not.
            self._window.getMovieFrame(buffer="back").save(path)
            self._window.movieFrames = []
            self._taken.append(path)

    def _flip(self) -> None:
        # Displays without a beat of their own would turn as fast as they can.
        time.sleep(max(0.0, self._flip_s + SHORTEST_S - self._clock()))
        self._window.callOnFlip(self._flipped)
        self._window.flip()
        self._window.winHandle.dispatch_events()

    def _flipped(self) -> None:
        self._flip_s = self._clock()

    def _press(self, symbol: int, _modifiers: int) -> bool:
        name, now_s = _key_name(symbol), self._clock()
        if now_s - self._let_go_s.get(name, float("-inf")) > REPEAT_S:
            self._keys.append(words.Key(time_s=now_s, name=name))
        self._let_go_s[name] = float("inf")
        # Nobody after us: pyglet's own handler would close the window on escape.
        return True

    def _release(self, symbol: int, _modifiers: int) -> bool:
        self._let_go_s[_key_name(symbol)] = self._clock()
        return True

    def _close_asked(self) -> bool:
        self._closed = True
        # True keeps pyglet from closing the window under us.
        return True


def _gone(why: str) -> DeviceError:
    return DeviceError(
        f"the display was lost ({why}); bring it back and start the session anew"
    )


def _key_name(symbol: int) -> str:
    from pyglet.window import key

    return str(key.symbol_string(symbol)).lower().lstrip("_")


def display_px(number: int = 0) -> tuple[int, int]:
    """Size of a screen in pixels, for sessions that cover it.

    Raises
    ------
    DeviceError
        When PsychoPy or a display is missing.
    """
    if not has_display(os.environ):
        raise DeviceError(NO_DISPLAY)
    _psychopy()
    import pyglet

    screens = pyglet.canvas.get_display().get_screens()
    chosen = screens[min(number, len(screens) - 1)]
    return int(chosen.width), int(chosen.height)


def _borrowed(window: Any, setup: Setup) -> Loan:
    size = window_px(window)
    if size != tuple(setup.screen_px):
        raise CallError(
            f"win is {size[0]} x {size[1]} pixels, not the {setup.screen_px[0]} x "
            f"{setup.screen_px[1]} of the set-up; give the set-up of this window"
        )
    return Loan(window, setup.background)


def _open(setup: Setup, *, full: bool, number: int) -> tuple[Any, Any]:
    """Open a window; what PsychoPy's console said before is given too."""
    if not has_display(os.environ):
        raise DeviceError(NO_DISPLAY)
    visual = _psychopy()
    level = _hushed()
    try:
        window = visual.Window(
            size=setup.screen_px,
            fullscr=full,
            screen=number,
            units="pix",
            color=signed(setup.background),
            colorSpace="rgb",
            allowGUI=not full,
            checkTiming=False,
            waitBlanking=True,
            winType="pyglet",
            title="calibkit",
        )
    except Exception as error:
        _hushed(level)
        raise DeviceError(
            f"no window could be opened on the display ({type(error).__name__}); check "
            "that DISPLAY names a running screen with OpenGL (Debian: libgl1-mesa-dri)"
        ) from error
    got = tuple(int(v) for v in window.size)
    if got != tuple(setup.screen_px):
        window.close()
        _hushed(level)
        raise DeviceError(
            f"the window is {got[0]} x {got[1]} pixels, not the "
            f"{setup.screen_px[0]} x {setup.screen_px[1]} of the set-up; choose a "
            "smaller --window, or correct screen_px and the display's scaling"
        )
    window.mouseVisible = False
    return window, level


def _psychopy() -> Any:
    try:
        from psychopy import visual
    except ImportError as error:
        raise DeviceError(
            "PsychoPy is needed to show targets and is not installed; install it with "
            "`pip install calibkit[screen]` (Python 3.11 or 3.12)"
        ) from error
    except Exception as error:
        raise DeviceError(
            f"the display cannot be used ({type(error).__name__}: {error}); check "
            "DISPLAY, or run this under xvfb-run (package xvfb)"
        ) from error
    return visual


def _hushed(level: Any = None) -> Any:
    """Let PsychoPy's console say so much and no more; return what it said before."""
    from psychopy import logging

    before = logging.console.level
    logging.console.setLevel(logging.CRITICAL if level is None else level)
    return before
