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
