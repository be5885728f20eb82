"""What people have in common, learned from the recordings of several."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes, population
from calibkit.fitted.anatomy import anatomy
from calibkit.fitted.basis import Basis, supported_degree
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.broad import (
    DEGREES_SCALE,
    DRIFT_DEG,
    EYE_DEG,
    FIXATION_DEG,
    SAMPLE_DEG,
    covariate_scaling,
    middle_and_scale,
    pose_slopes,
    prior_weights,
)
from calibkit.fitted.crowd import Crowd, crowd_of
from calibkit.fitted.evaluation import PERSON_DEG
from calibkit.fitted.features import Layout, pose_names
from calibkit.fitted.frames import directions, over_setups, widened
from calibkit.fitted.observations import (
    Noise,
    Points,
    blocks,
    carried,
    gains,
    sample_noise,
    structure,
)
from calibkit.fitted.population import (
    AIM_DEG,
    Halves,
    Population,
    halves,
    people,
    stack,
)
from calibkit.fitted.prior import FEWEST, as_kept
from calibkit.fitted.prior import SharedMapping as SharedMapping
from calibkit.fitted.unexplained import matching, unexplained
from calibkit.kept.recording import Recording, only_recordings

Array = NDArray[np.float64]

# Fewer rounds leave bends and covariates too wide, and noise too small: what looks tell
# little of settles last. Many people take their time, and fewer do for them.
ROUNDS, ROUNDS_LEAST, ROUNDS_PEOPLE = 60, 30, 6000
TRIAL_ROUNDS = 7
FOLDS = 5
COVARIATE_GAIN = 0.005  # by how much a covariate must shrink errors
DEGREE_LOSS = 0.02  # by how much a higher degree may enlarge them
# By how many standard errors looks must be more likely for anatomy to hold here.
ANATOMY_SURE = 2.0
TELL_THEMSELVES = 100  # people from whom what goes together is seen without it
TRIAL_SITTINGS = 40  # choosing functions needs no more
# The least share of what is left over at check targets that is not the person's aim.
DRIFT_LEAST = 0.3
# What new people's eyes are off by, squared, exceeds what learning leaves over as if
# it had taken up so many persons' (simulated, 20 people); by fewer it cannot be told.
ABSORBED_PEOPLE, FEWEST_NOISE = 10.0, 8
UNCHECKED_DEG = 0.18  # least drift where there are no checks


def learn_shared(
    recordings: Iterable[Recording],
    eyes: str = "both",
    extra: Sequence[str] = (),
    min_confidence: float | None = None,
) -> SharedMapping:
    """Learn what people have in common, from the recordings of several.

    Parameters
    ----------
    recordings : iterable of Recording
        Of at least three persons, with calibration targets; validation targets, where
        there are any, teach how much changes between calibration and use. Recordings
        of the same person (by name) are put together. Covariates that not all of them
        have are left out, and a note names them.
    eyes : {"both", "left", "right"}
    extra : sequence of str
        Labels of further channels that may be used.
    min_confidence : float, optional
        Samples with less count as missing; by default as each protocol says.

    Returns
    -------
    SharedMapping

    Raises
    ------
    InputError
        With fewer than three persons, or recordings of different kinds of tracker.
    """
    recordings = only_recordings(recordings)
    crowd = crowd_of(recordings, eyes, tuple(extra), min_confidence)
    basis, known = _choose_functions(crowd)
    sittings = len(crowd.points)
    rounds = int(np.clip(ROUNDS_PEOPLE // sittings, ROUNDS_LEAST, ROUNDS))
    learned = _learn(crowd, basis, np.arange(sittings), rounds, known)
    count = crowd.people
    noise = _for_others(_finish_noise(crowd, basis, learned), sittings)
    setups = np.unique(
        [
            [*r.setup.screen_px, *r.setup.screen_mm, r.setup.distance_mm]
            for r in recordings
        ],
        axis=0,
    )
    simulated = all(r.name.startswith("simulated ") for r in recordings)
    # Of so many people one degree of freedom went into their mean, which is unsure too.
    cov = learned.weights.cov * (count / (count - 1.0)) + learned.mean_cov
    weights = Gaussian(mean=learned.weights.mean, cov=cov)
    if crowd.frames:
        weights = _of_setups(crowd, basis, weights)
    basis, weights, noise = as_kept(basis, weights, noise)
    return SharedMapping(
        signature=crowd.layout.signature,
        eyes=crowd.layout.names,
        basis=basis,
        weights=weights,
        noise=noise,
        people=count,
        setups=setups,
        origin="people",
        notes=_notes(count, simulated, crowd.lacking),
    )


def _of_setups(crowd: Crowd, basis: Basis, weights: Gaussian) -> Gaussian:
    """Add what set-ups differ in to what people do."""
    zero = np.array(crowd.about_zero)[:, None]
    ways = directions(basis, weights.mean, np.where(zero, 0.0, basis.centre))
    return widened(weights, ways[:3], over_setups(crowd.frames))


def _notes(count: int, simulated: bool, lacking: Sequence[str]) -> tuple[str, ...]:
    notes = []
    if count < 20:
        notes.append(
            f"learned from {count} people: wide, and for use where it was made only"
        )
    if simulated:
        notes.append("learned from simulated people")
    if lacking:
        notes.append(
            f"learned without {', '.join(lacking)}: not every recording has it"
        )
    return tuple(notes)


def _basis(crowd: Crowd, degree: int, groups: tuple[str, ...]) -> Basis:
    plan = crowd.layout
    eyes = len(plan.eyes)
    names = tuple(
        name
        for name, g in zip(plan.covariates, plan.groups, strict=True)
        if g in groups
    )
    centre, scale = np.zeros((eyes, 2)), np.full((eyes, 2), DEGREES_SCALE)
    if not plan.in_degrees:
        for e in range(eyes):
            seen = [found.mean[found.seen[:, e], e] for found in crowd.points]
            rows = np.concatenate(seen)
            if len(rows):
                centre[e], scale[e] = middle_and_scale(rows)
    extra_centre, extra_scale = covariate_scaling(
        np.concatenate([found.extra for found in crowd.points])
    )
    columns = [plan.covariates.index(name) for name in names]
    return Basis(
        degree=degree,
        covariates=names,
        centre=centre,
        scale=scale,
        extra_centre=extra_centre[:, columns],
        extra_scale=extra_scale[:, columns],
    )


def _points(crowd: Crowd, basis: Basis, found: Points) -> Points:
    columns = [crowd.layout.covariates.index(name) for name in basis.covariates]
    return replace(found, extra=found.extra[..., columns], extra_spread=None)


def _learn(
    crowd: Crowd,
    basis: Basis,
    which: NDArray[np.int_],
    rounds: int,
    known: Array | None = None,
) -> Population:
    eyes = len(crowd.layout.eyes)
    prepared = stack(basis, [_points(crowd, basis, crowd.points[k]) for k in which])
    noise = Noise(
        fixation=np.full(2, FIXATION_DEG),
        eye=np.full((eyes, 2), EYE_DEG),
        spread=0.4,
        sample=np.eye(2 * eyes) * SAMPLE_DEG**2,
        drift=np.full(2, DRIFT_DEG),
    )
    plan = crowd.layout
    start = prior_weights(basis, plan.in_degrees, slopes=pose_slopes(basis, plan))
    share = crowd.share[which]
    people = len(np.unique(crowd.person[which]))
    return population.learn(prepared, basis, start, noise, rounds, share, people, known)


def _choose_functions(crowd: Crowd) -> tuple[Basis, Array | None]:
    """Degree first, then covariates that pay, by what they predict of others.

    At last whether what anatomy says of how people differ holds here, by the same.
    A pose that features mean little without is always read: it hardly changes while
    people look at a few targets, and does while they use what was learned.
    Judged by the error of left-out halves of left-out people, not by its density: few
    people make every prior sure of itself, and more so the richer it is.
    """
    which = crowd.by_turns(TRIAL_SITTINGS)
    most = supported_degree([crowd.points[k].gaze for k in which])
    # Five points cannot hold a quadratic apart, but a small one does no harm.
    degree, groups = 2, _pose_groups(crowd.layout)
    best = _trial(crowd, _basis(crowd, degree, groups), which)
    if most > degree:
        trial = _trial(crowd, _basis(crowd, most, groups), which)
        # A needless degree costs little, a missing one costs at every point.
        if _gain(best, trial) > -DEGREE_LOSS:
            degree, best = most, trial
    for group in dict.fromkeys(crowd.layout.groups):
        if group in groups:
            continue
        trial = _trial(crowd, _basis(crowd, degree, (*groups, group)), which)
        if _gain(best, trial, unsure=1.0) > COVARIATE_GAIN:
            groups, best = (*groups, group), trial
    basis = _basis(crowd, degree, groups)
    few = crowd.people < TELL_THEMSELVES
    known = anatomy(crowd.layout, basis) if few else None
    if known is None or not _holds(best, _trial(crowd, basis, which, known)):
        return basis, None
    return basis, known


def _pose_groups(plan: Layout) -> tuple[str, ...]:
    pose = pose_names(plan)
    pairs = zip(plan.covariates, plan.groups, strict=True)
    return tuple(dict.fromkeys(group for name, group in pairs if name in pose))


def _gain(before: Halves, after: Halves, unsure: float = 0.0) -> float:
    """By how much errors shrink: mean logarithm, lapses and zeros bounded.

    Less so many standard errors over people: with few, chance makes anything pay.
    """
    middle = float(np.nanmedian(before.error)) + 1e-9
    part = np.log(before.error**2 + middle**2) - np.log(after.error**2 + middle**2)
    each = 0.5 * np.nanmean(part, axis=1)
    error = float(np.nanstd(each)) / np.sqrt(max(len(each) - 1, 1))
    return 0.5 * float(np.nanmean(part)) - unsure * error


def _holds(before: Halves, after: Halves) -> bool:
    """Whether looks are surely more likely, over people, and no farther off."""
    each = np.nansum(after.density - before.density, axis=1)
    unsure = float(np.std(each)) * np.sqrt(len(each))
    likelier = float(each.sum()) > ANATOMY_SURE * unsure
    return likelier and _gain(before, after) > 0.0


def _trial(
    crowd: Crowd,
    basis: Basis,
    which: NDArray[np.int_],
    known: Array | None = None,
) -> Halves:
    """Each person's looks under what the others teach."""
    prepared = stack(basis, [_points(crowd, basis, crowd.points[k]) for k in which])
    persons = crowd.person[which]
    folds = min(FOLDS, len(np.unique(persons)))
    turn = np.unique(persons, return_inverse=True)[1] % folds
    error, density = np.full((2, *prepared.target.shape[:2]), np.nan)
    for fold in range(folds):
        out = np.flatnonzero(turn == fold)
        rest = np.setdiff1d(np.arange(len(which)), out)
        learned = _learn(crowd, basis, which[rest], TRIAL_ROUNDS, known)
        found = halves(learned, people(prepared, out))
        error[out], density[out] = found.error, found.density
    return Halves(error=error, density=density)


def _finish_noise(crowd: Crowd, basis: Basis, learned: Population) -> Noise:
    """Typical sample noise, how much persons differ, and the drift."""
    prepared = stack(basis, [_points(crowd, basis, p) for p in crowd.points])
    noise = learned.noise
    count = len(crowd.points)
    weights = np.broadcast_to(learned.weights.mean, (count, basis.size))
    made = blocks(prepared, noise, carried(prepared, weights))
    solution = bayes.solve(learned.weights, made, learned.trust)
    distance2 = solution.distance2() * learned.trust
    number = np.sum(made.counts * learned.trust, axis=1)
    own = np.sum(distance2, axis=1) / np.maximum(number, 1.0)
    # The logarithm of a mean of n squares has the variance 2/n by chance alone.
    spread2 = np.var(np.log(np.clip(own, 1e-3, 1e3))) - np.mean(2.0 / number)
    samples = []
    slope = basis.derivatives(basis.centre[:, None, :])[:, 0]
    for k, found in enumerate(crowd.points):
        gain = gains(slope[None], solution.posterior.mean[k])[0]
        samples.append(sample_noise(found.spread, gain))
    noise = replace(
        noise,
        spread=float(np.clip(0.5 * np.sqrt(max(spread2, 0.0)), 0.15, 0.7)),
        sample=_typical(np.array(samples)),
    )
    drift = _drift(crowd, basis, solution.posterior, noise)
    if drift is None:
        drift = np.maximum(UNCHECKED_DEG, unexplained(solution, made))
    return replace(noise, drift=drift)


def _for_others(noise: Noise, count: int) -> Noise:
    """Noise of people who were not among those learned from.

    Functions that are free to differ between a few people take up some of it; of the
    aim, which they could take up too, it is known beforehand how large it is.
    """
    factor = np.sqrt(1.0 + ABSORBED_PEOPLE / max(count, FEWEST_NOISE))
    return replace(noise, eye=noise.eye * factor)


def _typical(samples: Array) -> Array:
    """Median variances, with the mean correlation between the eyes."""
    sd = np.sqrt(np.diagonal(samples, axis1=1, axis2=2)) + 1e-9
    correlation = np.mean(samples / (sd[:, :, None] * sd[:, None, :]), axis=0)
    middle = np.median(sd, axis=0)
    typical: Array = correlation * middle[:, None] * middle[None, :]
    return typical


def _drift(
    crowd: Crowd, basis: Basis, posterior: Gaussian, noise: Noise
) -> Array | None:
    """Sd of what changes after calibration, from check targets; None without any."""
    errors, expected = [], []
    # Of the shared error, what is beyond a person's aim is in every stated sd already.
    beyond = np.sqrt(np.clip(noise.fixation**2 - PERSON_DEG**2, 0.0, None))
    exact = replace(noise, fixation=beyond)
    for k, check in enumerate(crowd.checks):
        if not len(check):
            continue
        prepared = stack(basis, [_points(crowd, basis, check)])
        design, present = prepared.design[0], prepared.present[0]
        both = present.all(axis=1)
        if not both.any():
            continue
        eyes = len(basis.centre)
        mean = np.tile(np.eye(2) / eyes, eyes)
        left = (prepared.target[0] - design @ posterior.mean[k])[both] @ mean.T
        unsure = design @ posterior.cov[k] @ np.swapaxes(design, -1, -2)
        unsure = unsure + structure(exact) + carried(prepared, posterior.mean[[k]])[0]
        variance = mean @ unsure[both] @ mean.T
        errors.append(left)
        expected.append(np.diagonal(variance, axis1=-2, axis2=-1))
    if len(errors) < FEWEST:
        return None
    error2 = np.concatenate(errors) ** 2
    known = np.concatenate(expected)
    both2 = np.array([matching(error2[:, a], known[:, a]) for a in range(2)]) ** 2
    # Checks hold the aim's error too, which is no error of the estimate: they tell the
    # two apart no more than a calibration does.
    drift: Array = np.sqrt(np.maximum(both2 - AIM_DEG**2, DRIFT_LEAST * both2))
    return drift
