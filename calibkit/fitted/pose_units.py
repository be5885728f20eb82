"""How far a head goes until features seen from outside it are off by about a degree.

Few looks cannot tell this from what they saw: by chance a head hardly moved in them,
and a mapping scaled by that would make much of the next move. It is told by geometry,
in the unit that a stream names or that its numbers show.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# In the units that streams mostly have (degrees, shares of the picture, mm; a size by
# its own), and how much of that is right and down: where eyes turn with the head.
POSE = {
    "HeadYaw": (1.0, 1.0, 0.3),
    "HeadPitch": (1.0, 0.3, 1.0),
    "HeadRoll": (1.0, 0.3, 0.3),
    "HeadX": (0.03, 1.0, 0.3),
    "HeadY": (0.03, 0.3, 1.0),
    "HeadZ": (50.0, 0.3, 1.0),
    "HeadScale": (0.1, 0.3, 1.0),
    "PositionX": (10.0, 1.0, 0.3),
    "PositionY": (10.0, 0.3, 1.0),
    "PositionZ": (50.0, 0.3, 1.0),
}
IN_PICTURE = ("HeadX", "HeadY")
ASIDE_MM = POSE["PositionX"][0]
# One that is seen to vary so many times as much has another unit.
OTHER_UNIT = 10.0
# Shares of a picture lie about in [0, 1] or [-1, 1]; what goes farther counts pixels.
FARTHEST_SHARE = 2.0
LEAST_PICTURE_PX = 640.0  # a webcam's picture is hardly narrower


def pose_steps(values: Array, names: tuple[str, ...], measures: Array) -> Array:
    """Scale of each pose (c,), NaN where its name is not known or it was never seen.

    Parameters
    ----------
    values : array (T, c)
        One eye's covariates at each target, NaN where missing.
    names : tuple of str
        Their c types.
    measures : array (c,)
        Millimetres or degrees in each one's unit, 0 where it names none.
    """
    steps = np.full(len(names), np.nan)
    wide = _picture_px(values, names)
    for k, name in enumerate(names):
        column = values[np.isfinite(values[:, k]), k]
        if name not in POSE or not len(column):
            continue
        steps[k] = _step(name, column, wide, float(measures[k]))
    return steps


def _step(name: str, column: Array, wide: float, measure: float) -> float:
    """Scale of one pose, by its values where it was seen, in a picture so wide."""
    step, seen = POSE[name][0], float(np.std(column))
    if name == "HeadScale":
        step *= abs(float(np.median(column))) or 1.0
    else:
        if name in IN_PICTURE and measure:
            step = ASIDE_MM
        elif name in IN_PICTURE and wide:
            step *= wide
        step /= measure or 1.0
    # In a unit that nobody told, or not truly, what was seen is all there is to go by.
    return seen if seen > OTHER_UNIT * step else step


def _picture_px(values: Array, names: tuple[str, ...]) -> float:
    """About the width of a picture whose pixels are counted, 0 where it has shares.

    A head is near the middle of it.
    """
    places = [values[:, k] for k, name in enumerate(names) if name in IN_PICTURE]
    places = [place[np.isfinite(place)] for place in places]
    places = [place for place in places if len(place)]
    if not places or max(np.abs(p).max() for p in places) <= FARTHEST_SHARE:
        return 0.0
    middle = max(abs(float(np.median(place))) for place in places)
    return max(2.0 * middle, LEAST_PICTURE_PX)
