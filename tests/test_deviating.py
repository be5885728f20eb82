"""An eye that turns away is found in a look or two, and is then no lapse."""

from __future__ import annotations

from dataclasses import replace

import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from test_mapping import errors_deg
from test_shared import crowd

import calibkit
from calibkit.fitted.deviating import disagreement, suspected
from calibkit.fitted.features import layout
from calibkit.fitted.material import gather
from calibkit.fitted.prior import SharedMapping
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
POINTS = {1: [4], 2: [0, 8], 5: [0, 2, 4, 6, 8]}


@pytest.fixture(scope="module")
def shared() -> SharedMapping:
    return calibkit.learn_shared(crowd(20))


def squinting(
    seed: int, points: int, eye: int, lapses: tuple[int, ...] = ()
) -> tuple[Recording, Array]:
    """One invented person whose one eye is turned nine degrees outwards throughout."""
    places = [invented.NINE[k] for k in POINTS[points]]
    rec, truth = invented.record(seed, places, lapses=lapses)
    samples = rec.samples.copy()
    samples[:, 6 * eye] += 0.5 * 9.0 * (1 - 2 * eye)  # half a pixel a degree
    return replace(rec, samples=samples), truth


@pytest.mark.parametrize("eye", [0, 1])
def test_a_turned_eye_is_thought_of_where_people_differ_much(
    shared: SharedMapping, eye: int
) -> None:
    """The more people's eyes differ, the less a turned one stands out."""
    constants = np.arange(shared.basis.size) % shared.basis.terms == 0
    cov = shared.weights.cov + np.diag(np.where(constants, 2.2**2, 0.0))
    vague = replace(shared, weights=replace(shared.weights, cov=cov))
    plan = layout(invented.channels("pupil-reflex"))
    for seed in range(5):
        turned, _ = squinting(seed, 5, eye)
        away, _ = invented.record(seed, invented.NINE, lapses=range(9))
        assert suspected(vague, gather(turned, plan).points)
        assert not suspected(vague, gather(away, plan).points)


@pytest.mark.parametrize("eye", [0, 1])
@pytest.mark.parametrize(("points", "most"), [(1, 2.2), (2, 0.8), (5, 0.5)])
def test_a_turned_eye_is_found(
    shared: SharedMapping, eye: int, points: int, most: float
) -> None:
    errors = []
    for seed in range(5):
        rec, truth = squinting(seed, points, eye)
        errors.append(np.median(errors_deg(calibkit.fit(rec, shared), rec, truth)))
    assert np.median(errors) < most


def test_every_look_of_a_turned_eye_counts(shared: SharedMapping) -> None:
    rec, _ = squinting(3, 5, 0)
    looks = calibkit.fit(rec, shared).looks
    assert looks["weight"].min() > 0.5


@pytest.mark.parametrize("eye", [0, 1])
@pytest.mark.parametrize(("points", "most"), [(2, 1.2), (5, 0.8)])
def test_a_turned_eye_alone_is_found_from_two_looks_on(
    shared: SharedMapping, eye: int, points: int, most: float
) -> None:
    """Whether only it is chosen, or only it is seen: both are off by the same."""
    errors: dict[str, list[float]] = {"chosen": [], "seen": []}
    for seed in range(5):
        rec, truth = squinting(seed, points, eye)
        chosen = calibkit.fit(rec, shared, eyes=("left", "right")[eye])
        errors["chosen"].append(float(np.median(errors_deg(chosen, rec, truth))))
        samples = rec.samples.copy()
        samples[:, 6 * (1 - eye) : 6 * (1 - eye) + 6] = np.nan
        blind = replace(rec, samples=samples)
        seen = calibkit.fit(blind, shared)
        errors["seen"].append(float(np.median(errors_deg(seen, blind, truth))))
    for each in errors.values():
        assert np.median(each) < most


@pytest.mark.parametrize("eyes", ["left", "right"])
def test_one_eye_that_looked_elsewhere_at_most_targets_is_not_turned(
    shared: SharedMapping, eyes: str
) -> None:
    """Lapses go each elsewhere: no one angle explains them."""
    errors = []
    for seed in range(5):
        places = [invented.NINE[k] for k in POINTS[5]]
        rec, truth = invented.record(seed, places, lapses=(0, 1, 4))
        mapping = calibkit.fit(rec, shared, eyes=eyes)
        assert mapping.looks["weight"][[0, 1, 4]].max() < 0.2
        errors.append(np.median(errors_deg(mapping, rec, truth)))
    assert np.median(errors) < 0.8


def test_looking_elsewhere_is_no_turned_eye(shared: SharedMapping) -> None:
    """Both eyes go together in a lapse: they do not disagree, however far it is."""
    plan = layout(invented.channels("pupil-reflex"))
    away, _ = invented.record(5, invented.NINE, lapses=range(9))
    turned, _ = squinting(5, 5, 1)
    assert disagreement(shared, gather(away, plan).points) < 3.0
    assert disagreement(shared, gather(turned, plan).points) > 8.0


def test_a_turned_eye_and_a_look_elsewhere(shared: SharedMapping) -> None:
    rec, truth = squinting(6, 5, 1, lapses=(2,))
    mapping = calibkit.fit(rec, shared)
    assert mapping.looks["weight"][2] < 0.2
    assert np.median(errors_deg(mapping, rec, truth)) < 0.8
