"""Make what is known of anatomy anew: python -m calibkit.fitted.anatomy_make [FOLDER].

Simulated people at several desks look at a lattice, without noise and without moving;
their mappings are fitted by least squares. What is kept is how these differ within a
desk, and the same in a mirror.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibkit import simulation
from calibkit.fitted import features
from calibkit.fitted.anatomy import DEGREE
from calibkit.fitted.basis import Basis
from calibkit.fitted.broad import DEGREES_SCALE, covariate_scaling, middle_and_scale
from calibkit.fitted.prior import digits, upper
from calibkit.fitted.starter import FOLDER
from calibkit.fitted.starter_make import FIRST_DESK
from calibkit.fitted.structured import mirrored
from calibkit.geometry import px_to_angles
from calibkit.kept.plain import numbers

Array = NDArray[np.float64]

DESKS, PEOPLE_PER_DESK = 8, 40
KINDS = ("steady", "glasses", "steady", "head-mover", "steady")
AXIS = np.linspace(0.03, 0.97, 6)
LATTICE = np.array([(x, y) for x in AXIS for y in AXIS])
SECONDS, STEADY_S = 0.7, 0.2  # each target; the end of it that is used
LEAST = 24  # targets at which both eyes must have been seen
# Deviations, in normal sds of the median one, from which a mapping is no measurement.
WILD = 8.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Exact:
    """Features (e, m, 2), covariates (e, m, c) and true gaze (m, 2) without noise."""

    xy: Array
    extra: Array
    gaze: Array


def exact(person: simulation.Person, seed: int) -> Exact:
    """Return what a person's features are at each target of the lattice."""
    webcam = person.tracker == "webcam"  # poses matter, and must vary to be told
    traits = replace(
        person.traits,
        off_target_deg=0.0,
        wobble=0.0,
        blink_per_min=1e-6,
        loss_per_s=1e-6,
        roam_share=0.0,
        pupil=0.0,
        head=person.traits.head if webcam else 0.0,
    )
    habits = replace(person.habits, off_target_deg=0.0)
    still = replace(
        person, traits=traits, habits=habits, noise=0.0, lapse_share=0.0, rate_hz=20.0
    )
    where = LATTICE * person.setup.screen_px
    rec, times, truth = simulation.record(
        still, where, seed=seed, seconds_per_point=SECONDS
    )
    signals = features.read(_layout(person), rec.samples, rec.setup)
    ends = rec.targets["offset"][:, None]
    rows = (ends - STEADY_S < rec.time) & (rec.time <= ends)
    when = (ends - STEADY_S < times) & (times <= ends)
    seen = np.asarray(np.isfinite(signals.xy).all(-1))
    both = (seen[:, None] & rows).any(-1).all(0)
    gaze = np.array([truth[w].mean(axis=0) for w in when[both]]).reshape(-1, 2)
    return Exact(
        xy=_means(signals.xy, rows[both]),
        extra=_means(signals.extra, rows[both]),
        gaze=px_to_angles(rec.setup, gaze),
    )


def _means(values: Array, rows: NDArray[np.bool_]) -> Array:
    """Mean over each target's rows, (e, n, k) to (e, m, k), of what is there."""
    return np.array([[np.nanmean(eye[r], axis=0) for r in rows] for eye in values])


def _layout(person: simulation.Person) -> features.Layout:
    plan = features.layout(person.channels)
    return features.with_covariates(plan, features.pose_names(plan))


def basis_of(seen: Sequence[Exact], plan: features.Layout, degree: int) -> Basis:
    """Functions of features as large as those of people at one desk."""
    eyes = len(plan.eyes)
    centre, scale = np.zeros((eyes, 2)), np.full((eyes, 2), DEGREES_SCALE)
    if not plan.in_degrees:
        for e in range(eyes):
            rows = np.concatenate([one.xy[e] for one in seen])
            centre[e], scale[e] = middle_and_scale(rows)
    extra = np.concatenate([one.extra for one in seen], axis=1).swapaxes(0, 1)
    extra_centre, extra_scale = covariate_scaling(extra)
    return Basis(
        degree=degree,
        covariates=plan.covariates,
        centre=centre,
        scale=scale,
        extra_centre=extra_centre,
        extra_scale=extra_scale,
    )


def weights(seen: Sequence[Exact], plan: features.Layout) -> Array:
    """Weights (k, 2 eyes x 2 axes x terms) of people's mappings at one desk."""
    basis = basis_of(seen, plan, DEGREE)
    polynomial = basis.terms - len(plan.covariates)
    made = []
    for one in seen:
        each = [
            np.linalg.lstsq(terms, one.gaze, rcond=None)[0].T[:, :polynomial]
            for terms in basis.functions(one.xy, one.extra)
        ]
        made.append(np.ravel(each))
    return np.array(made)


def desk_cov(tracker: str, number: int) -> Array:
    """Covariance of people's weights within one desk."""
    place = simulation.desk(FIRST_DESK + number, tracker)
    seen = []
    for k in range(PEOPLE_PER_DESK):
        seed = 950_000 + 1000 * number + k
        kind = KINDS[k % len(KINDS)]
        who = simulation.person(tracker=tracker, kind=kind, seed=seed, desk=place)
        one = exact(who, seed)
        if len(one.gaze) >= LEAST:
            seen.append(one)
    found = weights(seen, _layout(who))
    away = np.abs(found - np.median(found, axis=0))
    sane = (away <= WILD * 1.4826 * np.median(away, axis=0)).all(axis=1)
    cov: Array = np.cov(found[sane].T)
    return cov


def anatomy(tracker: str) -> Array:
    """Mean covariance within a desk, of people and of the same in a mirror."""
    cov: Array = np.mean([desk_cov(tracker, k) for k in range(DESKS)], axis=0)
    none = np.zeros((2, 0))
    basis = Basis(
        degree=DEGREE,
        covariates=(),
        centre=np.zeros((2, 2)),
        scale=np.ones((2, 2)),
        extra_centre=none,
        extra_scale=none,
    )
    return 0.5 * (cov + mirrored(cov, basis))


def main() -> None:
    """Write all of them."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for tracker in simulation.TRACKERS:
        plain = {"degree": DEGREE, "cov": numbers(digits(upper(anatomy(tracker)), 3))}
        path = folder / f"{tracker}.anatomy.json"
        path.write_text(json.dumps(plain) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
