"""Fitting and applying: what a person's mapping does, and what it refuses."""

from __future__ import annotations

import json
import subprocess
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import invented
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import calibkit
from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted import features
from calibkit.fitted.basis import Basis
from calibkit.fitted.fitting import fit_all, predicted_sd_deg
from calibkit.fitted.mapping import Mapping
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
KINDS = ("pupil-reflex", "screen", "direction")


def errors_deg(mapping: Mapping, rec: Recording, truth: Array) -> Array:
    """Angle between mean gaze and mean truth at each check target."""
    gaze = mapping.apply(rec.samples).xy
    found = []
    for row in rec.targets[rec.targets["role"] == "validation"]:
        late = (rec.time >= row["onset"] + 0.45) & (rec.time < row["offset"] - 0.02)
        found.append(
            geometry.angle_between(
                rec.setup, np.nanmean(gaze[late], axis=0), truth[late].mean(axis=0)
            )[0]
        )
    return np.array(found)


@pytest.mark.parametrize("kind", KINDS)
def test_nine_points_find_a_bent_eye(kind: str) -> None:
    """An eye with offset, gain and curvature is found to a fraction of a degree."""
    rec, truth = invented.record(3, invented.NINE, kind=kind)
    mapping = calibkit.fit(rec)
    assert np.median(errors_deg(mapping, rec, truth)) < 0.3
    assert (mapping.looks["weight"] > 0.3).all()


@pytest.mark.parametrize("kind", ["screen", "direction"])
@pytest.mark.parametrize("points", [0, 1, 2])
def test_angles_need_no_targets(kind: str, points: int) -> None:
    """The prior is the tracker's own answer; each point makes it better (contract).

    Which way directions count is not known before a look off the middle.
    """
    rec, truth = invented.record(4, [(0.5, 0.5), (0.2, 0.8)][:points], kind=kind)
    mapping = calibkit.fit(rec)
    error = float(np.median(errors_deg(mapping, rec, truth)))
    assert error < (6.0, 1.6, 1.0)[points]
    wide = kind == "direction" and points < 2
    assert predicted_sd_deg(mapping) < (15.0 if wide else (4.0, 2.5, 2.0)[points])


@pytest.mark.parametrize("turn", [(1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)])
def test_directions_counted_the_other_way(turn: tuple[float, float]) -> None:
    """Trackers differ in which way up a direction is: a few looks tell."""
    rec, truth = invented.record(4, invented.NINE[:4], kind="direction")
    samples = rec.samples * np.tile([*turn, 1.0], 2)
    other = replace(rec, samples=samples)
    mapping = calibkit.fit(other)
    assert np.median(errors_deg(mapping, other, truth)) < 0.6


def test_own_answer_without_targets_is_the_trackers() -> None:
    rec, _ = invented.record(4, [], kind="screen", eyes=("left",))
    gaze = calibkit.fit(rec).apply(rec.samples)
    seen = np.isfinite(gaze.xy[:, 0])
    assert gaze.xy[seen] == pytest.approx(rec.samples[seen], abs=1e-6)


@pytest.mark.parametrize("lapses", [(4,), (0, 7), (2, 3, 8)])
def test_looks_elsewhere_do_not_poison(lapses: tuple[int, ...]) -> None:
    rec, truth = invented.record(5, invented.NINE, lapses=lapses)
    mapping = calibkit.fit(rec)
    assert np.median(errors_deg(mapping, rec, truth)) < 0.6
    away = np.isin(np.arange(9), lapses)
    assert (mapping.looks["weight"][away] < 0.1).all()
    assert "degrees away" in mapping.looks["reason"][lapses[0]]


def test_the_spread_grows_away_from_the_data() -> None:
    """Uncertainty is smallest among the targets and larger outside them."""
    rec, _ = invented.record(
        6, [(0.4 + 0.1 * i, 0.4 + 0.1 * j) for i in range(3) for j in range(3)]
    )
    mapping = calibkit.fit(rec)
    near = mapping.evaluator.spread_at(np.zeros((1, 2)))
    far = mapping.evaluator.spread_at(np.array([[12.0, 6.0]]))
    assert (far > 1.6 * near).all()


def test_the_spread_goes_on_growing_far_away() -> None:
    """Beyond where it is worked out on a grid, too; live rows say the same."""
    rec, _ = invented.record(4, invented.NINE)
    mapping = calibkit.fit(rec)
    middle = np.nanmedian(rec.samples, axis=0)
    far = np.tile(middle, (40, 1))
    far[:, [0, 6]] += np.linspace(0.0, 60.0, 40)[:, None]
    angle = mapping.evaluator.gaze(*_signals(mapping, far))[1][:, 0]
    assert (np.diff(angle[10:]) > -1e-9).all()
    assert angle[-1] > 3.0 * angle[20]


def _signals(mapping: Mapping, samples: Array) -> tuple[Array, Array]:
    found = features.read(mapping.layout, samples, mapping.setup)
    return found.xy, found.extra


def test_stated_sd_shrinks_with_points() -> None:
    few, _ = invented.record(7, invented.NINE[::2])
    many, _ = invented.record(7, invented.NINE * 2)
    assert predicted_sd_deg(calibkit.fit(many)) < predicted_sd_deg(calibkit.fit(few))


def test_the_stated_90_percent_cover(capsys: pytest.CaptureFixture[str]) -> None:
    """Common practice: chi² with two degrees of freedom, 4.605 for 90 %."""
    inside = []
    for seed in range(25):
        rec, truth = invented.record(100 + seed, invented.NINE, kind="screen")
        gaze = calibkit.fit(rec).apply(rec.samples)
        for row in rec.targets[rec.targets["role"] == "validation"]:
            late = (rec.time >= row["onset"] + 0.45) & (rec.time < row["offset"])
            z = (gaze.xy[late] - truth[late]) / gaze.sd[late]
            inside.append(np.mean(np.sum(z**2, axis=1) < 4.605))
    assert 0.85 < np.mean(inside) <= 1.0


def test_what_a_session_hands_over_is_told_in_a_line() -> None:
    # At a prompt a person sees what they hold, and no screenful of numbers.
    rec, _ = invented.record(7, invented.NINE)
    mapping = calibkit.fit(rec)
    for thing in (rec, mapping):
        assert "\n" not in repr(thing)
        assert len(repr(thing)) < 160
    assert str(mapping.id) in repr(mapping)
    assert f"{len(rec.time)} samples" in repr(rec)
    judged = repr(calibkit.assess(mapping, rec))
    assert "accuracy_deg=" in judged
    assert "array" not in judged
    assert "np." not in judged


def test_row_by_row_is_the_same_as_all_at_once() -> None:
    rec, _ = invented.record(8, invented.NINE)
    mapping = calibkit.fit(rec)
    some = rec.samples[100:140].copy()
    some[7] = np.nan
    some[9, :6] = 0.0
    whole = mapping.apply(some)
    for k in range(len(some)):
        one = mapping.apply(some[k : k + 1])
        assert np.array_equal(one.xy[0], whole.xy[k], equal_nan=True)
        assert np.array_equal(one.sd[0], whole.sd[k], equal_nan=True)
    assert np.isnan(whole.xy[7]).all()
    assert np.isfinite(whole.xy[9]).all()
    assert (whole.sd[9] > whole.sd[8]).all()


def test_shapes_and_refusals_of_apply() -> None:
    rec, _ = invented.record(8, invented.NINE)
    mapping = calibkit.fit(rec)
    empty = mapping.apply(np.empty((0, 12)))
    assert empty.xy.shape == empty.sd.shape == (0, 2)
    assert np.isfinite(mapping.apply(rec.samples[:5].astype(np.float32)).xy).all()
    with pytest.raises(ValueError, match="12 columns"):
        mapping.apply(np.zeros((3, 11)))


def test_an_eye_never_seen_is_no_error() -> None:
    rec, truth = invented.record(9, invented.NINE)
    samples = rec.samples.copy()
    samples[:, 6:] = np.nan
    half = replace(rec, samples=samples)
    mapping = calibkit.fit(half)
    assert np.median(errors_deg(mapping, half, truth)) < 0.3
    assert mapping.shares[0].min() > 0.95


@pytest.mark.parametrize("eyes", ["left", "right"])
def test_one_eye_as_asked(eyes: str) -> None:
    rec, truth = invented.record(9, invented.NINE)
    mapping = calibkit.fit(rec, eyes=eyes)
    assert mapping.eyes == (eyes,)
    assert np.median(errors_deg(mapping, rec, truth)) < 0.35


def test_weights_of_the_eyes_as_asked() -> None:
    rec, _ = invented.record(9, invented.NINE)
    mapping = calibkit.fit(rec, weights={"left": 3.0, "right": 1.0})
    assert mapping.shares == pytest.approx(np.array([[0.75, 0.75], [0.25, 0.25]]))
    only = calibkit.fit(rec, weights={"left": 1.0, "right": 0.0}).apply(rec.samples).xy
    left = calibkit.fit(rec, eyes="left").apply(rec.samples).xy
    assert np.nanmedian(np.abs(only - left)) < 15
    with pytest.raises(InputError, match="weights"):
        calibkit.fit(rec, weights={"left": -1.0})


def test_the_noisier_eye_counts_less() -> None:
    rec, _ = invented.record(10, invented.NINE)
    samples = rec.samples.copy()
    rng = np.random.default_rng(0)
    samples[:, 6:8] += rng.normal(0, 0.4, (len(samples), 2))
    mapping = calibkit.fit(replace(rec, samples=samples))
    assert (mapping.shares[1] < 0.4).all()


def bad(name: str) -> Recording:
    rec, _ = invented.record(11, invented.NINE)
    samples = rec.samples.copy()
    if name == "all NaN":
        samples[:] = np.nan
    if name == "constant":
        samples[:] = samples[0]
    if name == "no targets":
        return rec.with_targets([])
    if name == "two points":
        return rec.with_targets([0, 8])
    if name == "all left out":
        targets = rec.targets.copy()
        targets["kept"] = 0
        return replace(rec, targets=targets)
    return replace(rec, samples=samples)


@pytest.mark.parametrize(
    "name", ["all NaN", "constant", "no targets", "two points", "all left out"]
)
def test_what_cannot_be_fitted_is_refused(name: str) -> None:
    """Raw camera features without a prior: exit status 3, one sentence (contract)."""
    with pytest.raises(calibkit.CalibkitError) as caught:
        calibkit.fit(bad(name))
    assert caught.value.exit_status == 3
    assert "\n" not in str(caught.value)


def test_collinear_points_are_answered_widely() -> None:
    """Points on a line say nothing across it, and the spread says so."""
    line = [(x, 0.5) for x in np.linspace(0.1, 0.9, 6)]
    rec, _ = invented.record(12, line)
    spread = calibkit.fit(rec).apply(rec.samples).sd / geometry.px_per_degree(
        rec.setup, [960.0, 540.0]
    )
    whole = calibkit.fit(invented.record(12, invented.NINE)[0])
    assert np.nanmedian(spread) > 1.5 * predicted_sd_deg(whole) or np.nanmax(spread) > 2


def test_everybody_looking_elsewhere_is_not_believed() -> None:
    """All targets missed at random: the answer is wide, not confidently wrong."""
    rng = np.random.default_rng(13)
    rec, truth = invented.record(13, invented.NINE, kind="screen")
    targets = rec.targets.copy()
    calibration = targets["role"] == "calibration"
    targets["x"][calibration] = rng.uniform(0, 1920, 9)
    targets["y"][calibration] = rng.uniform(0, 1080, 9)
    mapping = calibkit.fit(replace(rec, targets=targets))
    off = np.nanmedian(errors_deg(mapping, rec, truth))
    assert off < 4.0 * predicted_sd_deg(mapping)


def test_one_point_seven_times_is_one_point() -> None:
    rec, _ = invented.record(14, [(0.5, 0.5)] * 7, kind="screen")
    mapping = calibkit.fit(rec)
    near = mapping.evaluator.spread_at(np.zeros((1, 2)))
    far = mapping.evaluator.spread_at(np.array([[20.0, 10.0]]))
    assert (far > near).all()


@pytest.mark.parametrize("kind", KINDS)
def test_snapshot_and_file_give_the_same_mapping(kind: str, tmp_path: Path) -> None:
    rec, _ = invented.record(15, invented.NINE, kind=kind)
    mapping = calibkit.fit(rec)
    text = json.dumps(mapping.snapshot())
    assert len(text) <= 64 * 1024
    mapping.save(tmp_path / "m.h5")
    for other in (
        Mapping.from_snapshot(json.loads(text)),
        calibkit.Mapping.load(tmp_path / "m.h5"),
    ):
        assert other.id == mapping.id
        assert 0 < other.id < 2**31
        assert other.apply(rec.samples).xy == pytest.approx(
            mapping.apply(rec.samples).xy, abs=1e-3, nan_ok=True
        )
        assert other.looks["reason"].tolist() == mapping.looks["reason"].tolist()


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_a_damaged_snapshot_is_refused_in_one_sentence(data: st.DataObject) -> None:
    """Property: whatever part is lost or replaced, it is an InputError or a mapping."""
    rec, _ = invented.record(16, invented.NINE[:4], kind="screen", eyes=("left",))
    plain = json.loads(json.dumps(calibkit.fit(rec).snapshot()))
    name = data.draw(st.sampled_from(sorted(plain)))
    plain[name] = data.draw(st.sampled_from([None, "x", [], {}, -1, [[1]]]))
    with suppress(InputError):
        assert Mapping.from_snapshot(plain).layout.width == 2


def test_another_screen_or_stream_is_refused() -> None:
    rec, _ = invented.record(17, invented.NINE, kind="screen")
    mapping = calibkit.fit(rec)
    mapping.check(rec)
    with pytest.raises(InputError, match="distance_mm"):
        mapping.check(replace(rec, setup=replace(rec.setup, distance_mm=500.0)))
    other, _ = invented.record(17, invented.NINE, kind="direction")
    with pytest.raises(InputError, match="channels"):
        mapping.check(other)


def test_the_same_recording_gives_the_same_bits() -> None:
    rec, _ = invented.record(18, invented.NINE, lapses=(3,))
    one, two = calibkit.fit(rec), calibkit.fit(rec)
    assert np.array_equal(one.weights.mean, two.weights.mean)
    assert one.id == two.id


def test_two_recordings_together_are_surer() -> None:
    one, _ = invented.record(19, invented.NINE[:5])
    two, _ = invented.record(19, invented.NINE[4:])
    both = fit_all([one, two])
    assert len(both.looks) == 10
    assert predicted_sd_deg(both) < predicted_sd_deg(calibkit.fit(one))


@pytest.mark.parametrize("rate", [30.0, 250.0, 500.0])
def test_any_rate(rate: float) -> None:
    rec, truth = invented.record(20, invented.NINE, rate=rate)
    assert np.median(errors_deg(calibkit.fit(rec), rec, truth)) < 0.35


def test_stamps_out_of_order_and_channels_in_another_order() -> None:
    rec, truth = invented.record(21, invented.NINE, kind="screen")
    turned = np.arange(4)[::-1]
    mixed = np.random.default_rng(0).permutation(len(rec.time))
    other = replace(
        rec,
        time=rec.time[mixed],
        samples=rec.samples[mixed][:, turned],
        channels=tuple(rec.channels[k] for k in turned),
    )
    mapping = calibkit.fit(other)
    assert np.median(errors_deg(mapping, other, truth[mixed])) < 0.35


def test_a_gliding_target_calibrates_and_tells_the_lag() -> None:
    """Literature check value 43: 10 degrees/s times 0.1 s is 1 degree; lag +-1 step."""
    setup, rate, lag = invented.SETUP, 60.0, 0.1
    time: Array = np.arange(0, 960) / rate

    def where(at: Array) -> Array:
        return np.column_stack(
            [960 + 800 * np.sin(0.9 * at), 540 + 430 * np.sin(1.3 * at + 0.5)]
        )

    angles = geometry.px_to_angles(setup, where(time - lag))
    rng = np.random.default_rng(1)
    seen = invented.bend(3, 0, angles) + rng.normal(0, 0.2, angles.shape)
    rec = Recording(
        setup=setup,
        time=time,
        samples=geometry.angles_to_px(setup, seen),
        channels=invented.channels("screen", ("left",)),
        targets=calibkit.kept.recording.target_rows(
            [(0.0, 16.0, np.nan, np.nan, "calibration", "timer", 1)]
        ),
        target_path=np.column_stack([time, where(time)]),
        nominal_rate=rate,
    )
    mapping = calibkit.fit(rec)
    assert mapping.lag_s == pytest.approx(lag, abs=0.026)
    gaze = geometry.px_to_angles(setup, mapping.apply(rec.samples).xy)
    assert np.median(np.hypot(*(gaze - angles).T)) < 0.4
    assert "followed" in mapping.looks["reason"][0]


def test_applying_loads_neither_scipy_nor_h5py() -> None:
    """Contract: neither before it is needed; a publisher starts from a snapshot."""
    rec, _ = invented.record(22, invented.NINE[:4], kind="screen", eyes=("left",))
    text = json.dumps(calibkit.fit(rec).snapshot())
    code = (
        "import sys, json, numpy as np\n"
        "from calibkit.fitted.mapping import Mapping\n"
        "m = Mapping.from_snapshot(json.loads(sys.stdin.read()))\n"
        "m.apply(np.full((3, 2), 500.0))\n"
        "assert not {'scipy', 'h5py', 'pylsl', 'matplotlib'} & set(sys.modules)\n"
    )
    root = Path(__file__).parent.parent
    subprocess.run(
        [sys.executable, "-c", code], input=text, text=True, check=True, cwd=root
    )


def test_covariates_counted_from_elsewhere_are_the_same_functions() -> None:
    """Moving the centre of covariates changes the weights and nothing else."""
    rng = np.random.default_rng(0)
    basis = Basis(
        degree=2,
        covariates=("a", "b"),
        centre=np.zeros((2, 2)),
        scale=np.ones((2, 2)),
        extra_centre=rng.normal(size=(2, 2)),
        extra_scale=np.ones((2, 2)) * 2.0,
    )
    moved, matrix = basis.moved(rng.normal(size=(2, 2)))
    weights = rng.normal(size=basis.size)
    xy, extra = rng.normal(size=(2, 5, 2)), rng.normal(size=(2, 5, 2))
    for e in range(2):
        one, two = (
            w.reshape(2, 2, basis.terms)[e] for w in (weights, matrix @ weights)
        )
        before = basis.functions(xy, extra)[e] @ one.T
        assert moved.functions(xy, extra)[e] @ two.T == pytest.approx(before)
