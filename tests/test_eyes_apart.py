"""Two eyes that do not agree: a shadow taken for a pupil, an eye elsewhere.

Source: the variance of a mixture of two, one of which is right: the product of their
shares times the square of their distance.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit import simulation
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.mapping_live import live
from calibkit.geometry import angle_between
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
POINTS = [[x, y] for y in (100, 540, 980) for x in (150, 960, 1770)]


@cache
def seen(tracker: str) -> tuple[Mapping, Recording, Array]:
    """A mapping, its recording, and samples in which both eyes look at the screen."""
    person = simulation.person(tracker=tracker, seed=7)
    rec = simulation.record(person, POINTS, seed=7, seconds_per_point=0.8)[0]
    mapping = calibkit.fit(rec)
    rows = np.asarray(rec.samples, float)
    alone = [only(mapping, rows, eye) for eye in ("left", "right")]
    angle = angle_between(rec.setup, *alone)
    return mapping, rec, rows[np.isfinite(angle) & (angle < 1.0)][::5]


def columns(rec: Recording, eye: str, types: tuple[str, ...]) -> list[int]:
    return [k for k, c in enumerate(rec.channels) if c.eye == eye and c.type in types]


def only(mapping: Mapping, rows: Array, eye: str) -> Array:
    """Gaze by one eye, the other lost."""
    lost = rows.copy()
    for source in mapping.layout.eyes:
        if source.eye != eye:
            lost[:, list(source.columns)] = np.nan
    return mapping.apply(lost).xy


def published(mapping: Mapping, rows: Array) -> Array:
    row = live(mapping)
    return np.array([row(sample.tolist()) for sample in rows])


def same_live(mapping: Mapping, rows: Array) -> None:
    gaze = mapping.apply(rows)
    both = np.hstack([gaze.xy, gaze.sd])
    assert np.array_equal(published(mapping, rows), both, equal_nan=True)


def test_a_shadow_far_from_one_pupil_leaves_gaze_to_the_other_eye() -> None:
    mapping, rec, rows = seen("pupil-reflex")
    odd = rows.copy()
    odd[:, columns(rec, "left", ("PupilX",))] += 200.0
    gaze = mapping.apply(odd)
    right = only(mapping, rows, "right")
    assert np.array_equal(gaze.xy, right)
    same_live(mapping, odd)


@pytest.mark.parametrize("tracker", ["screen", "pupil-reflex", "webcam"])
def test_eyes_that_agree_are_as_sure_as_ever(tracker: str) -> None:
    mapping, _, rows = seen(tracker)
    sure = mapping.apply(rows).sd
    assert np.quantile(sure[:, 0], 0.9) < 2.5 * np.median(sure[:, 0])


def test_an_eye_elsewhere_makes_gaze_as_unsure_as_it_is() -> None:
    """Moved by half the screen, which of the two is right cannot be told."""
    mapping, rec, rows = seen("screen")
    odd = rows.copy()
    across = columns(rec, "left", ("ScreenX",))
    unit = {c.label: c.unit for c in rec.channels}[rec.channels[across[0]].label]
    wide = 1.0 if unit.startswith("norm") else float(rec.setup.screen_px[0])
    middle = np.abs(rows[:, across[0]] / wide - 0.5) < 0.2
    odd = odd[middle]
    odd[:, across] += 0.25 * wide
    gaze, before = mapping.apply(odd), mapping.apply(rows[middle])
    eyes = [only(mapping, odd, eye)[:, 0] for eye in ("left", "right")]
    share = mapping.shares[:, 0]
    mixture = np.sqrt(share[0] * share[1]) * np.abs(eyes[0] - eyes[1])
    assert (gaze.sd[:, 0] > 0.8 * mixture).all()
    assert (gaze.sd[:, 0] < 1.2 * np.hypot(mixture, before.sd[:, 0])).all()
    assert np.allclose(gaze.sd[:, 1], before.sd[:, 1], rtol=0.2)
    same_live(mapping, odd)
