"""Judge a mapping without check targets: each target by a mapping that never saw it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.fitted.fixation import window
from calibkit.fitted.mapping import Gaze, Mapping
from calibkit.kept.recording import Recording

Fit = Callable[[Recording], Mapping]


@dataclass(frozen=True, kw_only=True, eq=False)
class LeftOut:
    """Answers at each target as the mapping fitted without that target does.

    `apply` takes the samples of one recording, whole and in its order.
    """

    whole: Mapping
    parts: tuple[tuple[slice, Mapping], ...]

    def apply(self, samples: NDArray[np.floating]) -> Gaze:
        """Gaze of all samples of the recording."""
        gaze = self.whole.apply(samples)
        xy, sd = gaze.xy.copy(), gaze.sd.copy()
        for rows, mapping in self.parts:
            part = mapping.apply(samples[rows])
            xy[rows], sd[rows] = part.xy, part.sd
        return Gaze(xy=xy, sd=sd)


def leave_one_out(rec: Recording, whole: Mapping, fit: Fit) -> LeftOut:
    """Fit once more for each place at which calibration targets were shown.

    Parameters
    ----------
    rec : Recording
        Its samples in the order of their times.
    whole : Mapping
        Fitted to all its targets; answers between them.
    fit : function
        From a recording with fewer targets to a mapping.

    Returns
    -------
    LeftOut

    Raises
    ------
    InputError
        When what is left is too little to fit.

    Notes
    -----
    A target shown twice at one place is left out both times: otherwise its other look
    would tell the answer (common practice in cross-validation, no source).
    """
    targets = rec.targets
    counted = (targets["role"] == "calibration") & (targets["kept"] != 0)
    places: dict[tuple[float, ...], list[int]] = {}
    for index in np.flatnonzero(counted):
        row = targets[index]
        moves = not np.isfinite(row["x"])
        place = (float(index),) if moves else (float(row["x"]), float(row["y"]))
        places.setdefault(place, []).append(int(index))
    parts = []
    for shown in places.values():
        rest = counted.copy()
        rest[shown] = False
        try:
            mapping = fit(rec.with_targets(rest))
        except InputError as error:
            raise InputError(
                "there are no validation targets, and without one of the calibration "
                f"targets too little is left to fit ({error}); validate with the "
                "person, or give --shared"
            ) from error
        parts += [(_rows(rec, targets[index]), mapping) for index in shown]
    return LeftOut(whole=whole, parts=tuple(parts))


def _rows(rec: Recording, row: np.void) -> slice:
    start, end = window(row)
    first, last = np.searchsorted(rec.time, [min(start, float(row["onset"])), end])
    return slice(int(first), int(max(first, last)))
