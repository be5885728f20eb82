"""The starter priors that ship: labelled, wide, refused where they must not speak."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from calibkit import CalibkitError, SharedMapping, fit, simulation
from calibkit.errors import InputError
from calibkit.fitted import starter, starter_make
from calibkit.fitted.fitting import load_prior
from calibkit.geometry import angle_between
from calibkit.kept.recording import Recording

TRACKERS = ("pupil-reflex", "screen", "webcam")
NINE = np.array([(x, y) for y in (0.1, 0.5, 0.9) for x in (0.1, 0.5, 0.9)])
CHECKS = np.array([(0.3, 0.3), (0.7, 0.35), (0.35, 0.7), (0.6, 0.65), (0.5, 0.25)])


def somebody(
    tracker: str, seed: int = 4321, places: np.ndarray = NINE
) -> tuple[Recording, np.ndarray, np.ndarray]:
    """A steady person at a desk that no starter has seen, calibration then checks."""
    desk = simulation.desk(7777, tracker)
    who = simulation.person(tracker=tracker, seed=seed, desk=desk)
    where = np.vstack([places, CHECKS]) * desk.setup.screen_px
    roles = ["calibration"] * len(places) + ["validation"] * len(CHECKS)
    return simulation.record(who, where, seed=1, roles=roles, lapse_share=0.0)


def error_deg(rec: Recording, prior: SharedMapping | None, points: int) -> float:
    """Median error at the checks' targets."""
    mapping = fit(rec.with_targets(range(points)), prior)
    errors = []
    for row in rec.targets[rec.targets["role"] == "validation"]:
        late = (rec.time > row["offset"] - 0.5) & (rec.time < row["offset"])
        gaze = np.nanmean(mapping.apply(rec.samples[late]).xy, axis=0)
        errors.append(angle_between(rec.setup, gaze, [row["x"], row["y"]])[0])
    return float(np.median(errors))


def test_there_is_one_for_each_kind_of_tracker() -> None:
    assert set(starter.names()) == {f"starter-{tracker}" for tracker in TRACKERS}


@pytest.mark.parametrize("tracker", TRACKERS)
def test_it_says_that_it_is_simulated(tracker: str) -> None:
    prior = starter.load(f"starter-{tracker}")
    assert prior.origin == "simulated"
    assert any("simulated" in note for note in prior.notes)
    assert prior.people >= 40
    assert len(prior.setups) >= 4
    assert not prior.local  # nobody is in it: it may go anywhere


@pytest.mark.parametrize("tracker", TRACKERS)
def test_it_is_small_and_a_shared_mapping_file(tracker: str) -> None:
    path = starter.FOLDER / f"{tracker}.h5"
    assert path.stat().st_size < 100_000
    named = load_prior(f"starter-{tracker}")
    assert isinstance(named, SharedMapping)
    assert SharedMapping.load(path).snapshot() == named.snapshot()


@pytest.mark.parametrize("tracker", ["pupil-reflex", "webcam"])
@pytest.mark.parametrize("points", [0, 1])
def test_raw_camera_figures_are_refused_at_none_and_one(
    tracker: str, points: int
) -> None:
    rec = somebody(tracker)[0]
    prior = starter.load(f"starter-{tracker}")
    with pytest.raises(CalibkitError, match="simulated people") as caught:
        fit(rec.with_targets(range(points)), prior)
    assert caught.value.exit_status == 3


def test_screen_positions_need_no_point() -> None:
    rec = somebody("screen")[0]
    mapping = fit(rec.with_targets([]), starter.load("starter-screen"))
    gaze = mapping.apply(rec.samples)
    assert np.isfinite(gaze.xy).any()
    # Wide: degrees, not tenths of one (1 degree is some 30 to 60 pixels).
    assert np.nanmedian(gaze.sd) > 30


@pytest.mark.parametrize("tracker", ["pupil-reflex", "screen"])
def test_it_helps_a_stranger_at_an_unknown_desk(tracker: str) -> None:
    """Beside no prior at all, for three persons together, at three and nine points."""
    prior = starter.load(f"starter-{tracker}")
    recs = [somebody(tracker, seed)[0] for seed in (4321, 4322, 4323)]
    order = [0, 5, 6, 1, 2, 3, 4, 7, 8]  # the first three are no line
    recs = [rec.with_targets([*order, *range(9, 14)]) for rec in recs]
    with_it, without = (
        {n: np.mean([error_deg(rec, p, n) for rec in recs]) for n in (3, 9)}
        for p in (prior, None)
    )
    assert with_it[3] < without[3]
    assert with_it[9] < 1.15 * without[9]
    assert with_it[9] < 0.8


def test_a_warning_goes_with_the_mapping() -> None:
    rec = somebody("pupil-reflex")[0]
    mapping = fit(rec, starter.load("starter-pupil-reflex"))
    assert any("simulated" in note for note in mapping.notes)


def test_an_unknown_name_lists_the_known() -> None:
    with pytest.raises(InputError, match="starter-screen"):
        starter.load("starter-telescope")


def test_fit_takes_a_name_on_the_command_line(tmp_path: Path) -> None:
    recording, mapping = tmp_path / "rec.h5", tmp_path / "map.h5"
    somebody("screen")[0].save(recording)
    command = [sys.executable, "-m", "calibkit", "fit", str(recording)]
    command += ["--shared", "starter-screen", "-o", str(mapping)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert mapping.exists()
    assert "simulated" in done.stderr


def test_they_can_be_made_anew(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The command that made them, with fewer people: same kind of file."""
    monkeypatch.setattr(starter_make, "DESKS", 2)
    monkeypatch.setattr(starter_make, "PEOPLE_PER_DESK", 3)
    monkeypatch.setattr(simulation, "TRACKERS", ("screen",))
    monkeypatch.setattr(sys, "argv", ["starter_make", str(tmp_path)])
    starter_make.main()
    made = SharedMapping.load(tmp_path / "screen.h5")
    shipped = starter.load("starter-screen")
    assert (made.origin, made.people) == ("simulated", 6)
    assert made.signature == shipped.signature
