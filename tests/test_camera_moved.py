"""The same screen with another camera than the prior's: seen, and no lapse.

Source: plain geometry. A picture that is turned over counts x the other way; lights
farther apart make what is divided by the distance of their reflexes smaller.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit import SharedMapping, simulation
from calibkit.geometry import angle_between
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
POINTS = np.array([(x, y) for y in (0.08, 0.5, 0.92) for x in (0.08, 0.5, 0.92)])
LAYOUTS = {2: [0, 8], 3: [0, 2, 7], 5: [0, 2, 4, 6, 8], 9: list(range(9))}


def sat(seed: int, lapse: float = 0.0, tracker: str = "pupil-reflex") -> Recording:
    person = simulation.person(tracker=tracker, seed=seed)
    where = POINTS * person.setup.screen_px
    rec = simulation.record(person, where, seed=seed, lapse_share=lapse)[0]
    return replace(rec, person=f"p{seed}")


@cache
def others() -> SharedMapping:
    return calibkit.learn_shared([sat(7200 + k) for k in range(12)])


def mirrored(rec: Recording) -> Recording:
    rows = np.array(rec.samples, float)
    across = [k for k, c in enumerate(rec.channels) if c.type in ("PupilX", "ReflexX")]
    rows[:, across] = 640.0 - rows[:, across]
    return replace(rec, samples=rows)


def lights_apart(rec: Recording) -> Recording:
    """Both reflexes half as far again from their middle."""
    rows = np.array(rec.samples, float)
    for eye in ("left", "right"):
        for kind in ("ReflexX", "ReflexY"):
            pair = [
                k for k, c in enumerate(rec.channels) if (c.eye, c.type) == (eye, kind)
            ]
            middle = rows[:, pair].mean(axis=1, keepdims=True)
            rows[:, pair] = middle + 1.6 * (rows[:, pair] - middle)
    return replace(rec, samples=rows)


def error(rec: Recording, looks: list[int]) -> float:
    """Median degrees between gaze at the end of each target and the target."""
    mapping = calibkit.fit(rec.with_targets(looks), others())
    apart = []
    for row in rec.targets:
        shown = (rec.time > row["offset"] - 0.5) & (rec.time <= row["offset"])
        gaze = mapping.apply(rec.samples[shown]).xy
        place = np.tile([row["x"], row["y"]], (len(gaze), 1))
        apart.append(np.nanmedian(angle_between(rec.setup, gaze, place)))
    return float(np.nanmedian(apart))


@pytest.mark.parametrize("change", [mirrored, lights_apart])
@pytest.mark.parametrize("looks", [3, 5, 9])
def test_another_camera_at_the_same_screen_is_no_inattention(
    change: object, looks: int
) -> None:
    assert callable(change)
    for seed in (7301, 7302, 7303):
        rec = sat(seed)
        usual = error(rec, LAYOUTS[looks])
        assert error(change(rec), LAYOUTS[looks]) < usual + 0.7


def moved_aside(seed: int) -> tuple[Recording, Array]:
    """Camera and lights 12 cm to the right of where the others had them; true gaze."""
    person = simulation.person(tracker="pupil-reflex", seed=seed)
    desk = person.desk

    def aside(place: tuple[float, float, float]) -> tuple[float, float, float]:
        return (place[0] + 120.0, place[1], place[2])

    moved = replace(
        desk,
        camera_mm=aside(desk.camera_mm),
        lights_mm=tuple(aside(light) for light in desk.lights_mm),
    )
    where = POINTS * person.setup.screen_px
    there = replace(person, desk=moved)
    rec, times, gaze = simulation.record(there, where, seed=seed, lapse_share=0.0)
    true = np.stack([np.interp(rec.time, times, part) for part in gaze.T], axis=1)
    return replace(rec, person=f"p{seed}"), true


@pytest.mark.parametrize("looks", [[4], [0, 8], [0, 2]])
def test_a_look_or_two_of_a_camera_aside_are_not_sure(looks: list[int]) -> None:
    """Ten degrees off and more: that the camera is the same is not certain then."""
    inside, far = [], []
    for seed in range(7320, 7328):
        rec, true = moved_aside(seed)
        gaze = calibkit.fit(rec.with_targets(looks), others()).apply(rec.samples)
        off2 = np.sum(((gaze.xy - true) / gaze.sd) ** 2, axis=1)
        seen = np.isfinite(off2)
        # 0.9 quantile of chi-squared with two degrees of freedom (any table).
        inside.append(np.mean(off2[seen] < 4.605))
        far.append(np.nanmedian(angle_between(rec.setup, gaze.xy[seen], true[seen])))
    assert np.median(far) > 8.0
    assert np.mean(inside) > 0.45


@pytest.mark.parametrize("seed", [7311, 7312, 7313, 7314])
def test_inattention_is_no_other_camera(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever looks at three of five targets is mapped as if no camera ever moved."""
    rec = sat(seed, lapse=0.4)
    found = calibkit.fit(rec.with_targets(LAYOUTS[5]), others()).apply(rec.samples)
    monkeypatch.setattr("calibkit.fitted.person.MOVED_TRUST", -1.0)
    still = calibkit.fit(rec.with_targets(LAYOUTS[5]), others()).apply(rec.samples)
    assert np.array_equal(found.xy, still.xy, equal_nan=True)
