"""From one recording to one person's estimate: read, select, regress, say why."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted import features
from calibkit.fitted.averaging import as_pictured, averaged, few_enough, states
from calibkit.fitted.axes import unsure, ways
from calibkit.fitted.broad import (
    CHOICES,
    CHOICES_IN_DEGREES,
    DRIFT_SHARE,
    EYE_BY_SAMPLE,
    across_unknown,
    broad,
    check_raw,
    pose_slopes,
    prior_weights,
)
from calibkit.fitted.either_eye import LAG_MEAN_S, either_eye, or_by_turns, with_lag
from calibkit.fitted.elsewhere import (
    AGREED,
    FEW_UNSURE,
    UNSURE_SHARE,
    elsewhere,
    loosened,
    perhaps_moved,
)
from calibkit.fitted.estimate import (
    Estimate,
    estimate,
    evenly,
    evidence,
    honest,
    predicted,
    unsure_by,
    with_samples,
)
from calibkit.fitted.features import Layout, agree, layout, pose_names, with_covariates
from calibkit.fitted.frames import about_zero
from calibkit.fitted.lapses import MOST_SETS, or_lapses
from calibkit.fitted.material import Material, gather, merged
from calibkit.fitted.observations import Noise, Points
from calibkit.fitted.prior import SharedMapping, for_eyes
from calibkit.fitted.starts import start_of
from calibkit.fitted.untold import NOTE as UNTOLD_NOTE
from calibkit.fitted.untold import if_untold
from calibkit.fitted.upright import unsure_if_skewed
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

# A learned prior under which the mean trust in so many looks is less than this is
# doubted; with fewer looks, or more trust, it is the person who looked elsewhere.
DOUBT_LOOKS, DOUBT_TRUST = 8, 0.2
# Fewer looks cannot tell that no prior is better than one.
FEWEST_ALONE = 5
LOOSER = (0.35, 1.0)
# Where less of so many looks is believed, the camera may have been moved; the log odds.
# Or where noise is so many times that of people, by which looks are believed.
MOVED_LOOKS, MOVED_TRUST, MOVED_ODDS, MOVED_LOUDER = 2, 0.5, -8.0, 2.5
# With few looks, from these odds on it is not certain that it was not.
MOVED_DOUBT = -2.0
# With so few looks the place where a camera stands is told by the prior alone.
FEW_LOOKS = 1
MIXED_NOTE = (
    "the shared mapping was learned at several set-ups and there are too few targets "
    "to tell which is like this one; check it before relying on it"
)

TURNS_NOTE = (
    "the eyes take turns in looking, and a sample does not tell which one it is; cover "
    "one of them and use the other alone"
)


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


def person_of(
    recordings: Sequence[Recording],
    shared: SharedMapping | None,
    eyes: str,
    extra: tuple[str, ...],
    min_confidence: float | None,
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
        plan = with_covariates(plan, (*pose_names(plan), *extra))
    material = merged(
        [gather(rec, plan, min_confidence=min_confidence) for rec in recordings]
    )
    material.check_seen()
    if (alone := material.eye_that_moves) is not None:
        # Wherever it is stuck later, it must not answer.
        return person_of(recordings, shared, alone, extra, min_confidence)
    notes: tuple[str, ...] = ()
    if prior is None:
        prior, found, lag = _without_prior(last.setup, material)
    else:
        notes = warnings(last.setup, prior, len(material.points))
        prior, found, lag = _with_prior(last.setup, prior, material)
    if found.takes_turns:
        notes = (*notes, TURNS_NOTE)
    if found.untold:
        notes = (*notes, UNTOLD_NOTE)
    return Person(
        layout=replace(plan, min_confidence=last.least_confidence(min_confidence)),
        prior=prior,
        points=material.points,
        estimate=honest(found),
        targets=material.targets,
        reasons=material.told(found.trust, found.away),
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
    if not agree(prior.signature, plan.signature):
        raise InputError(
            f"the shared mapping reads {features.said(prior.signature)}, but "
            f"this tracker gives {features.said(plan.signature)}; learn one from such "
            "recordings"
        )
    return prior


def warnings(
    setup: geometry.Setup, prior: SharedMapping, looks: int
) -> tuple[str, ...]:
    """Say what is to be known of a prior at a set-up, or refuse it for so few looks."""
    if not prior.foreign(setup):
        if prior.mixed and looks <= FEW_LOOKS:
            return (*prior.notes, MIXED_NOTE)
        return prior.notes
    where = "simulated people" if prior.origin == "simulated" else "another set-up"
    if looks <= 1:
        raise InputError(
            f"the shared mapping comes from {where}; raw camera features need at least "
            f"2 usable targets from this set-up, better 5, and {looks} is too few"
        )
    flag = f"the shared mapping comes from {where}; check it before relying on it"
    return (*prior.notes, flag)


def _without_prior(
    setup: geometry.Setup, material: Material
) -> tuple[SharedMapping, Estimate, float]:
    """Broad prior: choose where to start, estimate, then average states or choose."""
    plan, found = material.layout, material.points
    usual = material.at_lag(LAG_MEAN_S)
    if not plan.in_degrees:
        check_raw(usual)
    prior = broad(plan, usual, setup, plan.covariates)
    likely = ways(plan, prior, found)
    turn = next(iter(likely))
    slopes = pose_slopes(prior.basis, plan)
    turned = prior_weights(prior.basis, plan.in_degrees, turn=turn, slopes=slopes)
    prior = replace(prior, weights=turned)
    if plan.in_degrees:
        args = (prior.noise, prior.basis, turned.mean, found)
        prior = _as_rough_as(prior, with_samples(*args))
    start = start_of(prior.weights, prior.basis, prior.noise, usual, plan.in_degrees)
    best, lag = with_lag(prior, material, start)
    if not plan.in_degrees:
        # Only now is it known what a sample's noise is in degrees.
        alone = replace(found, extra_spread=None)
        own = with_samples(prior.noise, prior.basis, best.weights.mean, alone)
        rougher = _as_rough_as(prior, own)
        if rougher is not prior:
            prior = rougher
            best, lag = with_lag(prior, material, start)
    now = material.at_lag(lag)
    if few_enough(now):
        pictured = as_pictured(best.weights.mean, prior.basis, now)
        kinds = states(len(now), material.rate_hz, plan.in_degrees, pictured)
        best = averaged(prior.weights, prior.basis, best, now, kinds)
    else:
        prior, best = _best_choice(prior, best, plan, now, turn)
    if plan.in_degrees:
        best = unsure(plan, prior, or_by_turns(prior, now, best), now, likely)
        return prior, _with_drift(best), lag
    # What changes of raw features is mostly the pose, which is read then.
    best = unsure_if_skewed(prior.basis, best)
    told = across_unknown(prior.weights, best.weights, prior.basis, now.gaze)
    best = if_untold(replace(best, weights=told), prior.basis, now.gaze)
    return prior, best, lag


def _best_choice(
    prior: SharedMapping,
    best: Estimate,
    plan: Layout,
    now: Points,
    turn: tuple[float, float],
) -> tuple[SharedMapping, Estimate]:
    """Choose how far from the start a mapping may be, and bend: with many looks."""
    options = []
    slopes = pose_slopes(prior.basis, plan)
    for scale, bend, odds in CHOICES_IN_DEGREES if plan.in_degrees else CHOICES:
        weights = prior_weights(prior.basis, plan.in_degrees, scale, bend, turn, slopes)
        options.append((odds + evidence(weights, prior.basis, best, now), weights))
    chosen = max(options, key=lambda option: option[0])[1]
    if chosen is not options[0][1]:
        prior = replace(prior, weights=chosen)
        noise = replace(best.noise, spread=0.0)
        best = estimate(chosen, prior.basis, noise, now, best.trust)
    return prior, best


def _as_rough_as(prior: SharedMapping, own: Noise) -> SharedMapping:
    """Return the prior with more eye error, where a person's samples are so noisy."""
    rougher = np.sqrt(np.diag(own.sample)).reshape(-1, 2) * EYE_BY_SAMPLE
    if not (rougher > 1.3 * prior.noise.eye).any():
        return prior
    eye = np.maximum(rougher, prior.noise.eye)
    return replace(prior, noise=replace(prior.noise, eye=eye))


def _with_drift(found: Estimate) -> Estimate:
    """Where no check taught the drift: in proportion to what the eyes leave over."""
    noise = found.noise
    drift = np.maximum(
        noise.drift, DRIFT_SHARE * np.sqrt(np.mean(noise.eye**2, axis=0))
    )
    return replace(found, noise=replace(noise, drift=drift))


def _with_prior(
    setup: geometry.Setup, prior: SharedMapping, material: Material
) -> tuple[SharedMapping, Estimate, float]:
    """Estimate under a prior of this set-up, or of others or several brought here."""
    foreign, count = prior.foreign(setup), len(material.points)
    if foreign or (prior.mixed and FEW_LOOKS < count <= MOST_SETS):
        return _from_elsewhere(setup, prior, material)
    tried = _believed(setup, prior, material)
    # That one of several set-ups has this screen does not say it has this camera.
    if prior.mixed and count > FEW_LOOKS and tried[1].trust.mean() < AGREED:
        return _from_elsewhere(setup, prior, material)
    if not material.layout.in_degrees and count >= MOVED_LOOKS:
        return _unless_moved(prior, material, tried)
    return tried


def _unless_moved(
    prior: SharedMapping,
    material: Material,
    tried: tuple[SharedMapping, Estimate, float],
) -> tuple[SharedMapping, Estimate, float]:
    """Return what was tried, unless the camera seems to stand elsewhere than it did.

    The same screen does not say that it is the same camera, lights and mirror.
    """
    # Noise far above that of people can hide it, too.
    louder = np.mean(tried[1].noise.eye) / np.mean(prior.noise.eye)
    if tried[1].trust.mean() >= MOVED_TRUST and louder < MOVED_LOUDER:
        return tried
    looks = material.at_lag(LAG_MEAN_S)
    there = elsewhere(prior, looks, about_zero(material.layout))
    moved, found, lag = either_eye(there.prior, material, there.trust)
    options = (tried, (moved, found, lag))
    here, away = (predicted(p.weights, p.basis, e, looks) for p, e, _ in options)
    odds = away + MOVED_ODDS - here
    if odds > 0.0 and found.trust.mean() >= AGREED:
        return moved, there.unsure(found), lag
    if odds > MOVED_DOUBT and len(looks) <= FEW_UNSURE:
        usual, kept, lag = tried
        mean = moved.basis.as_in(usual.basis) @ found.weights.mean
        apart = evenly(mean - kept.weights.mean, len(prior.eyes))
        return usual, unsure_by(kept, apart, UNSURE_SHARE), lag
    return tried


def _believed(
    setup: geometry.Setup, prior: SharedMapping, material: Material
) -> tuple[SharedMapping, Estimate, float]:
    """Estimate under a prior of this set-up, unless many looks speak against it."""
    usual = prior
    prior, found, lag = either_eye(usual, material)
    believed = float(found.trust.mean()) if len(found.trust) else 1.0
    if len(found.trust) >= DOUBT_LOOKS and believed < DOUBT_TRUST:
        return _doubted(setup, prior, material, (found, lag))
    if found.averaged:
        return prior, found, lag
    looks = material.at_lag(lag)
    found = or_lapses(prior.weights, prior.basis, prior.noise, found, looks)
    if not material.layout.in_degrees:
        found = perhaps_moved(usual, found, looks)
    return prior, found, lag


def _from_elsewhere(
    setup: geometry.Setup, prior: SharedMapping, material: Material
) -> tuple[SharedMapping, Estimate, float]:
    """Bring a prior of other set-ups here, or do without, as the looks say."""
    looks = material.at_lag(LAG_MEAN_S)
    there = elsewhere(prior, looks, about_zero(material.layout))
    options = [either_eye(there.prior, material, there.trust)]
    if len(looks) >= FEWEST_ALONE:
        with suppress(InputError):
            options.append(_without_prior(setup, material))
    scores = [predicted(p.weights, p.basis, e, looks) for p, e, _ in options]
    here, found, lag = options[int(np.argmax(scores))]
    if here is there.prior:
        found = there.unsure(found)
    return here, found, lag


def _doubted(
    setup: geometry.Setup,
    prior: SharedMapping,
    material: Material,
    first: tuple[Estimate, float],
) -> tuple[SharedMapping, Estimate, float]:
    """Choose between a prior that may not fit, the same much wider, and none at all.

    By what the looks predict of one another; trusting a prior that does not fit would
    make every look seem a lapse.
    """
    options = [(prior, *first)]
    for share in LOOSER:
        loose = loosened(prior, share)
        options.append((loose, *with_lag(loose, material)))
    if len(material.points) >= FEWEST_ALONE:
        # Features that do not change refuse here; the prior then answers, widely.
        with suppress(InputError):
            options.append(_without_prior(setup, material))
    chosen, found, lag = max(options, key=lambda option: option[1].score)
    if chosen is not prior:
        found = if_untold(found, chosen.basis, material.points.gaze)
    return chosen, found, lag
