"""Bad input: refused in one sentence, or answered widely; never confidently wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from test_mapping import errors_deg
from test_mapping_properties import EDGES, KINDS, coverage
from test_shared import crowd

import calibkit
from calibkit import geometry
from calibkit.fitted.fitting import predicted_sd_deg
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.prior import SharedMapping
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def raw_prior() -> SharedMapping:
    return calibkit.learn_shared(crowd(20))


@pytest.fixture(scope="module")
def screen_prior() -> SharedMapping:
    return calibkit.learn_shared(crowd(20, kind="screen"))


def line(seed: int, kind: str, upright: bool) -> tuple[Recording, Array]:
    """Six targets on a row or a column; checked at the edges."""
    at = np.linspace(0.1, 0.9, 6)
    places = [(0.5, v) if upright else (v, 0.5) for v in at]
    return invented.record(seed, places, kind=kind, checks=EDGES)


@pytest.mark.parametrize("upright", [False, True])
def test_raw_features_on_a_line_are_wide_across_it(upright: bool) -> None:
    """Along the line gaze is known, across it not, and the sd says so.

    Who can only look along one row of keys must still get that row.
    """
    across = 0 if upright else 1
    for seed in range(6):
        rec, truth = line(seed, "pupil-reflex", upright)
        mapping = calibkit.fit(rec)
        _, sds = coverage(mapping, rec, truth)
        assert np.median(sds[:4, across]) > 5.0
        middle = mapping.apply(rec.samples[:300])
        on = (rec.time[:300] - rec.time[0]) % 1.0 > 0.45
        scale = geometry.px_per_degree(rec.setup, truth[:300])
        off = (np.abs(middle.xy - truth[:300]) / scale)[on]
        assert np.median(off[:, 1 - across]) < 0.5
        assert np.median((middle.sd / scale)[on][:, 1 - across]) < 1.5


@pytest.mark.parametrize(
    ("kind", "upright"), [("pupil-reflex", False), ("screen", False), ("screen", True)]
)
def test_points_on_a_line_cover_the_truth(kind: str, upright: bool) -> None:
    """Never confidently wrong: 12 people, 60 checks far off the line."""
    inside = []
    for seed in range(12):
        rec, truth = line(seed, kind, upright)
        inside.append(coverage(calibkit.fit(rec), rec, truth)[0])
    assert np.mean(inside) > 0.7


@pytest.mark.parametrize(
    "places",
    [[(0.5, 0.5)] * 7, [(0.1, 0.1), (0.15, 0.1), (0.1, 0.15), (0.15, 0.15)]],
)
def test_points_at_one_place(
    places: list[tuple[float, float]], raw_prior: SharedMapping
) -> None:
    """Raw features: refused in one sentence, but for people known in general."""
    rec, truth = invented.record(13, places)
    with pytest.raises(calibkit.CalibkitError, match="too close together") as caught:
        calibkit.fit(rec)
    assert caught.value.exit_status == 3
    assert np.median(errors_deg(calibkit.fit(rec, raw_prior), rec, truth)) < 1.0
    screen, truth = invented.record(13, places, kind="screen")
    assert np.median(errors_deg(calibkit.fit(screen), screen, truth)) < 2.0


def spoiled(kind: str, seed: int, fault: str) -> tuple[Recording, Array]:
    """A recording with something wrong in its samples."""
    rec, truth = invented.record(seed, invented.NINE, kind=kind)
    rng = np.random.default_rng(seed)
    samples = rec.samples.copy()
    half = samples.shape[1] // 2
    if fault == "frozen eye":
        samples[:, half:] = samples[0, half:]
    if fault == "one eye":
        samples[:, half:] = np.nan
    if fault == "all frozen":
        samples[:] = samples[0]
    if fault == "shuffled":
        samples = samples[rng.permutation(len(samples))]
    if fault == "nine of ten lost":
        samples[rng.random(len(samples)) < 0.9] = np.nan
    if fault == "nothing":
        samples[:] = np.nan
    return replace(rec, samples=samples), truth


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fault", ["frozen eye", "one eye"])
def test_the_good_eye_is_enough(kind: str, fault: str) -> None:
    """An eye that is lost, or stuck at one value all along, does not hurt."""
    for seed in range(50, 54):
        rec, truth = spoiled(kind, seed, fault)
        mapping = calibkit.fit(rec)
        clean, _ = invented.record(seed, invented.NINE, kind=kind)
        alone = calibkit.fit(clean, eyes="left")
        best = np.median(errors_deg(alone, clean, truth))
        assert np.median(errors_deg(mapping, rec, truth)) < 1.25 * best + 0.05
        assert fault == "frozen eye" or (mapping.shares[1] < 0.05).all()


@pytest.mark.parametrize("at", [0.2, 0.7])
@pytest.mark.parametrize("shown", [0, 1, 5, 9])
def test_a_frozen_eye_never_answers(
    at: float, shown: int, raw_prior: SharedMapping
) -> None:
    """Wherever it is stuck: as if it were not there (by plain reasoning)."""
    for kind, prior in (("screen", None), ("pupil-reflex", raw_prior)):
        rec, _ = invented.record(54, invented.NINE, kind=kind)
        samples = rec.samples.copy()
        half = samples.shape[1] // 2
        samples[:, half:] = samples[int(at * len(samples)), half:]
        stuck = replace(rec, samples=samples).with_targets(list(range(shown)))
        found = calibkit.fit(stuck, prior)
        alone = calibkit.fit(rec.with_targets(list(range(shown))), prior, eyes="left")
        assert found.layout.names == ("left",)
        assert np.allclose(
            found.apply(samples).xy, alone.apply(samples).xy, equal_nan=True
        )


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "fault", ["all frozen", "shuffled", "nine of ten lost", "nothing"]
)
def test_features_that_say_nothing(kind: str, fault: str) -> None:
    """Refused for raw features and where no eye was seen (3); else wide."""
    inside = []
    for seed in range(50, 54):
        rec, truth = spoiled(kind, seed, fault)
        if kind == "pupil-reflex" or fault == "nothing":
            with pytest.raises(calibkit.CalibkitError) as caught:
                calibkit.fit(rec)
            assert caught.value.exit_status == 3
            assert "\n" not in str(caught.value)
            continue
        mapping = calibkit.fit(rec)
        assert predicted_sd_deg(mapping) > 2.0
        if fault != "nine of ten lost":
            inside.append(coverage(mapping, rec, truth)[0])
    assert not inside or np.mean(inside) > 0.85


@pytest.mark.parametrize("points", [3, 5, 9])
def test_everybody_misses_every_target(
    points: int, raw_prior: SharedMapping, screen_prior: SharedMapping
) -> None:
    """Targets at random places: what is stated is several degrees wide.

    Raw features without a prior are left out: three targets fit any affine map.
    """
    fits: list[tuple[str, Callable[[Recording], Mapping]]] = [
        ("screen", calibkit.fit),
        ("screen", lambda rec: calibkit.fit(rec, screen_prior)),
        ("pupil-reflex", lambda rec: calibkit.fit(rec, raw_prior)),
    ]
    for kind, make in fits:
        for seed in range(4):
            rng = np.random.default_rng([seed, points])
            places = np.array(invented.NINE)[rng.permutation(9)[:points]]
            rec, _ = invented.record(50 + seed, places, kind=kind)
            targets = rec.targets.copy()
            calibration = targets["role"] == "calibration"
            targets["x"][calibration] = rng.uniform(0, 1920, points)
            targets["y"][calibration] = rng.uniform(0, 1080, points)
            mapping = make(replace(rec, targets=targets))
            assert predicted_sd_deg(mapping) > 3.0


def test_what_a_hurried_caller_gives_is_told_or_taken() -> None:
    """A path is no prior, and says what to do; one label alone is one label."""
    rec, _ = invented.record(1, invented.NINE, kind="screen")
    with pytest.raises(calibkit.CalibkitError, match=r"SharedMapping\.load"):
        calibkit.fit(rec, "shared.h5")  # type: ignore[arg-type]
    with pytest.raises(calibkit.CalibkitError, match="'pd0'"):
        calibkit.fit(rec, extra="pd0")
