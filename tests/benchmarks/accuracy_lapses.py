"""What inattention must cost: the same fit, told which targets were not looked at.

The simulator knows where gaze truly was in the samples that a fit would use of each
target. Without the targets from which it was away, no method can do better by telling
lapses better; what is lost then is that there are fewer looks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from accuracy_people import Sitting

from calibkit import Recording
from calibkit.fitted import features
from calibkit.fitted.fixation import AFTER_S, sight
from calibkit.geometry import px_to_angles

AWAY_DEG = 1.5  # mean true gaze this far from a target did not look at it


def looked_at(sitting: Sitting, calibration: Sequence[int]) -> Recording:
    """The recording with those of some targets that were looked at, by true gaze."""
    rec = sitting.rows(calibration)
    plan = features.layout(rec.channels)
    signals = features.read(plan, rec.samples, rec.setup)
    shown, path = rec.targets, np.empty((0, 3))
    found = sight(rec.time, signals.xy, signals.extra, shown, path, AFTER_S)
    kept = []
    for number, target, seen in zip(calibration, shown, found.seen, strict=True):
        if not seen.looks:
            continue
        when = rec.time[seen.looks[0].rows]
        true = [np.interp(when, *sitting.truth[:, [0, k]].T) for k in (1, 2)]
        away = px_to_angles(rec.setup, np.column_stack(true)).mean(axis=0)
        away = away - px_to_angles(rec.setup, [target["x"], target["y"]])[0]
        if np.hypot(*away) <= AWAY_DEG:
            kept.append(number)
    return sitting.rows(kept)
