"""The prior where nothing was learned: wide, and honest about being so.

Features that are gaze angles already start from the tracker's own answer, a few degrees
of offset and some ten per cent of gain away from the truth. Raw features start from
nothing; they are scaled by what was seen. How far the mapping bends is left to the
evidence, in a few steps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.fitted.basis import Basis, exponents
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.features import Layout, pose_names
from calibkit.fitted.observations import Noise, Points
from calibkit.fitted.pose_units import POSE, pose_steps
from calibkit.fitted.prior import SharedMapping
from calibkit.fitted.starts import trimmed_start
from calibkit.geometry import Setup, px_to_angles

Array = NDArray[np.float64]

DEGREES_SCALE = 20.0  # field angles are divided by this, whatever the screen
# Prior sd by group, degrees root mean square over the screen (common practice: remote
# trackers are off by up to some degrees before a person is calibrated).
IN_DEGREES_SD = {0: 2.5, 1: 1.2, 2: 0.5, 3: 0.2, 4: 0.5}
RAW_SD = {0: 25.0, 1: 25.0, 2: 0.6, 3: 0.2, 4: 1.0}
# Correlation of the same weight in both eyes, by group: a camera and a model of the eye
# have gains that are off, and bend, much the same for both; but each eye looks past its
# own optical axis, to its own side.
EYES_ALIKE = {0: 0.0, 1: 0.8, 2: 0.8, 3: 0.8, 4: 0.0}
EYES_ALIKE_RAW = {0: 0.0, 1: 0.0, 2: 0.5, 3: 0.5, 4: 0.9}
SPREAD_QUANTILE = 0.85  # of distances from the middle: most rows lie in [-1, 1] then
TARGETS_REACH = 0.85  # so far from the screen's middle to its edge targets mostly go
STRAIGHT_ROUNDS = 5
# Eyes that are farther off are counted in millimetres or so, where no unit is named.
LEAST_AWAY = 10.0
# Factors on the sd of a pose's slopes in degrees: where geometry tells it, and not.
POSE_KNOWN, POSE_UNKNOWN = 1.0, 2.0
# Factor on the sd of what would tell left from right. Faces and set-ups are about the
# same on both sides: seen in a mirror, what changes sign stays small. The roll of raw
# features is not known, so that there only bends have it.
UNEVEN = 0.4
# Factors on the sd of all groups and, further, of the nonlinear ones, with the log odds
# of each before anything is seen; the evidence chooses. The first is the start. By the
# last two a tracker that is right already keeps its own answer.
CHOICES = ((1.0, 1.0, 0.0), (1.0, 0.3, 0.0), (1.0, 3.0, -0.5))
CHOICES_IN_DEGREES = (*CHOICES, (0.3, 1.0, -0.5), (0.1, 1.0, -1.0))
FIXATION_DEG = 0.35
EYE_DEG = 0.35
# Eye error by the sd of one sample, where that says more. In simulated streams it is
# 0.7 times that; on 156 open blocks of webcam estimates what differs from target to
# target is 2.1 times the scatter at each. This lies between.
EYE_BY_SAMPLE = 1.5
NOISE_SPREAD = 0.7
SAMPLE_DEG = 0.3
DRIFT_DEG = 0.22
# Of bare pupils or irises whose head no channel tells; published for webcams, where one
# did: 0.8 to 1.0. Without, people of two simulators needed 0.7 to 1.5.
DRIFT_HEAD_UNSEEN_DEG = 1.0
# Targets that span less, sd in degrees, do not tell the mapping of raw features: none
# of it, or what lies across the line that they are on (measured on invented people).
LEAST_SPAN_DEG, LEAST_ACROSS_DEG = 1.5, 0.8
# Raw features without any prior: fewer looks than an affine map has unknowns per axis.
FEWEST_RAW = 3
DRIFT_SHARE = 1.0  # drift by eye error where it was not learned (measured, simulated)


def basis_for(
    plan: Layout, found: Points, setup: Setup, covariates: tuple[str, ...] = ()
) -> Basis:
    """Third degree; scaled so that the screen fills the square of its functions.

    Parameters
    ----------
    plan : Layout
    found : Points
        What was seen; it tells where raw features of the screen lie.
    setup : Setup
    covariates : tuple of str
        Of the layout, those to use.
    """
    eyes = len(plan.eyes)
    centre = np.zeros((eyes, 2))
    scale = np.full((eyes, 2), DEGREES_SCALE)
    for e, source in enumerate(plan.eyes):
        rows = found.mean[found.seen[:, e], e]
        if source.kind not in ("screen", "direction") and len(rows):
            centre[e], scale[e] = over_screen(rows, found.gaze[found.seen[:, e]], setup)
    extra_centre, extra_scale = covariate_scaling(found.extra)
    measures = np.array([_measure(plan, name) for name in covariates])
    for e in range(eyes):
        steps = pose_steps(found.extra[:, e, : len(covariates)], covariates, measures)
        told = np.isfinite(steps)
        extra_scale[e, : len(covariates)][told] = steps[told]
    return Basis(
        degree=3,
        covariates=covariates,
        centre=centre,
        scale=scale,
        extra_centre=extra_centre[:, : len(covariates)],
        extra_scale=extra_scale[:, : len(covariates)],
    )


def over_screen(rows: Array, gaze: Array, setup: Setup) -> tuple[Array, Array]:
    """Middle and scale of features over the whole screen, as these looks tell it.

    Few looks seldom lie evenly about its middle, and bends are small about the middle
    of the screen, not about that of the looks. Features go straight with gaze here;
    looks that do not fit count little.

    Parameters
    ----------
    rows : array (T, 2)
        Features, at least one.
    gaze : array (T, 2), degrees
        Where the targets were.
    setup : Setup
    """
    middle, seen = middle_and_scale(rows)
    if len(rows) < FEWEST_RAW or spans_deg(gaze)[0][0] < LEAST_ACROSS_DEG:
        return middle, seen
    corners = px_to_angles(setup, np.array([[0, 0], setup.screen_px]))
    half = 0.5 * (corners[1] - corners[0])
    places = np.column_stack([np.ones(len(rows)), (gaze - corners.mean(axis=0)) / half])
    trust = trimmed_start(rows, gaze)
    trust = np.ones(len(rows)) if trust is None else trust
    for _ in range(STRAIGHT_ROUNDS):
        pull = (places * trust[:, None] ** 2).T
        line = np.linalg.solve(pull @ places, pull @ rows)
        left = np.linalg.norm((rows - places @ line) / seen, axis=1)
        trust = 1.0 / np.sqrt(1.0 + (left / (2.0 * np.median(left) + 1e-3)) ** 2)
    reach = np.quantile(np.abs(rows - line[0]), SPREAD_QUANTILE, axis=0)
    scale = np.maximum(TARGETS_REACH * np.sqrt(np.sum(line[1:] ** 2, axis=0)), reach)
    return line[0], np.maximum(scale, 0.2 * scale.max())


def middle_and_scale(rows: Array) -> tuple[Array, Array]:
    """Median, and the scale that brings most rows into [-1, 1] (square pixels)."""
    middle = np.median(rows, axis=0)
    away = np.abs(rows - middle)
    scale = np.quantile(away, SPREAD_QUANTILE, axis=0)
    least = max(float(scale.max()) * 0.2, 1e-9 * (1.0 + float(np.abs(middle).max())))
    return middle, np.maximum(scale, least)


def covariate_scaling(extra: Array) -> tuple[Array, Array]:
    """Centre and scale of covariates (T, e, c); one that is constant gets no weight."""
    eyes, count = extra.shape[1:]
    centre, scale = np.zeros((eyes, count)), np.full((eyes, count), np.inf)
    for e in range(eyes):
        for k in range(count):
            column = extra[:, e, k]
            column = column[np.isfinite(column)]
            if len(column):
                centre[e, k] = np.median(column)
                spread = float(np.std(column))
                if spread > 1e-9 * (1.0 + abs(centre[e, k])):
                    scale[e, k] = spread
    return centre, scale


def prior_weights(
    basis: Basis,
    in_degrees: bool,
    scale: float = 1.0,
    bend: float = 1.0,
    turn: tuple[float, float] = (1.0, 1.0),
    slopes: Array | None = None,
) -> Gaussian:
    """Mean and covariance of the weights.

    Factors on the sd of all groups and of nonlinear ones; `turn` has -1 for an axis
    that the tracker counts the other way; `slopes` as `pose_slopes` gives them.
    """
    table = IN_DEGREES_SD if in_degrees else RAW_SD
    sd = np.array([table[int(g)] for g in basis.group])
    sd = scale * np.where((basis.group == 2) | (basis.group == 3), sd * bend, sd)
    eyes = len(basis.centre)
    mean = np.zeros((eyes, 2, basis.terms))
    if in_degrees:
        terms = exponents(basis.degree)
        for axis, power in enumerate(((1, 0), (0, 1))):
            gain = turn[axis] * DEGREES_SCALE / np.sqrt(3.0)
            mean[:, axis, terms.index(power)] = gain
    known = slopes is not None and bool(slopes.any())
    if slopes is not None:
        mean[..., basis.group == 4] = slopes * np.array(turn)[:, None]
    flat = np.tile((sd * _evenness(basis, in_degrees, known)).ravel(), eyes)
    alike = EYES_ALIKE if in_degrees else EYES_ALIKE_RAW
    share = np.tile([alike[int(g)] for g in basis.group], 2)
    between = np.kron(1.0 - np.eye(eyes), np.diag(share)) + np.eye(basis.size)
    cov = between * np.outer(flat, flat)
    return Gaussian(mean=mean.ravel(), cov=cov)


def pose_slopes(basis: Basis, plan: Layout) -> Array:
    """Degrees (e, 2, c) by which gaze goes along with a scaled pose, by geometry.

    A line of sight that keeps its direction goes where its eye goes: of an eye Z away,
    X / Z radians to the right, whatever both are counted in. 0 where that is not known.
    """
    names = list(basis.covariates)
    slopes = np.zeros((len(plan.eyes), 2, len(names)))
    if "PositionZ" not in names:
        return slopes
    depth = names.index("PositionZ")
    for e, source in enumerate(plan.eyes):
        away = abs(float(basis.extra_centre[e, depth]))
        metric = away > 0 if _measure(plan, "PositionZ") else away > LEAST_AWAY
        for axis, name in enumerate(("PositionX", "PositionY")):
            if source.kind == "direction" and name in names and metric:
                scale = basis.extra_scale[e, names.index(name)]
                known = np.degrees(scale / away) if np.isfinite(scale) else 0.0
                slopes[e, axis, names.index(name)] = known
    return slopes


def _measure(plan: Layout, name: str) -> float:
    """Millimetres or degrees in a covariate's unit, or 0 where none is named."""
    if not plan.measures:
        return 0.0
    return plan.measures[plan.covariates.index(name)]


def _evenness(basis: Basis, in_degrees: bool, known: bool) -> Array:
    """Factors (2, terms) on the sd: of right by terms even in x, ...; of the pose."""
    factors = np.ones((2, basis.terms))
    for axis in range(2):
        for k, (p, q) in enumerate(exponents(basis.degree)):
            if p % 2 == axis and p + q >= (1 if in_degrees else 2):
                factors[axis, k] = UNEVEN
    for k, name in enumerate(basis.covariates, start=len(exponents(basis.degree))):
        if name in POSE:
            share = POSE_KNOWN if known else POSE_UNKNOWN
            factors[:, k] = POSE[name][1:]
            factors[:, k] *= share if in_degrees else 1.0
    return factors


def spans_deg(gaze: Array) -> tuple[Array, Array]:
    """Sd of targets (T, 2) along their two main directions, least first, and these."""
    apart = gaze - gaze.mean(axis=0)
    values, directions = np.linalg.eigh(apart.T @ apart / len(gaze))
    return np.sqrt(np.clip(values, 0.0, None)), directions


def check_raw(found: Points) -> None:
    """Refuse looks that cannot tell how to read raw features of which nothing is known.

    Raises
    ------
    InputError
        With too few of them, too close together, or features that do not change.
    """
    count = len(found)
    if count < FEWEST_RAW:
        raise InputError(
            f"{count} usable target(s) and no shared mapping; raw camera features need "
            f"at least {FEWEST_RAW} targets, or a shared mapping"
        )
    span = float(spans_deg(found.gaze)[0][1])
    if span < LEAST_SPAN_DEG:
        raise InputError(
            f"the usable targets lie too close together ({span:.1f} degrees sd) to map "
            "raw camera features; spread them over the screen, or give a shared mapping"
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


def across_unknown(
    prior: Gaussian, found: Gaussian, basis: Basis, gaze: Array
) -> Gaussian:
    """Take back what targets on a line seem to tell of gaze across the line.

    They are all explained by a mapping that never leaves the line, and so exactly that
    its noise seems small. The constant is known; the rest is as before.

    Parameters
    ----------
    prior, found : Gaussian
        Of the basis' weights, before and after the looks.
    basis : Basis
    gaze : array (T, 2), degrees
        Where the targets were.
    """
    spans, directions = spans_deg(gaze)
    if spans[0] >= LEAST_ACROSS_DEG:
        return found
    across = directions[:, 0]
    rest = np.diag((basis.group > 0).astype(float))
    unknown = np.kron(
        np.eye(len(basis.centre)), np.kron(np.outer(across, across), rest)
    )
    known = np.eye(basis.size) - unknown
    return Gaussian(
        mean=known @ found.mean + unknown @ prior.mean,
        cov=known @ found.cov @ known + unknown @ prior.cov @ unknown,
    )


def broad(
    plan: Layout,
    found: Points,
    setup: Setup,
    covariates: tuple[str, ...] = (),
) -> SharedMapping:
    """Make the broad prior for a layout.

    Parameters
    ----------
    plan : Layout
    found : Points
    setup : Setup
    covariates : tuple of str
    """
    basis, eyes = basis_for(plan, found, setup, covariates), len(plan.eyes)
    return SharedMapping(
        signature=plan.signature,
        eyes=plan.names,
        basis=basis,
        weights=prior_weights(basis, plan.in_degrees, slopes=pose_slopes(basis, plan)),
        noise=Noise(
            fixation=np.full(2, FIXATION_DEG),
            eye=np.full((eyes, 2), EYE_DEG),
            spread=NOISE_SPREAD,
            sample=np.eye(2 * eyes) * SAMPLE_DEG**2,
            drift=np.full(2, _drift_deg(plan)),
        ),
        people=0,
        setups=np.array([[*setup.screen_px, *setup.screen_mm, setup.distance_mm]]),
        origin="broad",
    )


def _drift_deg(plan: Layout) -> float:
    """What gaze is off by later, before anything is learned of it."""
    unseen = plan.bare and not pose_names(plan)
    return DRIFT_HEAD_UNSEEN_DEG if unseen else DRIFT_DEG
