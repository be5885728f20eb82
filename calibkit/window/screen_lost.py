"""A display that goes away while a window is open: heard of, and survived.

The X library then ends the whole process from inside a call, with nothing said and
nothing saved. Asked to, it tells us instead; after that, whatever touches the window
crashes, so nothing may.
"""

from __future__ import annotations

import ctypes
from typing import Any

_LIBRARY = "libX11.so.6"
_POINTER = ctypes.c_void_p
_HANDLER = ctypes.CFUNCTYPE(None, _POINTER, _POINTER)
_FIRST = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER)
# Kept for the life of the process: the library calls them whenever it may be.
_kept: list[Any] = []


class Lost:
    """Hears when the display of a window is lost; never does where there is no X.

    Parameters
    ----------
    window : psychopy Window
    """

    def __init__(self, window: Any) -> None:
        self.lost = False
        self._window = window
        self._library: Any = None
        try:
            library = ctypes.CDLL(_LIBRARY)
            tell = library.XSetIOErrorExitHandler
        except (OSError, AttributeError):
            return  # no X, or one that is older than 1.7
        # Two ways out of the process, and each must be told: the first for all
        # displays, the second for each.
        first = _FIRST(self._first)
        _kept.append(first)
        library.XSetIOErrorHandler.restype = _POINTER
        self._library, self._before = library, library.XSetIOErrorHandler(first)
        tell.argtypes = (_POINTER, _HANDLER, _POINTER)
        handler = _HANDLER(self._heard)
        _kept.append(handler)
        for display in _displays():
            tell(ctypes.cast(display, _POINTER), handler, None)

    def _first(self, _display: int | None) -> int:
        self.lost = True
        return 0

    def _heard(self, _display: int | None, _more: int | None) -> None:
        self.lost = True

    def unhook(self) -> None:
        """Hear no more; a display that is lost ends the process, as it did before."""
        if self._library is None:
            return
        self._library.XSetIOErrorHandler(_POINTER(self._before))
        for display in _displays():
            self._library.XSetIOErrorExitHandler(
                ctypes.cast(display, _POINTER), _HANDLER(), None
            )

    def let_go(self) -> None:
        """Keep everybody, the destructors too, from touching the window again."""
        _kept.append(self._window)
        handle = self._window.winHandle
        for name in ("close", "flip", "switch_to", "dispatch_events", "_unmap"):
            setattr(handle, name, lambda *_: None)
        self._window._closed = True


def _displays() -> list[Any]:
    from pyglet import canvas

    found = [getattr(display, "_display", None) for display in canvas._displays]
    return [display for display in found if display is not None]
