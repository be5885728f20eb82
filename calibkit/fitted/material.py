"""What a recording gives a fit: its looks and the features that they have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted.features import Layout, read
from calibkit.fitted.fixation import AFTER_S, rate_of, sight
from calibkit.fitted.looks import Look
from calibkit.fitted.observations import OF_ALL, Points, points
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Material:
    """What a recording's targets of one role gave, before any prior."""

    layout: Layout
    points: Points
    glides: tuple[Glide | None, ...]
    targets: NDArray[np.void]
    reasons: dict[int, str]
    samples: dict[int, int]
    rate_hz: float = 60.0
    eyes_seen: bool = True
    stuck: tuple[bool, ...] = ()

    @property
    def eye_that_moves(self) -> str | None:
        """The one eye of two that moves, where the other is stuck throughout."""
        moves = [
            name
            for name, stuck in zip(self.layout.names, self.stuck, strict=True)
            if not stuck
        ]
        return moves[0] if any(self.stuck) and len(moves) == 1 else None

    def at_lag(self, lag_s: float) -> Points:
        """The looks with moving targets taken `lag_s` earlier; NaN where none moves."""
        if not self.points.moving.any():
            return self.points
        gaze = self.points.gaze.copy()
        for row, glide in enumerate(self.glides):
            if glide is not None:
                gaze[row] = glide.angles(lag_s)
        return self.points.at(gaze)

    def check_seen(self) -> None:
        """Refuse when no sample saw an eye.

        Raises
        ------
        InputError
        """
        if not self.eyes_seen:
            raise InputError(
                "the recording has no sample in which an eye was seen; check that the "
                "tracker sees the eyes and that the right channels are read"
            )

    def told(self, trust: Array, away: Array) -> dict[int, str]:
        """Reasons by target, with what an estimate thinks of its looks.

        Parameters
        ----------
        trust : array (T,)
        away : array (T, 2), degrees
        """
        reasons = dict(self.reasons)
        for index in reasons:
            mine = np.flatnonzero(self.points.target == index)
            if not len(mine):
                continue
            believed = float(trust[mine].mean())
            apart = float(np.hypot(*np.median(away[mine], axis=0)))
            if believed < 0.5:
                kind = "hardly counts" if believed < 0.1 else "counts less"
                reasons[index] += f"; {kind}: gaze seems {apart:.1f} degrees away"
        return reasons


@dataclass(frozen=True, kw_only=True, eq=False)
class Glide:
    """When a block of samples of a moving target was taken, and its path."""

    setup: geometry.Setup
    path: Array
    times: Array

    def angles(self, lag_s: float) -> Array:
        """Mean field angles (2,) of the target `lag_s` before the samples."""
        at, path = self.times - lag_s, self.path
        xy = np.column_stack([np.interp(at, path[:, 0], path[:, k]) for k in (1, 2)])
        mean: Array = geometry.px_to_angles(self.setup, xy).mean(axis=0)
        return mean


def gather(
    rec: Recording,
    plan: Layout,
    role: str = "calibration",
    min_confidence: float | None = None,
) -> Material:
    """Read a recording and find its looks.

    Parameters
    ----------
    rec : Recording
    plan : Layout
    role : str
        Which targets to use.
    min_confidence : float, optional
        Samples with less count as missing; by default what the recording's protocol
        says.
    """
    rec = rec.in_time_order()
    least = rec.least_confidence(min_confidence)
    signals = read(plan, rec.samples, rec.setup, least)
    chosen = np.flatnonzero(rec.targets["role"] == role)
    kept = chosen[rec.targets["kept"][chosen] != 0]
    path = _sorted_path(rec.target_path)
    stuck = _stuck(signals.xy)
    xy = np.where(stuck[:, None, None], np.nan, signals.xy)
    shown = rec.targets[kept]
    seen = sight(rec.time, xy, signals.extra, shown, path, AFTER_S)
    reasons = dict.fromkeys(chosen.tolist(), "left out by the operator")
    samples = dict.fromkeys(chosen.tolist(), 0)
    looks: list[Look] = []
    glides: list[Glide | None] = []
    for index, one in zip(kept.tolist(), seen.seen, strict=True):
        reasons[index] = one.reason
        moving = bool(one.looks) and one.looks[0].path_time is not None
        for look in one.looks if moving else one.looks[:1]:
            if not (look.counts > 0).any():
                continue
            looks.append(replace(look, target=index))
            samples[index] += len(look.rows)
            times = look.path_time
            glides.append(
                None
                if times is None
                else Glide(setup=rec.setup, path=path, times=times)
            )
        if not samples[index] and one.looks:
            reasons[index] = "no eye was seen for long enough"
    places = np.column_stack([rec.targets["x"], rec.targets["y"]])
    gaze = geometry.px_to_angles(rec.setup, places)[[look.target for look in looks]]
    made = points(looks, gaze, seen, len(plan.eyes))
    return Material(
        layout=plan,
        points=made,
        glides=tuple(glides),
        targets=rec.targets,
        reasons=reasons,
        samples=samples,
        rate_hz=rate_of(rec.time),
        eyes_seen=_seen(rec, signals.xy),
        stuck=tuple(stuck.tolist()),
    )


def _seen(rec: Recording, xy: Array) -> bool:
    # A recording of nothing that asks for no looks only says what channels there are.
    nothing = not len(rec.time) and not len(rec.targets)
    return nothing or bool(np.isfinite(xy).all(axis=2).any())


def _stuck(xy: Array) -> NDArray[np.bool_]:
    """Which eyes (e,) stay at one value throughout while another one moves."""
    stuck = np.zeros(len(xy), bool)
    for e, eye in enumerate(xy):
        there = eye[np.isfinite(eye[:, 0])]
        stuck[e] = len(there) > 1 and bool((there == there[0]).all())
    return stuck & ~stuck.all()


def merged(materials: Sequence[Material]) -> Material:
    """Put the material of several recordings of one person together."""
    first = materials[0]
    if len(materials) == 1:
        return first
    shifts = np.cumsum([0, *(len(m.targets) for m in materials[:-1])]).tolist()
    shifted = [
        replace(m.points, target=m.points.target + shift)
        for m, shift in zip(materials, shifts, strict=True)
    ]
    parts = {
        name: np.concatenate([getattr(p, name) for p in shifted])
        for name in vars(first.points)
        if name not in OF_ALL
    }
    spread = np.mean([p.spread for p in shifted], axis=0)
    extra = [p.extra_spread for p in shifted if p.extra_spread is not None]
    extra_spread = np.mean(extra, axis=0) if extra else None
    return Material(
        layout=first.layout,
        points=Points(**parts, spread=spread, extra_spread=extra_spread),
        glides=sum((m.glides for m in materials), ()),
        targets=np.concatenate([m.targets for m in materials]),
        reasons={
            k + shift: v
            for m, shift in zip(materials, shifts, strict=True)
            for k, v in m.reasons.items()
        },
        samples={
            k + shift: v
            for m, shift in zip(materials, shifts, strict=True)
            for k, v in m.samples.items()
        },
        rate_hz=min(m.rate_hz for m in materials),
        eyes_seen=any(m.eyes_seen for m in materials),
        stuck=tuple(np.all([m.stuck for m in materials], axis=0).tolist()),
    )


def _sorted_path(path: Array | None) -> Array:
    assert path is not None
    good = path[np.isfinite(path).all(axis=1)]
    return good[np.argsort(good[:, 0], kind="stable")]
