"""Looks that say nothing: where gaze was has nothing to do with where the targets were.

Some mapping fits any looks about as well; what it then says is wrong and seems sure.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis
from calibkit.fitted.estimate import Estimate, unsure_everywhere

Array = NDArray[np.float64]

# Fewer looks leave too little to predict one of them from the others.
FEWEST = 5
# Half of the looks, each left out, are off by more than this share of what guessing
# the middle of the targets is off by.
NO_BETTER = 0.5
NOTE = (
    "the looks do not agree with one another: the person may have looked elsewhere, or "
    "the channels are not what they are called; do not rely on this mapping"
)


def if_untold(found: Estimate, basis: Basis, gaze: Array) -> Estimate:
    """Return the estimate; if left-out looks are far off, as unsure as they are.

    And, since gaze then has nothing to do with what is said, as targets are apart. For
    looks that nobody else's mapping says anything about: of many lapses, people learned
    from tell which they are. At most as if every look had been twice as far away as the
    farthest target.

    Parameters
    ----------
    found : Estimate
    basis : Basis
    gaze : array (T, 2), degrees
        Where the targets were.
    """
    if len(gaze) < FEWEST or found.untold:
        return found
    guessed = np.linalg.norm(gaze - gaze.mean(axis=0), axis=1)
    length = np.linalg.norm(found.away, axis=1)
    if np.median(length) <= NO_BETTER * np.median(guessed):
        return found
    farthest = 2.0 * guessed.max()
    away = found.away * (farthest / np.maximum(length, farthest))[:, None]
    apart = gaze - gaze.mean(axis=0)
    off = (away.T @ away + apart.T @ apart) / len(away)
    return replace(unsure_everywhere(found, basis, off), untold=True)
