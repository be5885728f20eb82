"""The set-up of an experiment: its window's pixels, and millimetres that were measured.

Given ones first, then what is stored, what PsychoPy's Monitor Centre knows of the
window's monitor, what the stream says of itself. Nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calibkit.errors import CallError
from calibkit.geometry import Setup
from calibkit.joined.run_setup import resolve
from calibkit.kept import settings

# PsychoPy makes a monitor of this name by itself; these figures nobody measured.
SAMPLE = ("testMonitor", 30.0, 57.0)
_NAMES = {
    "--screen-mm WxH": "screen_mm=(W, H)",
    "--distance-mm D": "distance_mm=D",
    "--window WxH": "win",
}
_SHORT = {"--screen-mm": "screen_mm", "--distance-mm": "distance_mm", "--window": "win"}


def of_window(
    window: Any,
    home: Path,
    person: str,
    given: Mapping[str, Any],
    stream: Mapping[str, Any],
    background: Sequence[float],
) -> Setup:
    """Find the set-up for targets in a window; the window is the screen.

    Parameters
    ----------
    window : psychopy Window, optional
        Without one, the whole display.
    home : path
        Where a set-up may be stored.
    person : str
    given : mapping
        `screen_mm` (of the window), `distance_mm`, where the experiment gives them.
    stream : mapping
        What the gaze stream says of its set-up.
    background : three floats, 0-1

    Returns
    -------
    Setup

    Raises
    ------
    CallError
        When a size is not known, or is not plausible.
    """
    stored = settings.load(home).setup_of(person)
    display_px, size_px, monitor = _sizes(window)
    try:
        found = resolve(
            given,
            stored,
            {**stream, **(of_monitor(monitor, display_px) if monitor else {})},
            screen_px=size_px,
            display_px=display_px,
            background=background,
            ask=_refuse,
        )
    except CallError as error:
        raise CallError(_renamed(str(error))) from None
    return found.setup


def of_monitor(monitor: Any, display_px: Sequence[int]) -> dict[str, Any]:
    """What was measured of a PsychoPy monitor, with the pixels that it is of.

    Parameters
    ----------
    monitor : psychopy Monitor
    display_px : pair of int
        Taken where the monitor does not say how many pixels it has.

    Returns
    -------
    dict with `screen_px` and `screen_mm`, and `distance_mm`, as far as they are known
    """
    width_cm, distance_cm = monitor.getWidth(), monitor.getDistance()
    if (monitor.name, width_cm, distance_cm) == SAMPLE:
        return {}
    found: dict[str, Any] = {}
    if distance_cm:
        found["distance_mm"] = 10.0 * float(distance_cm)
    if width_cm:
        across, down = monitor.getSizePix() or display_px
        width_mm = 10.0 * float(width_cm)
        found["screen_px"] = (int(across), int(down))
        # Its pixels are square: the height is the width's share of them.
        found["screen_mm"] = (width_mm, width_mm * float(down) / float(across))
    return found


def _sizes(window: Any) -> tuple[tuple[int, int], tuple[int, int], Any]:
    """Pixels of the display, pixels of the window, and the window's monitor."""
    from calibkit.window.screen import display_px
    from calibkit.window.screen_loan import window_px

    if window is None:
        whole = display_px()
        return whole, whole, None
    size_px = window_px(window)
    display, points = window.winHandle.screen, window.winHandle.get_size()
    # Where a window is counted in points, of several pixels each, so is its display.
    scale = size_px[0] / points[0]
    whole = (round(display.width * scale), round(display.height * scale))
    return whole, size_px, window.monitor


def _refuse(question: str, flag: str) -> str:
    raise CallError(
        f"{question} is not known, and nothing is guessed; give {_NAMES[flag]}, or "
        "enter width and distance in PsychoPy's Monitor Centre and open the window "
        "with that monitor"
    )


def _renamed(text: str) -> str:
    """Name our parameters where the command line's flags stand."""
    for flag, name in _SHORT.items():
        text = text.replace(flag, name)
    return text
