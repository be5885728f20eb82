"""By how much errors exceed what is expected of them, in spite of lapses."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.bayes import Blocks, Solution

Array = NDArray[np.float64]


def unexplained(solution: Solution, made: Blocks) -> Array:
    """Sd (2,) by which looks are farther from what others predict than all explains.

    Without checks they alone tell how true what is stated will be: errors of real
    webcams have longer tails than a normal, those of simulated ones have not.

    Parameters
    ----------
    solution : Solution
        Of several persons; only looks of all eyes tell.
    made : Blocks
        Their looks (k, T, 2e).

    Returns
    -------
    array (2,), degrees right and down; 0 where no look tells
    """
    both = made.present.all(axis=-1)
    if not both.any():
        return np.zeros(2)
    eyes = made.present.shape[-1] // 2
    mean = np.tile(np.eye(2) / eyes, eyes)
    error2 = (solution.left_out[both] @ mean.T) ** 2
    known = mean @ solution.left_out_cov[both] @ mean.T
    return np.array([matching(error2[:, a], known[:, a, a]) for a in range(2)])


def matching(error2: Array, known: Array) -> float:
    """Sd to add so that 75 % lie where a normal has them: 1.15 sd, 1.323 squared.

    The last quarter holds the lapses, which are no drift.

    Parameters
    ----------
    error2, known : array (n,)
        Squared errors and the variances that are expected of them.

    Returns
    -------
    float, 0.1 to 3
    """
    low, high = 0.0, 3.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if np.quantile(error2 / (known + middle**2), 0.75) > 1.323:
            low = middle
        else:
            high = middle
    return max(middle, 0.1)
