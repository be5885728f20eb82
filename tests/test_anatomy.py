"""What is known of eyes beforehand: what it says, and that only what holds is used."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import invented
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibkit import simulation
from calibkit.channels import Channel
from calibkit.fitted import anatomy, anatomy_make, features, shared, structured
from calibkit.fitted.basis import Basis
from calibkit.fitted.crowd import crowd_of
from calibkit.fitted.starter import FOLDER
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
TRACKERS = ("pupil-reflex", "screen", "webcam")


def basis(degree: int = 3, eyes: int = 2, covariates: tuple[str, ...] = ()) -> Basis:
    """Functions of features that fill the square."""
    count = len(covariates)
    return Basis(
        degree=degree,
        covariates=covariates,
        centre=np.zeros((eyes, 2)),
        scale=np.ones((eyes, 2)),
        extra_centre=np.zeros((eyes, count)),
        extra_scale=np.ones((eyes, count)),
    )


def plan(tracker: str, eyes: str = "both") -> features.Layout:
    """Layout of a simulated tracker's channels."""
    who = simulation.person(tracker=tracker, seed=1)
    return features.layout(who.channels, eyes)


def known(tracker: str, made: Basis) -> Array:
    """What is known of a simulated tracker's people."""
    found = anatomy.anatomy(plan(tracker), made)
    assert found is not None
    return found


@pytest.mark.parametrize("tracker", TRACKERS)
@pytest.mark.parametrize("degree", [2, 3])
def test_it_is_a_covariance_of_people_and_of_their_mirror(
    tracker: str, degree: int
) -> None:
    made = basis(degree)
    cov = known(tracker, made)
    assert cov == pytest.approx(cov.T)
    assert np.linalg.eigvalsh(cov)[0] > -0.02
    assert structured.mirrored(cov, made) == pytest.approx(cov, abs=0.02)
    kind = structured.kinds(made)
    for k in np.unique(kind):
        assert np.diag(cov)[kind == k].mean() == pytest.approx(1.0)


@pytest.mark.parametrize("tracker", ["pupil-reflex", "screen"])
def test_eyes_are_as_anatomy_has_them(tracker: str) -> None:
    """Guestrin & Eizenman 2006, IEEE Trans Biomed Eng 53:1124: the visual axis lies
    nasally of the optical one in each eye, so that horizontal offsets differ in sign; a
    reflex moves by the cornea's radius, one number for right and down, and the two
    corneas of a person are nearly equal (common knowledge of optometry)."""
    made = basis()
    cov = known(tracker, made)
    sd = np.sqrt(np.diag(cov))
    corr = (cov / np.outer(sd, sd)).reshape(2, 2, made.terms, 2, 2, made.terms)
    assert corr[0, 1, 0, 1, 1, 0] > corr[0, 0, 0, 1, 0, 0] + 0.2
    assert corr[0, 0, 1, 1, 0, 1] > 0.7
    assert corr[0, 0, 1, 0, 1, 2] > 0.4


def test_covariates_are_not_known_of() -> None:
    made = basis(2, covariates=("HeadYaw",))
    found = anatomy.anatomy(plan("screen"), made)
    assert found is not None
    turned = made.group == 4
    rows = np.tile(turned, 4)
    assert (found[rows] == 0.0).all()
    assert (np.diag(found)[~rows] > 0.0).all()


def test_nothing_is_known_of_one_eye_or_of_other_trackers() -> None:
    assert anatomy.anatomy(plan("screen", "left"), basis(eyes=1)) is None
    other = replace(
        plan("screen"),
        eyes=tuple(replace(e, kind="something") for e in plan("screen").eyes),
    )
    assert anatomy.anatomy(other, basis()) is None


def test_people_as_anatomy_has_them_are_left_as_they_are() -> None:
    """A fixed point, whatever the scale of each kind of function: nearly, since kinds
    that are believed differently fast are believed a little less together."""
    made = basis(2)
    cov = known("screen", made)
    scale = np.array([1.5, 1.5, 0.1, 0.5, 0.08])[structured.kinds(made)]
    cov = cov * np.outer(scale, scale)
    for count in (3, 20, 200):
        found = structured.structured(cov, made, count, known("screen", made))
        away = np.abs(found - cov) / np.sqrt(np.outer(np.diag(cov), np.diag(cov)))
        assert away.max() < 0.03


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 200))
def test_drawn_to_anatomy_it_stays_a_covariance(seed: int, count: int) -> None:
    """Property: symmetric, never negative, each kind as variable as before."""
    made, rng = basis(2, covariates=("HeadYaw",)), np.random.default_rng(seed)
    root = rng.normal(size=(made.size, 3))
    cov = root @ root.T
    drawn = structured.structured(cov, made, count, known("webcam", made))
    assert drawn == pytest.approx(drawn.T)
    assert np.linalg.eigvalsh(drawn)[0] > -1e-9 * np.trace(drawn)
    assert np.trace(drawn) == pytest.approx(np.trace(cov), rel=1e-6)


def physical(count: int) -> list[Recording]:
    """Simulated people at a desk that no anatomy was taken from."""
    place, made = simulation.desk(91_555, "screen"), []
    for k in range(count):
        who = simulation.person(tracker="screen", seed=52_000 + k, desk=place)
        where = np.random.default_rng(k).permutation(invented.NINE)
        where = where * place.setup.screen_px
        made.append(simulation.record(who, where, seed=1, lapse_share=0.0)[0])
    return made


def other_eyes(count: int) -> list[Recording]:
    """Invented people: by construction eyes, gains and bends have nothing in common."""
    return [
        invented.record(70_000 + k, invented.NINE, kind="screen")[0]
        for k in range(count)
    ]


def test_it_is_used_where_it_predicts_people_better_and_not_elsewhere(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    alike = physical(20)
    for recordings, holds in ((alike, True), (other_eyes(20), False)):
        crowd = crowd_of(recordings, "both", (), None)
        made, found = shared._choose_functions(crowd)
        assert (found is not None) == holds
        if found is not None:
            assert found == pytest.approx(anatomy.anatomy(crowd.layout, made))
    # Many people tell it themselves, and are not made to wait for the question.
    monkeypatch.setattr(shared, "TELL_THEMSELVES", 20)
    assert shared._choose_functions(crowd_of(alike, "both", (), None))[1] is None


def test_it_can_be_made_anew(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The command that made it, with fewer people: the same shape, much the same."""
    monkeypatch.setattr(anatomy_make, "DESKS", 2)
    monkeypatch.setattr(anatomy_make, "PEOPLE_PER_DESK", 15)
    monkeypatch.setattr(simulation, "TRACKERS", ("screen",))
    monkeypatch.setattr(sys, "argv", ["anatomy_make", str(tmp_path)])
    anatomy_make.main()
    made = json.loads((tmp_path / "screen.anatomy.json").read_text(encoding="utf-8"))
    shipped = FOLDER / "screen.anatomy.json"
    ours = json.loads(shipped.read_text(encoding="utf-8"))
    assert len(made["cov"]) == len(ours["cov"])
    ratio = made["cov"][0] / ours["cov"][0]
    assert 0.3 < ratio < 3.0


def test_channels_of_two_kinds_are_no_known_tracker() -> None:
    channels = [
        *invented.channels("screen", ("left",)),
        *invented.channels("direction", ("right",)),
    ]
    assert all(isinstance(channel, Channel) for channel in channels)
    assert anatomy.anatomy(features.layout(channels), basis()) is None
