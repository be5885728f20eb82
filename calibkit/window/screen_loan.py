"""Somebody else's window: ours for a session, and handed back as it was.

Nothing of the owner's is changed in place: lists are put aside whole and put back
whole, so that what they draw by themselves, call on the next flip or time is theirs
again afterwards. Our frames count in none of their figures.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from calibkit.errors import CallError
from calibkit.window.screen_paint import signed

Setting = tuple[str, Any]
# What is kept as it stands, and what stands there meanwhile.
_ASIDE: tuple[tuple[str, Callable[[], Any]], ...] = (
    ("_toDraw", list),
    ("_toDrawDepths", list),
    ("_toCall", list),
    ("_toLog", list),
    ("_editableChildren", list),
    ("_currentEditableRef", lambda: None),
    ("movieFrames", list),
    ("frameIntervals", list),
    ("frames", int),
    ("nDroppedFrames", int),
    ("recordFrameIntervals", bool),
    ("recordFrameIntervalsJustTurnedOn", bool),
    ("backgroundImage", lambda: None),
    ("_showSplash", bool),
    ("_showPilotingIndicator", bool),
    ("autoLog", bool),
)
# What the graphics card is told, in the order in which it is told again at the end.
_TOLD: tuple[Setting, ...] = (
    ("draw3d", False),
    ("depthMask", False),
    ("depthTest", False),
    ("cullFace", False),
    ("stencilTest", False),
    ("useLights", False),
    ("blendMode", "avg"),
    ("viewOri", 0.0),
    ("viewScale", None),
    ("viewPos", None),
)
# A part of the window only; put back after the last flip, which takes all of it.
_PARTS = ("viewport", "scissor", "scissorTest")
_STALE = ("_projectionMatrixNeedsUpdate", "_viewMatrixNeedsUpdate")
_MATRICES = ("_projectionMatrix", "_viewMatrix")


def window_px(window: Any) -> tuple[int, int]:
    """Whole size of a window in pixels, whatever part of it is drawn on now.

    Raises
    ------
    CallError
        When it is no open window that targets can be shown in.
    """
    kind = getattr(window, "winType", None)
    if kind != "pyglet":
        raise CallError(
            f"win is {type(window).__name__!r} of the kind {kind!r}, and targets need "
            'a PsychoPy window of the kind "pyglet"; open it with winType="pyglet"'
        )
    if getattr(window, "_closed", False):
        raise CallError("win is closed already; call this before win.close()")
    width, height = window.frameBufferSize
    return int(width), int(height)


class Loan:
    """Takes a window for a session, and gives it back.

    Parameters
    ----------
    window : psychopy Window
    background : three floats, 0-1
        What it shows meanwhile.
    """

    def __init__(self, window: Any, background: Sequence[float]) -> None:
        self._window = window
        self._aside: list[Setting] = []
        self._told: list[Setting] = []
        self._parts = [(name, _copied(window, name)) for name in (*_PARTS, *_STALE)]
        self._matrices = [(name, _copied(window, name)) for name in _MATRICES]
        self._color = (window.colorSpace, window._color)
        self._mouse = bool(window.mouseVisible)
        window.backend.setCurrent()
        self._take(background)

    def _take(self, background: Sequence[float]) -> None:
        window = self._window
        for name, meanwhile in _ASIDE:
            if name in window.__dict__:
                self._aside.append((name, window.__dict__[name]))
                window.__dict__[name] = meanwhile()
        window.resetViewport()
        for name, value in _TOLD:
            before = getattr(window, name)
            # What is so already is not told again: the library's word for it may
            # differ from the graphics card's, and both are to stay.
            if not _same(before, value):
                self._told.append((name, before))
                setattr(window, name, value)
        window.setColor(signed(background), colorSpace="rgb")
        window.mouseVisible = False
        self._wipe()

    def give_back(self) -> None:
        """Put everything back; the window shows the owner's plain background."""
        window = self._window
        window.backend.setCurrent()
        window.resetViewport()
        for name, value in self._told:
            setattr(window, name, value)
        space, color = self._color
        window.colorSpace, window.color = space, color
        self._put("backgroundImage")
        self._wipe()
        for name, value in self._matrices:
            getattr(window, name)[...] = value
        for name, value in self._parts:
            setattr(window, name, value)
        window.mouseVisible = self._mouse
        window.__dict__.update(self._aside)
        # The interval that our session took is none of the owner's frames.
        window.__dict__["recordFrameIntervalsJustTurnedOn"] = bool(
            window.recordFrameIntervals
        )

    def _put(self, name: str) -> None:
        window = self._window
        window.__dict__.update(pair for pair in self._aside if pair[0] == name)

    def _wipe(self) -> None:
        """Show the plain background, and leave nothing in the buffer behind it."""
        self._window.clearBuffer()
        self._window.flip()


def _same(one: Any, other: Any) -> bool:
    """Whether two settings say the same; none and 0 do."""
    if one is None or other is None:
        return not np.any(one) and not np.any(other)
    return bool(np.all(one == other))


def _copied(window: Any, name: str) -> Any:
    value = getattr(window, name)
    return value.copy() if hasattr(value, "copy") else value
