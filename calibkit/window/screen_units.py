"""From the screen's pixels to the units of somebody's PsychoPy window."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit.errors import CallError
from calibkit.window.screen_loan import window_px

UNITS = ("pix", "norm", "height", "cm", "deg", "degFlat")
Array = NDArray[np.float64]


def in_units(window: Any, xy: ArrayLike, units: str | None = None) -> Array:
    """Places in the units that stimuli of a window are placed in.

    Parameters
    ----------
    window : psychopy Window
    xy : array (n, 2), px
        From the top-left corner of the window, y downwards.
    units : str, optional
        One of `UNITS`; by default the window's own.

    Returns
    -------
    array (n, 2), from the window's centre, y upwards

    Raises
    ------
    CallError
        For other units, or centimetres and degrees without the monitor's size.
    """
    chosen = units or window.units
    width, height = window_px(window)
    places = np.asarray(xy, float).reshape(-1, 2)
    centred = (places - (width / 2.0, height / 2.0)) * (1.0, -1.0)
    if chosen in ("pix", "pixels"):
        return centred
    if chosen == "norm":
        return centred / (width / 2.0, height / 2.0)
    if chosen == "height":
        return centred / height
    return _by_monitor(window, centred, chosen)


def _by_monitor(window: Any, centred: Array, units: str) -> Array:
    from psychopy.tools import monitorunittools as tools

    ways = {
        "cm": lambda: tools.pix2cm(centred, window.monitor),
        "deg": lambda: tools.pix2deg(centred, window.monitor),
        "degFlat": lambda: tools.pix2deg(centred, window.monitor, correctFlat=True),
    }
    if units not in ways:
        raise CallError(f"units are {units!r}; use one of {', '.join(UNITS)}")
    try:
        return np.asarray(ways[units](), float).reshape(-1, 2)
    except (ValueError, TypeError) as error:
        raise CallError(
            f"the units {units!r} need the width, the pixels and the distance of the "
            "window's monitor; enter them in PsychoPy's Monitor Centre, or use pix"
        ) from error
