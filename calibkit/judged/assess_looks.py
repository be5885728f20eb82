"""Which samples of a target are judged: the steady look at it, in calibrated gaze.

`fixation` finds it by steadiness and time, never by closeness to the target: a mapping
that is off must not lose the samples that say so. Only a few targets from which gaze
stayed far while the others were met are left out afterwards (`elsewhere`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted import fixation
from calibkit.fitted.looks import Seen
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

# Real corner failures of up to 3.8 degrees are in the open data; they must count. A
# gaze both further off than this and several times as far as the others is elsewhere.
ELSEWHERE_DEG = 5.0
ELSEWHERE_TIMES = 5.0
MOST_ELSEWHERE = 1 / 3  # more than that, and it is the mapping that fails


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


def elsewhere(off_deg: Array, looked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell at which targets the person looked somewhere else.

    Parameters
    ----------
    off_deg : array (m,)
        How far off gaze was at each target; NaN where it was not seen.
    looked : array (m,)
        Where a steady look was found.

    Returns
    -------
    array (m,) bool; none at all where so many are off that the mapping fails instead

    Notes
    -----
    A check that counts a glance elsewhere as an error of the mapping tells the operator
    to offer one large key to somebody who can use fifty.
    """
    known = np.isfinite(off_deg) & looked
    if not known.any():
        return np.zeros(len(off_deg), bool)
    limit = max(ELSEWHERE_DEG, ELSEWHERE_TIMES * float(np.median(off_deg[known])))
    away = known & (np.nan_to_num(off_deg) > limit)
    return away if away.sum() <= MOST_ELSEWHERE * known.sum() else np.zeros_like(away)


def without(
    found: Sequence[Judged], away: NDArray[np.bool_], off_deg: Array
) -> tuple[Judged, ...]:
    """Leave out the looks that went elsewhere, and say so."""
    return tuple(
        replace(
            look,
            counted=look.counted[:0],
            where_px=look.where_px[:0],
            looked=False,
            reason=f"gaze stayed {off:.0f} degrees away: not looked at",
        )
        if gone
        else look
        for look, gone, off in zip(found, away, off_deg, strict=True)
    )


def _one(
    rec: Recording, row: np.void, seen: Seen, gaze_px: Array, path: Array
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
