"""Which samples of a target are judged: the steady look at it, in calibrated gaze.

`fixation` finds it by steadiness and time, never by closeness to the target: a mapping
that is off must not lose the samples that say so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit import fixation, geometry
from calibkit.errors import InputError
from calibkit.recording import Recording

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """One target of an assessment.

    Parameters
    ----------
    rows : array (k,)
        Samples of its whole time, from onset to offset.
    counted : array (j,)
        Samples of the look at it; where there was none, all in which gaze was seen.
    centre_px : pair of float
        Where it was; the middle of its way, if it moved.
    where_px : array (j, 2)
        Where it was at each counted sample.
    moved : bool
    shown_s : float
    looked : bool
        Whether a look at it was found.
    reason : str
        What was found, in plain words.
    """

    rows: NDArray[np.intp]
    counted: NDArray[np.intp]
    centre_px: tuple[float, float]
    where_px: Array
    moved: bool
    shown_s: float
    looked: bool
    reason: str


def judged(
    rec: Recording, targets: NDArray[np.void], gaze_px: Array
) -> tuple[Judged, ...]:
    """Find the samples to judge, one entry per target.

    Parameters
    ----------
    rec : Recording
    targets : structured array (m,)
        Some of the recording's targets.
    gaze_px : array (n, 2)
        Calibrated gaze of all its samples, NaN where missing.

    Returns
    -------
    tuple of Judged

    Raises
    ------
    InputError
        When a target moved and the recording has no path for it.
    """
    path = np.empty((0, 3)) if rec.target_path is None else rec.target_path
    sight = fixation.sight(
        rec.time,
        geometry.px_to_angles(rec.setup, gaze_px)[None],
        np.empty((1, len(rec.time), 0)),
        targets,
        path,
    )
    return tuple(
        _one(rec, row, seen, gaze_px, path)
        for row, seen in zip(targets, sight.seen, strict=True)
    )


def _one(
    rec: Recording, row: np.void, seen: fixation.Seen, gaze_px: Array, path: Array
) -> Judged:
    onset, offset = float(row["onset"]), float(row["offset"])
    rows = np.flatnonzero((rec.time >= onset) & (rec.time < offset))
    moved = not np.isfinite([row["x"], row["y"]]).all()
    # A target that glides is followed in many short looks, all of the same pursuit.
    looks = [look.rows for look in (seen.looks if moved else seen.looks[:1])]
    counted = np.sort(np.concatenate(looks)) if looks else rows
    counted = counted[np.isfinite(gaze_px[counted]).all(axis=1)]
    way = _way(row, path) if moved else np.array([[onset, row["x"], row["y"]]])
    time = rec.time[counted]
    centre = way[:, 1:].mean(axis=0)
    return Judged(
        rows=rows,
        counted=counted,
        centre_px=(float(centre[0]), float(centre[1])),
        where_px=np.column_stack(
            [np.interp(time, way[:, 0], way[:, k]) for k in (1, 2)]
        ),
        moved=moved,
        shown_s=max(0.0, offset - onset) if np.isfinite(offset - onset) else 0.0,
        looked=bool(looks) and bool(len(counted)),
        reason=seen.reason,
    )


def _way(row: np.void, path: Array) -> Array:
    inside = path[(path[:, 0] >= row["onset"]) & (path[:, 0] <= row["offset"])]
    if not len(inside):
        raise InputError(
            f"/target_path has no way for the moving target shown at "
            f"{row['onset']:.3f} s; record its path, one row a frame"
        )
    return inside
