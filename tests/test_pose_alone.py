"""A bare iris without a prior: the head's turn is read, and told where unknown.

Source: plain geometry. An eye that stays on a target while its head turns by an angle
turns back by that angle; features that are seen in the eye's own opening follow it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit import simulation
from calibkit.channels import Channel
from calibkit.fitted.estimate import pose_noise
from calibkit.geometry import Setup, angle_between, px_to_angles
from calibkit.kept.recording import Recording, target_rows

Array = NDArray[np.float64]
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.5), distance_mm=600.0)
RATE_HZ, LOOK_S = 30.0, 1.0
CHI2_90 = 4.605  # 0.9 quantile of chi-squared, two degrees of freedom
THIRDS = (0.05, 0.5, 0.95)
PLACES = [(x, y) for y in THIRDS for x in THIRDS] + [(0.3, 0.3), (0.7, 0.7), (0.3, 0.7)]


def sitting(
    seed: int,
    turns: Array,
    names: tuple[str, str] = ("HeadYaw", "HeadPitch"),
    aim_deg: float = 0.0,
) -> tuple[Recording, Array]:
    """Irises of a head that has these turns (looks, 2) in degrees; targets in px.

    The person looks `aim_deg` beside them, sd per axis.
    """
    rng = np.random.default_rng(seed)
    where = np.array([PLACES[k % len(PLACES)] for k in range(len(turns))])
    where = where * SETUP.screen_px
    each = int(LOOK_S * RATE_HZ)
    head = np.repeat(turns, each, axis=0)
    gaze = px_to_angles(SETUP, where)
    gaze = np.repeat(gaze + aim_deg * rng.normal(size=gaze.shape), each, axis=0)
    columns = []
    for size in (0.012, 0.011):
        eye = (gaze - head) * [size, 0.7 * size]
        columns.append(eye + rng.normal(0, 0.004, eye.shape))
    columns.append(head + rng.normal(0, 0.3, head.shape))
    channels = [
        Channel(label=f"{eye}_{axis}", eye=eye, type=f"Pupil{axis}", unit="")
        for eye in ("left", "right")
        for axis in "XY"
    ] + [Channel(label=n.lower(), eye="both", type=n, unit="degrees") for n in names]
    rows = [
        (LOOK_S * k, LOOK_S * (k + 1), x, y, "calibration", "timer", 1)
        for k, (x, y) in enumerate(where)
    ]
    rec = Recording(
        setup=SETUP,
        time=np.arange(len(gaze)) / RATE_HZ,
        samples=np.concatenate(columns, axis=1),
        channels=tuple(channels),
        targets=target_rows(rows),
    )
    return rec, np.repeat(where, each, axis=0)


def wandering(seed: int, count: int = 21) -> Array:
    """Turns of a head that moves from look to look."""
    return np.random.default_rng([7, seed]).normal(0, [3.0, 2.0], (count, 2))


@pytest.mark.parametrize("seed", range(4))
def test_turns_are_read_where_they_are_sent(seed: int) -> None:
    errors = {}
    for names in (("HeadYaw", "HeadPitch"), ("Spare1", "Spare2")):
        rec, true = sitting(seed, wandering(seed), names)
        checks = slice(9 * int(LOOK_S * RATE_HZ), None)
        gaze = calibkit.fit(rec.with_targets(list(range(9)))).apply(rec.samples)
        errors[names[0]] = np.median(
            angle_between(SETUP, gaze.xy[checks], true[checks])
        )
    assert errors["HeadYaw"] < 0.6 * errors["Spare1"]


@pytest.mark.parametrize("seed", range(4))
def test_a_turn_that_no_calibration_saw_is_no_surprise(seed: int) -> None:
    turns = np.zeros((21, 2))
    turns[9:] = np.random.default_rng([8, seed]).choice([-5.0, 5.0], (12, 2))
    rec, true = sitting(seed, turns)
    gaze = calibkit.fit(rec.with_targets(list(range(9)))).apply(rec.samples)
    checks = slice(9 * int(LOOK_S * RATE_HZ), None)
    apart = (gaze.xy - true)[checks] / gaze.sd[checks]
    assert np.mean(np.sum(apart**2, axis=1) < CHI2_90) > 0.8
    still = slice(0, checks.start)
    assert np.median(gaze.sd[checks]) > 2.0 * np.median(gaze.sd[still])


def test_a_head_that_nothing_tells_makes_gaze_unsure_for_later() -> None:
    """A head wanders (a random walk, invented); 90 % regions hold 80 at least."""
    inside, sure = list[float](), list[float]()
    for seed in range(8):
        steps = np.random.default_rng([10, seed]).normal(0, [0.35, 0.25], (45, 2))
        rec, true = sitting(seed, np.cumsum(steps, axis=0), aim_deg=0.3)
        bare = replace(rec, samples=rec.samples[:, :4], channels=rec.channels[:4])
        checks = slice(9 * int(LOOK_S * RATE_HZ), 30 * int(LOOK_S * RATE_HZ))
        for one in (bare, rec):
            gaze = calibkit.fit(one.with_targets(list(range(9)))).apply(one.samples)
            apart = (gaze.xy - true)[checks] / gaze.sd[checks]
            held = float(np.mean(np.sum(apart**2, axis=1) < CHI2_90))
            (inside if one is bare else sure).append(held)
    assert np.mean(inside) > 0.8
    assert np.mean(sure) > 0.8


@pytest.mark.parametrize("names", [("HeadX", "HeadY"), ("PositionX", "PositionZ")])
@pytest.mark.parametrize("factor", [0.0, 0.02, 1000.0])
def test_a_pose_in_another_unit_does_no_harm(
    names: tuple[str, str], factor: float
) -> None:
    """A pose that never changes, or one in units that nobody named."""
    errors = []
    for kind in (names, ("Spare1", "Spare2")):
        rec, true = sitting(1, 0.1 * wandering(1), kind)
        rec.samples.setflags(write=True)
        rec.samples[:, 4:] *= factor
        gaze = calibkit.fit(rec.with_targets(list(range(9)))).apply(rec.samples)
        errors.append(np.median(angle_between(SETUP, gaze.xy, true)))
        assert np.isfinite(gaze.sd).all()
    assert errors[0] < 1.1 * errors[1] + 0.02


@pytest.mark.parametrize("tracker", ["pupil-reflex", "screen"])
def test_what_makes_up_for_the_head_itself_needs_no_pose(tracker: str) -> None:
    who = simulation.person(tracker=tracker, seed=3)
    where = np.array(PLACES) * who.setup.screen_px
    rec = simulation.record(who, where, seed=3)[0]
    mapping = calibkit.fit(rec.with_targets(list(range(9))))
    assert mapping.layout.covariates == ()


def test_noise_of_a_pose_is_in_what_is_stated() -> None:
    """By the delta method: slopes times the pose's covariance, the same for both eyes.

    Drawn anew instead of worked out: samples of one place, with other poses.
    """
    rng = np.random.default_rng(5)
    rec, _ = sitting(5, wandering(5))
    mapping = calibkit.fit(rec)
    basis, eyes = mapping.basis, len(mapping.basis.centre)
    spread = np.diag([0.3**2, 0.3**2] * eyes)
    spread[0, 2] = spread[2, 0] = spread[1, 3] = spread[3, 1] = 0.3**2
    told = pose_noise(spread, basis, mapping.weights.mean)
    pose = basis.extra_centre[0] + rng.normal(0, 0.3, (20_000, 2))
    xy = np.repeat(basis.centre[:, None], len(pose), axis=1)
    extra = np.repeat(pose[None], eyes, axis=0)
    drawn = [mapping.evaluator.one_eye(xy[e], extra[e], e) for e in range(eyes)]
    found = np.cov(np.concatenate(drawn, axis=1).T)
    same = np.tile(np.eye(2, dtype=bool), (eyes, eyes))
    assert told[same] == pytest.approx(found[same], rel=0.05)


def test_a_pose_as_noisy_as_another_is_noisier_gaze() -> None:
    sds = []
    for noisy in (False, True):
        rec, _ = sitting(6, wandering(6))
        rec.samples.setflags(write=True)
        extra = np.random.default_rng(6).normal(0, 1.0, (len(rec.samples), 2))
        rec.samples[:, 4:] += noisy * extra
        sds.append(np.sqrt(np.diag(calibkit.fit(rec).noise.sample)))
    assert (sds[1] > 1.2 * sds[0]).all()


@pytest.mark.parametrize("seed", range(3))
def test_people_who_sat_still_do_not_teach_that_a_pose_needs_no_reading(
    seed: int,
) -> None:
    """Heads hardly move while nine targets are shown, and then they do."""
    rng = np.random.default_rng([9, seed])
    others = []
    for k in range(8):
        still = rng.normal(0, 0.1, (9, 2))
        rec, _ = sitting(100 * seed + k, still, aim_deg=0.3)
        others.append(replace(rec, person=f"p{k}"))
    shared = calibkit.learn_shared(others)
    turns = rng.normal(0, 0.1, (21, 2))
    turns[9:] = rng.choice([-5.0, 5.0], (12, 2))
    rec, true = sitting(100 * seed + 50, turns, aim_deg=0.3)
    gaze = calibkit.fit(rec.with_targets(list(range(9))), shared).apply(rec.samples)
    checks = slice(9 * int(LOOK_S * RATE_HZ), None)
    apart = (gaze.xy - true)[checks] / gaze.sd[checks]
    assert np.mean(np.sum(apart**2, axis=1) < CHI2_90) > 0.8
    assert np.median(angle_between(SETUP, gaze.xy[checks], true[checks])) < 5.0
