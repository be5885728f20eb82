"""From one recording to one person's estimate: read, select, regress, say why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted.broad import (
    CHOICES,
    CHOICES_IN_DEGREES,
    DRIFT_SHARE,
    EYE_BY_SAMPLE,
    broad,
    prior_weights,
)
from calibkit.fitted.estimate import Estimate, estimate, evidence
from calibkit.fitted.features import Layout, layout, read, with_covariates
from calibkit.fitted.fixation import Look, sight
from calibkit.fitted.observations import Points, points
from calibkit.fitted.prior import SharedMapping, for_eyes
from calibkit.fitted.starts import trimmed_start
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

# Raw features without any prior: fewer looks than an affine map has unknowns per axis.
FEWEST_RAW = 3
LAGS_S = np.arange(0.0, 0.351, 0.025)
LAG_MEAN_S, LAG_SD_S = 0.1, 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Person:
    """All that a recording says of one person.

    Parameters
    ----------
    layout : Layout
    prior : SharedMapping
    points : Points
    estimate : Estimate
    targets : structured array
        The targets of all its recordings, one after the other.
    reasons : dict of str by target
    samples : dict of int by target
    lag_s : float
        Of gaze behind a moving target, device latency included; NaN without one.
    notes : tuple of str
    """

    layout: Layout
    prior: SharedMapping
    points: Points
    estimate: Estimate
    targets: NDArray[np.void]
    reasons: dict[int, str]
    samples: dict[int, int]
    lag_s: float
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Material:
    """What a recording's targets of one role gave, before any prior."""

    layout: Layout
    points: Points
    glides: tuple[Glide | None, ...]
    targets: NDArray[np.void]
    reasons: dict[int, str]
    samples: dict[int, int]

    def at_lag(self, lag_s: float) -> Points:
        """The looks with moving targets taken `lag_s` earlier."""
        if not self.points.moving.any():
            return self.points
        gaze = self.points.gaze.copy()
        for row, glide in enumerate(self.glides):
            if glide is not None:
                gaze[row] = glide.angles(lag_s)
        return self.points.at(gaze)


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
    rec: Recording, plan: Layout, role: str = "calibration", min_confidence: float = 0.0
) -> Material:
    """Read a recording and find its looks.

    Parameters
    ----------
    rec : Recording
    plan : Layout
    role : str
        Which targets to use.
    min_confidence : float
    """
    rec = _in_order(rec)
    signals = read(plan, rec.samples, rec.setup, min_confidence)
    chosen = np.flatnonzero(rec.targets["role"] == role)
    kept = chosen[rec.targets["kept"][chosen] != 0]
    assert rec.target_path is not None
    path = _sorted_path(rec.target_path)
    seen = sight(rec.time, signals.xy, signals.extra, rec.targets[kept], path)
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
    )


def _in_order(rec: Recording) -> Recording:
    if np.all(rec.time[1:] >= rec.time[:-1]):
        return rec
    order = np.argsort(rec.time, kind="stable")
    return replace(rec, time=rec.time[order], samples=rec.samples[order], time_raw=None)


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
        if name != "spread"
    }
    spread = np.mean([p.spread for p in shifted], axis=0)
    return Material(
        layout=first.layout,
        points=Points(**parts, spread=spread),
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
    )


def _sorted_path(path: Array) -> Array:
    good = path[np.isfinite(path).all(axis=1)]
    return good[np.argsort(good[:, 0], kind="stable")]


def person_of(
    recordings: Sequence[Recording],
    shared: SharedMapping | None,
    eyes: str,
    extra: tuple[str, ...],
    min_confidence: float,
) -> Person:
    """Estimate one person; with or without a shared mapping, from 0 looks on."""
    plans = [layout(rec.channels, eyes, extra) for rec in recordings]
    if any(plan != plans[0] for plan in plans):
        raise InputError("the recordings have different channels; fit each on its own")
    plan, last = plans[0], recordings[-1]
    prior = None
    if shared is not None:
        prior = fitting(shared, plan)
        plan = with_covariates(plan, prior.basis.covariates)
    else:
        plan = with_covariates(plan, extra)
    material = merged(
        [gather(rec, plan, min_confidence=min_confidence) for rec in recordings]
    )
    notes: tuple[str, ...] = ()
    if prior is None:
        prior, found, lag = _without_prior(last.setup, material)
    else:
        notes = _warnings(last.setup, prior, len(material.points))
        found, lag = _with_lag(prior, material)
    return Person(
        layout=plan,
        prior=prior,
        points=material.points,
        estimate=_honest(found),
        targets=material.targets,
        reasons=_reasons(material, found),
        samples=material.samples,
        lag_s=lag,
        notes=notes,
    )


def fitting(shared: SharedMapping, plan: Layout) -> SharedMapping:
    """Return the part of a shared mapping for a layout's eyes, or refuse.

    Raises
    ------
    InputError
        When it was learned from other features.
    """
    prior = for_eyes(shared, plan.names)
    if prior.signature != plan.signature:
        raise InputError(
            f"the shared mapping reads {', '.join(prior.signature)}, the recording has "
            f"{', '.join(plan.signature)}; learn one from such recordings"
        )
    return prior


def _warnings(
    setup: geometry.Setup, prior: SharedMapping, looks: int
) -> tuple[str, ...]:
    if not prior.foreign(setup):
        return prior.notes
    where = "simulated people" if prior.origin == "simulated" else "another set-up"
    if looks <= 1:
        raise InputError(
            f"the shared mapping comes from {where} and there are {looks} usable "
            "targets; raw camera features need at least 2, better 5, from this set-up"
        )
    flag = f"the shared mapping comes from {where}; check it before relying on it"
    return (*prior.notes, flag)


def _with_lag(
    prior: SharedMapping, material: Material, start: Array | None = None
) -> tuple[Estimate, float]:
    """Estimate, for moving targets at the lag that explains them best."""
    args = (prior.weights, prior.basis, prior.noise)
    if not material.points.moving.any():
        return estimate(*args, material.points, start), float("nan")
    best: tuple[float, Estimate, float] | None = None
    for lags in (LAGS_S[::4], None):
        if lags is None:
            assert best is not None
            lags = best[2] + np.array([-0.05, -0.025, 0.025, 0.05])
        for lag in lags:
            found = estimate(*args, material.at_lag(float(lag)), start)
            score = found.score - 0.5 * ((lag - LAG_MEAN_S) / LAG_SD_S) ** 2
            if best is None or score > best[0]:
                best = (score, found, float(lag))
    assert best is not None
    return best[1], best[2]


def _without_prior(
    setup: geometry.Setup, material: Material
) -> tuple[SharedMapping, Estimate, float]:
    """Broad prior: choose where to start and how far to bend, then estimate.

    Choices are judged by what looks predict of one another, at a fixed noise; only the
    chosen one is worked out in full.
    """
    plan, found = material.layout, material.points
    if not plan.in_degrees:
        _check_raw(found)
    prior = broad(plan, found, setup, plan.covariates)
    fixed = replace(prior, noise=replace(prior.noise, spread=0.0))
    starts = _starts(found)
    start = starts[0]
    if len(starts) > 1:
        rough = [_with_lag(fixed, material, one)[0] for one in starts]
        start = rough[int(np.argmax([one.score for one in rough]))].trust
    best, lag = _with_lag(prior, material, start)
    rougher = np.sqrt(np.diag(best.noise.sample)).reshape(-1, 2) * EYE_BY_SAMPLE
    if (rougher > 1.3 * prior.noise.eye).any():
        eye = np.maximum(rougher, prior.noise.eye)
        prior = replace(prior, noise=replace(prior.noise, eye=eye))
        best, lag = _with_lag(prior, material, start)
    now = found if np.isnan(lag) else material.at_lag(lag)
    options = []
    for scale, bend, odds in CHOICES_IN_DEGREES if plan.in_degrees else CHOICES:
        weights = prior_weights(prior.basis, plan.in_degrees, scale, bend)
        options.append((odds + evidence(weights, prior.basis, best, now), weights))
    chosen = max(options, key=lambda option: option[0])[1]
    if chosen is not options[0][1]:
        prior = replace(prior, weights=chosen)
        noise = replace(best.noise, spread=0.0)
        best = estimate(chosen, prior.basis, noise, now, best.trust)
    return prior, _with_drift(best), lag


def _with_drift(found: Estimate) -> Estimate:
    """Where no check taught the drift: in proportion to what the eyes leave over."""
    noise = found.noise
    drift = np.maximum(
        noise.drift, DRIFT_SHARE * np.sqrt(np.mean(noise.eye**2, axis=0))
    )
    return replace(found, noise=replace(noise, drift=drift))


def _starts(found: Points) -> list[Array | None]:
    starts: list[Array | None] = [None]
    if len(found):
        eye = int(np.argmax(found.seen.sum(axis=0)))
        rows = np.where(found.seen[:, eye, None], found.mean[:, eye], np.nan)
        trimmed = trimmed_start(rows, found.gaze)
        if trimmed is not None:
            starts.append(trimmed)
    return starts


def _check_raw(found: Points) -> None:
    count = len(found)
    if count < FEWEST_RAW:
        raise InputError(
            f"{count} usable target(s) and no shared mapping; raw camera features need "
            f"at least {FEWEST_RAW} targets, or a shared mapping"
        )
    spans = np.zeros(found.seen.shape[1])
    for e in range(len(spans)):
        rows = found.mean[found.seen[:, e], e]
        noise = np.sqrt(np.diag(found.spread)[2 * e : 2 * e + 2]) + 1e-9 * (
            1.0 + np.abs(rows).max(initial=0.0)
        )
        spans[e] = np.max(np.ptp(rows, axis=0) / noise, initial=0.0) if len(rows) else 0
    if not (spans > 2.0).any():
        raise InputError(
            "the features do not change from target to target; check that the tracker "
            "sees the eyes and that the right channels are read"
        )


def _honest(found: Estimate) -> Estimate:
    """Widen an estimate whose left-out looks are farther off than it can explain."""
    if len(found.trust) < 3 or found.strain < 2.5:
        return found
    factor = found.strain
    wider = replace(found.weights, cov=found.weights.cov * factor)
    noise = found.noise
    return replace(
        found,
        weights=wider,
        noise=replace(noise, eye=noise.eye * np.sqrt(factor)),
    )


def _reasons(material: Material, found: Estimate) -> dict[int, str]:
    reasons = dict(material.reasons)
    target = material.points.target
    for index in reasons:
        mine = np.flatnonzero(target == index)
        if not len(mine):
            continue
        trust = float(found.trust[mine].mean())
        away = float(np.hypot(*np.median(found.away[mine], axis=0)))
        if trust < 0.5:
            kind = "hardly counts" if trust < 0.1 else "counts less"
            reasons[index] += f"; {kind}: gaze seems {away:.1f} degrees away"
    return reasons
