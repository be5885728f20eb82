"""Simulated persons for the comparison of mappings, and how a mapping is scored.

Desks and persons have seeds that nothing else in the project uses. An error is the
angle between the mean estimate and the mean *true* gaze over the last 0.55 s of a
held-out target, never between estimate and target.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit import Recording, simulation
from calibkit.fitted import features
from calibkit.fitted.basis import powers
from calibkit.fitted.mapping import Gaze
from calibkit.fitted.material import gather
from calibkit.fitted.rivals import Predict, Rival
from calibkit.geometry import angle_between, px_to_angles

Array = NDArray[np.float64]

DESK_SEED, PRIOR_SEED, TEST_SEED = 41_000, 310_000, 620_000
THIRDS = (0.05, 0.5, 0.95)
INNER = (0.275, 0.725)
# Nine, then four inner ones, then three more inside: fractions of the screen.
PLACES = np.array(
    [(x, y) for x in THIRDS for y in THIRDS]
    + [(x, y) for y in INNER for x in INNER]
    + [(0.5, 0.275), (0.275, 0.5), (0.725, 0.5)]
)
LAYOUTS: dict[int, list[int]] = {
    0: [],
    1: [4],
    2: [0, 8],
    3: [0, 2, 7],
    5: [0, 2, 4, 6, 8],
    9: list(range(9)),
    13: list(range(13)),
    16: list(range(16)),
}
CROSS = [1, 3, 4, 5, 7]  # the best layout for five points and a quadratic
CHECKS = 12
WINDOW_S = 0.55
MIX = ("steady",) * 15 + ("glasses",) * 3 + ("head-mover",) * 2
CHI2_90 = 4.605  # 0.9 quantile of chi-squared, two degrees of freedom


class Applies(Protocol):
    """What can be scored."""

    def apply(self, samples: NDArray[np.floating]) -> Gaze: ...


@dataclass(frozen=True, kw_only=True)
class Row:
    """Errors of one mapping of one person, degrees; whether the 90 % regions held."""

    study: str
    tracker: str
    method: str
    points: int
    person: str
    lapse: float
    kind: str
    error: Array
    inside: Array
    value: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class Sitting:
    """A recording with its truth: `label` says which check each of `samples` is of.

    `truth` (k, 3) is time in seconds and where the person really looked, px.
    """

    rec: Recording
    samples: NDArray[np.floating]
    label: NDArray[np.int_]
    true_px: Array
    truth: Array

    @property
    def first_check(self) -> int:
        """Row of the first held-out target."""
        return int(np.count_nonzero(self.rec.targets["role"] == "calibration"))

    def rows(self, calibration: Sequence[int]) -> Recording:
        """The recording with only some calibration targets (and no checks)."""
        return self.rec.with_targets(list(calibration))


def mixture(count: int, seed: int) -> list[str]:
    """Kinds of people: 75 % steady, 15 % with glasses, 10 % who move their heads."""
    rng = np.random.default_rng([0x317, seed])
    deck = [kind for _ in range(-(-count // len(MIX))) for kind in rng.permutation(MIX)]
    return deck[:count]


def desk_of(tracker: str, geometry: int) -> simulation.Desk:
    """Desk of one of the comparison's geometries."""
    return simulation.desk(DESK_SEED + geometry, tracker)


def prior_recordings(
    tracker: str, geometry: int, kinds: Sequence[str]
) -> list[Recording]:
    """Twenty (or so) others who saw nine of thirteen points; 2 % lapses."""
    desk, rng = desk_of(tracker, geometry), np.random.default_rng([0x9A1, geometry])
    recs = []
    for k, kind in enumerate(kinds):
        seed = PRIOR_SEED + 1000 * geometry + k
        who = simulation.person(tracker=tracker, kind=kind, seed=seed, desk=desk)
        where = PLACES[rng.permutation(13)[:9]] * desk.setup.screen_px
        recs.append(simulation.record(who, where, seed=seed, lapse_share=0.02)[0])
    return recs


def test_person(
    tracker: str, geometry: int, number: int, kind: str
) -> simulation.Person:
    """One of the persons to be tested."""
    return simulation.person(
        tracker=tracker,
        kind=kind,
        seed=TEST_SEED + 1000 * geometry + number,
        desk=desk_of(tracker, geometry),
    )


def sit(
    person: simulation.Person,
    *,
    day: int,
    lapse: float | None,
    places: ArrayLike = PLACES,
    path: Array | None = None,
) -> Sitting:
    """Show the calibration places, then held-out ones; keep what is needed to score."""
    rng = np.random.default_rng([0x7E57, person.seed, day])
    calibration = np.asarray(places, float).reshape(-1, 2)
    checks = rng.uniform(0.06, 0.94, (CHECKS, 2))
    rec, times, truth = simulation.record(
        person,
        np.concatenate([calibration, checks]) * person.setup.screen_px,
        seed=day,
        roles=["calibration"] * len(calibration) + ["validation"] * CHECKS,
        path=path,
        lapse_share=lapse,
    )
    return _with_truth(rec, times, truth)


def _with_truth(rec: Recording, times: Array, truth: Array) -> Sitting:
    """Checks at which true gaze rested near the target; a lapse there is no check."""
    samples, labels = [], []
    places: list[Array] = []
    for row in rec.targets[rec.targets["role"] == "validation"]:
        start, end = row["offset"] - WINDOW_S, row["offset"]
        true = truth[(times > start) & (times <= end)]
        angles = px_to_angles(rec.setup, true)
        target = px_to_angles(rec.setup, [row["x"], row["y"]])
        if not len(true) or np.hypot(*(angles - target).T).max() > 6.0:
            continue
        inside = (rec.time > start) & (rec.time <= end)
        samples.append(rec.samples[inside])
        labels.append(np.full(int(inside.sum()), len(places)))
        places.append(true.mean(axis=0))
    width = rec.samples.shape[1]
    return Sitting(
        rec=rec,
        samples=np.concatenate([*samples, np.empty((0, width))]),
        label=np.concatenate([*labels, np.empty(0)]).astype(int),
        true_px=np.array(places).reshape(-1, 2),
        truth=np.column_stack([times, truth]),
    )


def means(values: Array, label: NDArray[np.int_], count: int) -> Array:
    """Mean per label of the finite rows; NaN with fewer than three."""
    there = np.isfinite(values).all(axis=1)
    number = np.bincount(label[there], minlength=count)
    total = [np.bincount(label[there], v[there], minlength=count) for v in values.T]
    enough = np.where(number >= 3, number, np.nan)
    mean: Array = np.stack(total, axis=1) / enough[:, None]
    return mean


def score(mapping: Applies, sitting: Sitting) -> tuple[Array, Array]:
    """Errors in degrees; whether truth lay in the stated 90 % region (1, 0, NaN)."""
    count = len(sitting.true_px)
    gaze = mapping.apply(sitting.samples)
    there = np.isfinite(gaze.xy).all(axis=1, keepdims=True)
    found = means(gaze.xy, sitting.label, count)
    sd = means(np.where(there, gaze.sd, np.nan), sitting.label, count)
    seen = np.isfinite(found).all(axis=1)
    error = np.full(count, np.nan)
    error[seen] = angle_between(sitting.rec.setup, found[seen], sitting.true_px[seen])
    distance2 = np.sum(((found - sitting.true_px) / sd) ** 2, axis=1)
    inside = np.where(np.isfinite(distance2), distance2 < CHI2_90, np.nan)
    return error, inside


def cross_quadratic(rec: Recording) -> Rival:
    """Least squares on 1, x, y, x², y² per eye: what five points in a cross hold."""
    plan = features.with_covariates(features.layout(rec.channels), ())
    looks = gather(rec, plan).points
    made: list[Predict | None] = []
    for e in range(len(plan.eyes)):
        x, y = looks.mean[looks.seen[:, e], e], looks.gaze[looks.seen[:, e]]
        made.append(_five_terms(x, y) if len(x) == 5 else None)
    return Rival(
        name="quadratic",
        layout=plan,
        setup=rec.setup,
        predict=tuple(made),
        sd_deg=np.nan,
    )


def _five_terms(x: Array, y: Array) -> Predict:
    middle, scale = x.mean(axis=0), np.maximum(x.std(axis=0), 1e-12)

    def terms(xy: Array) -> Array:
        return powers((xy - middle) / scale, 2)[:, [0, 1, 2, 3, 5]]

    found = np.linalg.lstsq(terms(x), y, rcond=None)[0]
    return lambda xy: terms(xy) @ found


def lissajous(person: simulation.Person, seconds: float) -> Array:
    """A glide over the whole screen: time, x, y (px), sixty rows a second."""
    t = np.arange(0.0, seconds, 1 / 60)
    size = np.array(person.setup.screen_px, float)
    x = 0.5 + 0.45 * np.sin(2 * np.pi * t * 3 / 20)
    y = 0.5 + 0.45 * np.sin(2 * np.pi * t * 4 / 20 + np.pi / 4)
    return np.column_stack([t, np.stack([x, y], axis=1) * size])


def shortened(rec: Recording, seconds: float) -> Recording:
    """Only the first seconds of a glide."""
    assert rec.target_path is not None
    path = rec.target_path
    path = path[path[:, 0] <= path[0, 0] + seconds]
    moving = np.flatnonzero(~np.isfinite(rec.targets["x"]))
    targets = rec.targets[moving].copy()
    targets["offset"] = path[-1, 0]
    kept = rec.time <= path[-1, 0]
    return replace(
        rec,
        time=rec.time[kept],
        samples=rec.samples[kept],
        targets=targets,
        target_path=path,
        time_raw=None,
    )
