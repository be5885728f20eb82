"""Where the zero of screen positions lies, seen from looks at known targets.

A stream does not say whether its y runs up, or whether it counts from the middle; a
mapping takes the one for the other as a person who looks elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import feature_sources, missing, screen_px
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
ENOUGH = 4  # targets
CLEARLY = 0.25  # of the error as the stream stands
NEAR = 0.1  # of the screen's width


def better_origin(rec: Recording) -> str:
    """Return the origin with which screen positions fit the targets far better.

    Parameters
    ----------
    rec : Recording

    Returns
    -------
    str, as in a channel map; "" where they fit as they are, or nothing can be said
    """
    for xy, places in _looks(rec):
        off = {name: _off(moved, places) for name, moved in _origins(xy, rec)}
        best = min(off, key=lambda name: off[name])
        near = NEAR * rec.setup.screen_px[0]
        if off[best] < min(CLEARLY * off["top-left"], near):
            return best
    return ""


def note(rec: Recording) -> str:
    """Return what to tell the operator about it, or ""."""
    origin = better_origin(rec)
    if not origin:
        return ""
    return (
        f'the stream seems to count screen positions from "{origin}", not from the top '
        f'left; write origin = "{origin}" in a channel map, keep it with calibkit '
        "streams --names FILE, and record again"
    )


def _looks(rec: Recording) -> Iterator[tuple[Array, Array]]:
    """Each eye's middle positions in the second half of the targets, and these."""
    gone = missing(rec.samples, rec.channels, rec.setup)
    for eye, source in feature_sources(rec.channels).items():
        if source.kind != "screen":
            continue
        xy, seen = screen_px(rec.samples, source, rec.setup), ~gone[eye]
        rows = []
        for target in rec.targets:
            half_s = 0.5 * (target["onset"] + target["offset"])
            late = seen & (rec.time >= half_s) & (rec.time < target["offset"])
            if late.sum() > 2 and np.isfinite(target["x"]):
                rows.append([*np.median(xy[late], axis=0), target["x"], target["y"]])
        if len(rows) >= ENOUGH:
            table = np.array(rows, float)
            yield table[:, :2], table[:, 2:]


def _origins(xy: Array, rec: Recording) -> Iterator[tuple[str, Array]]:
    wide, high = rec.setup.screen_px
    yield "top-left", xy
    yield "bottom-left", xy * [1, -1] + [0, high]
    middle = np.array([wide, high]) / 2
    yield "center", xy + middle
    yield "center-up", xy * [1, -1] + middle


def _off(xy: Array, places: Array) -> float:
    return float(np.median(np.hypot(*(xy - places).T)))
