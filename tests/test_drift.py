"""Drift: noticed, corrected within bounds, never silently, undone to the last bit."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import chi2, multivariate_normal

from calibkit import fit, simulation
from calibkit.errors import InputError
from calibkit.geometry import Setup, angles_to_px, px_to_angles
from calibkit.kept.recording import Recording
from calibkit.live import drift, drift_hook, drift_mapping, drift_reference, drift_signs
from calibkit.live.drift_facts import NONE, Change, Drift, Policy
from calibkit.live.drift_hook import DriftHook
from calibkit.live.drift_reference import Level, Reference
from calibkit.live.publisher_output import Notice

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.5), distance_mm=600.0)
CENTRE = (960.0, 540.0)
LEARN = Policy(learn=True)


def gaze_off(right_deg: float, down_deg: float, target: Any = CENTRE) -> np.ndarray:
    hv = px_to_angles(SETUP, target) + np.array([right_deg, down_deg])
    return angles_to_px(SETUP, np.repeat(hv, 20, axis=0))


def test_the_posterior_is_the_published_shrinkage() -> None:
    """Source: literature.md section 2, w = n tau² / (n tau² + sigma²): tau 2, sigma 1,
    n 1 gives 0.80."""
    policy = Policy(moved_sd_deg=2.0, aim_sd_deg=1.0, bound_deg=9.0, moved_chance=1.0)
    state, changes = drift.look(
        Drift(), 0.0, SETUP, CENTRE, gaze_off(2.0, -1.0), policy=policy
    )
    assert state.offset == pytest.approx((1.6, -0.8))
    assert changes[0].kind == "re-centred"


def test_the_limits_are_those_of_chi_squared() -> None:
    """Source: scipy's chi-squared with two degrees of freedom."""
    assert Policy().proof == pytest.approx(chi2.ppf(0.999, 2), abs=0.05)
    assert Policy().doubt == pytest.approx(chi2.ppf(0.99, 2), abs=0.05)


def test_a_look_that_agrees_moves_nothing() -> None:
    """Source: mapping.md section 4: one fresh point is worse than none."""
    state, changes = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(0.3, 0.3))
    assert state.offset == NONE
    assert [change.kind for change in changes] == ["kept"]


def still_or_moved(off: Any, noise: float) -> float:
    """Probability that something moved, by scipy's normal densities."""
    policy = Policy()
    fits = [
        multivariate_normal(cov=np.eye(2) * (sd**2 + noise)).pdf(off)
        for sd in (policy.usual_sd_deg, policy.moved_sd_deg)
    ]
    return fits[1] / sum(fits)


@pytest.mark.parametrize("length", [0.4, 0.9, 1.1, 1.5, 2.5])
def test_a_look_counts_as_bayes_says(length: float) -> None:
    """Source: scipy's bivariate normal for both hypotheses, even odds; the offset that
    is expected is then the mean of both, by their probabilities."""
    policy, off = Policy(), np.array([0.6, -0.8]) * length
    noise = policy.aim_sd_deg**2
    moved = still_or_moved(off, noise)
    prior = np.square([policy.usual_sd_deg, policy.moved_sd_deg])
    expected = np.array([1 - moved, moved]) @ (prior / (prior + noise)) * off
    state, changes = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(*off))
    assert state.mean == pytest.approx(tuple(expected), abs=1e-6)
    assert (changes[0].kind == "re-centred") == (moved > 0.5)
    assert state.offset == (state.mean if moved > 0.5 else NONE)


def test_looks_of_a_mapping_that_fits_seldom_move_it() -> None:
    """As often as the two normals say, when looks are as noisy as assumed."""
    rng = np.random.default_rng(5)
    policy = Policy()
    sd = math.hypot(policy.usual_sd_deg, policy.aim_sd_deg)
    offs = rng.normal(0, sd, (2000, 2))
    moved = sum(
        drift.look(Drift(), 0, SETUP, CENTRE, gaze_off(*off))[0].offset != NONE
        for off in offs
    )
    should = sum(still_or_moved(off, policy.aim_sd_deg**2) > 0.5 for off in offs)
    assert moved == should
    assert moved < 100  # one in twenty


def test_looks_that_say_the_same_move_it_though_none_would_alone() -> None:
    state, kinds = Drift(), []
    for k in range(4):
        place = (300.0 + 400 * k, 300.0 + 100 * k)
        state, changes = drift.look(
            state, 10.0 * k, SETUP, place, gaze_off(0.72, -0.54, place)
        )
        kinds.append(changes[0].kind)
    assert kinds[0] == "kept"
    assert "re-centred" in kinds
    assert state.offset == pytest.approx((0.72, -0.54), abs=0.25)


def test_a_second_look_mends_a_wild_first_one() -> None:
    """The person was on the way to the target; nothing had moved."""
    state, changes = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(1.6, 0.0))
    assert "a look at another target makes sure" in changes[0].text
    first = math.hypot(*state.offset)
    assert first > 1.0
    for k in (1, 2):
        place = (400.0 + 500 * k, 300.0)
        state, changes = drift.look(
            state, 20.0 * k, SETUP, place, gaze_off(0.05, 0.1, place)
        )
    assert math.hypot(*state.offset) < 0.35 * first


def test_looks_add_up() -> None:
    """Source: the mean of n looks is sqrt(n) times as sure as one."""
    rng = np.random.default_rng(8)
    off, after = np.array([1.2, -0.9]), []
    for _ in range(200):
        state, errors = Drift(), []
        for k in range(4):
            place = rng.uniform(0.2, 0.8, 2) * SETUP.screen_px
            right, down = off + rng.normal(0, 0.3, 2)
            seen = gaze_off(right, down, place)
            state, _ = drift.look(state, 10.0 * k, SETUP, place, seen)
            errors.append(math.hypot(*(off - state.mean)))
        after.append(errors)
    one, _, _, four = np.median(after, axis=0)
    assert four < 0.7 * one


@pytest.mark.parametrize("does", [drift.look, drift.selected])
@pytest.mark.parametrize(
    "target", [(math.nan, 540.0), (960.0, math.inf), (None, None), "ab", (), (1.0,)]
)
def test_a_target_that_is_no_place_moves_nothing(does: Any, target: Any) -> None:
    state, _ = does(Drift(), 0.0, SETUP, target, gaze_off(0.5, 0.5), policy=LEARN)
    assert state == Drift()


@pytest.mark.parametrize("sd_deg", [math.nan, math.inf, 1e300, -1.0, 0.0])
def test_any_sd_leaves_numbers(sd_deg: float) -> None:
    state = Drift()
    for k in range(5):
        for does in (drift.look, drift.selected):
            gaze = gaze_off(1.5, 0.5)
            state, _ = does(state, float(k), SETUP, CENTRE, gaze, sd_deg, policy=LEARN)
    values = (*state.offset, *state.mean, state.variance)
    assert np.isfinite(values).all()
    assert state.variance > 0


def test_a_look_at_something_else_moves_nothing() -> None:
    state, changes = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(12.0, 0.0))
    assert state == Drift()
    assert "too far to follow" in changes[0].text


def test_a_coarse_tracker_may_be_moved_further() -> None:
    """Bounded by its own sd, and by twice the bound whatever it says of itself."""
    fine, coarse, absurd = (Policy().bound(sd) for sd in (0.4, 1.8, 50.0))
    assert (fine, coarse, absurd) == (3.0, 4.5, 6.0)
    assert Policy().bound(math.nan) == 3.0
    state, _ = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(7.0, 0.0), sd_deg=1.6)
    assert math.hypot(*state.offset) == pytest.approx(4.0)


def test_one_look_of_a_coarse_tracker_asks_for_a_second_unless_sure() -> None:
    """Common practice, no source: what may be chance is looked at twice."""
    off = gaze_off(3.6, 0.0)
    once, (kept,) = drift.look(Drift(), 0.0, SETUP, CENTRE, off, sd_deg=1.6)
    assert (once.offset, kept.kind) == (NONE, "kept")
    assert "look at another target to make sure" in kept.text
    twice, (moved,) = drift.look(once, 5.0, SETUP, CENTRE, off, sd_deg=1.6)
    assert moved.kind == "re-centred"
    assert twice.offset[1] == pytest.approx(0.0)
    # Source: literature.md section 2, shrinkage, of two looks' mean: tau 2, its noise
    # (0.3² + 1.6²) / 2; a little less, for they may still be chance.
    tau, noise = 2.0**2, (0.3**2 + 1.6**2) / 2
    assert 0.8 * 3.6 * tau / (tau + noise) < twice.offset[0] < 3.6 * tau / (tau + noise)
    # A second look that does not say so: the first was chance.
    again, (kept,) = drift.look(
        once, 5.0, SETUP, CENTRE, gaze_off(-2.5, 0.0), sd_deg=1.6
    )
    assert (again.offset, kept.kind, again.asked) == (NONE, "kept", None)
    # Too late to be the second: it is asked for anew.
    late, (kept,) = drift.look(once, 700.0, SETUP, CENTRE, off, sd_deg=1.6)
    assert (late.offset, kept.kind) == (NONE, "kept")
    # A fine tracker that is off by so much has moved, and one look says so.
    fine, _ = drift.look(Drift(), 0.0, SETUP, CENTRE, off, sd_deg=0.4)
    assert fine.offset[0] == pytest.approx(3.0)
    # So has a coarse one that is off by far more than its own sd.
    far, _ = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(6.5, 0.0), sd_deg=1.6)
    assert far.offset[0] > 3.0


def selections(
    state: Drift, off: tuple[float, float], count: int, seed: int, policy: Policy
) -> tuple[Drift, list[Change]]:
    rng = np.random.default_rng(seed)
    log: list[Change] = []
    for k in range(count):
        target = rng.uniform(0.1, 0.9, 2) * SETUP.screen_px
        aim = np.array(off) + rng.normal(0, 0.5, 2)
        if rng.random() < 0.1:  # a key that was not looked at
            aim = rng.uniform(-15, 15, 2)
        gaze = gaze_off(aim[0], aim[1], target)
        state, changes = drift.selected(
            state, 3.0 * k, SETUP, target, gaze, policy=policy
        )
        log += changes
    return state, log


def test_selections_teach_the_offset_in_spite_of_wild_ones() -> None:
    state, log = selections(Drift(), (1.0, -0.8), 80, 1, LEARN)
    assert state.offset == pytest.approx((1.0, -0.8), abs=0.4)
    assert all(change.kind == "learned" for change in log)


def test_false_alarms_on_a_mapping_that_fits() -> None:
    """An hour of selections every 3 s, 10 times, a tenth of them wild."""
    moves = sum(len(selections(Drift(), NONE, 1200, s, LEARN)[1]) for s in range(10))
    assert moves / 10 <= 1.0


def test_watching_only_tells_once_and_moves_nothing() -> None:
    state, log = selections(Drift(), (1.5, 0.0), 60, 2, Policy())
    assert state.offset == NONE
    assert [change.kind for change in log] == ["disagrees"]
    assert "look once at a target" in log[0].text


ANGLE = st.floats(-40, 40)
STEP = st.one_of(
    st.tuples(st.just("look"), ANGLE, ANGLE),
    st.tuples(st.just("select"), ANGLE, ANGLE),
    st.tuples(st.just("lost"), ANGLE, ANGLE),
    st.tuples(st.just("undo"), ANGLE, ANGLE),
)


def step(
    state: Drift, kind: str, x: float, y: float, now: float, policy: Policy
) -> Any:
    if kind == "undo":
        return drift.undo(state, now, everything=x > 20)
    gaze = gaze_off(x, y) if kind != "lost" else np.full((5, 2), np.nan)
    does = drift.selected if kind == "select" else drift.look
    return does(state, now, SETUP, CENTRE, gaze, policy=policy)


@settings(max_examples=200, deadline=None)
@given(st.lists(STEP, max_size=40), st.booleans(), st.floats(0.5, 5.0))
def test_never_silently_never_beyond_the_bound_always_undone(
    steps: list[tuple[str, float, float]], learn: bool, bound: float
) -> None:
    policy = Policy(learn=learn, bound_deg=bound)
    state, stack = Drift(), [NONE]
    for k, (kind, x, y) in enumerate(steps):
        before = state
        state, changes = step(state, kind, x, y, float(k), policy)
        assert math.hypot(*state.offset) <= bound
        moved = [change for change in changes if change.before != change.after]
        assert (state.offset != before.offset) == bool(moved)
        for change in moved:
            assert (change.before, change.after) == (before.offset, state.offset)
            assert change.text
            assert change.row()["after_deg"] == list(state.offset)
        if kind == "undo":
            stack = stack[:1] if x > 20 else stack[:-1] or stack
        elif moved:
            stack.append(state.offset)
        assert state.offset == stack[-1]  # to the last bit
    while len(state.offsets) > 1:
        state, changes = drift.undo(state, 0.0)
        assert len(changes) == 1
    assert state.offset == NONE


def test_beyond_the_bound_it_asks_for_a_calibration() -> None:
    state, changes = drift.look(Drift(), 0.0, SETUP, CENTRE, gaze_off(5.0, 0.0))
    assert math.hypot(*state.offset) == pytest.approx(3.0)
    assert "calibrate anew" in changes[0].text


@pytest.fixture(scope="module")
def recording() -> Recording:
    person = simulation.person(tracker="screen", seed=4)
    points = [(x, y) for x in (192, 960, 1728) for y in (108, 540, 972)]
    rec: Recording = simulation.record(person, points, seed=1, seconds_per_point=1.2)[0]
    return rec


def test_a_recentred_mapping_is_a_mapping(recording: Recording) -> None:
    mapping = fit(recording)
    moved = drift_mapping.Recentred(mapping=mapping, offset=(0.5, -0.25))
    plain, gaze = mapping.apply(recording.samples), moved.apply(recording.samples)
    assert moved.id != mapping.id
    assert 0 < moved.id < 2**31
    assert moved.channels == mapping.channels
    there = np.isfinite(plain.xy).all(axis=1)
    back = px_to_angles(recording.setup, plain.xy[there]) - px_to_angles(
        recording.setup, gaze.xy[there]
    )
    assert back == pytest.approx(np.broadcast_to([0.5, -0.25], back.shape))
    assert np.isnan(gaze.xy[~there]).all()
    one = moved.apply(recording.samples[7:8])
    assert np.array_equal(one.xy, gaze.xy[7:8], equal_nan=True)
    assert drift_mapping.corrected(mapping, Drift()) is mapping


def test_an_offset_that_is_no_number_is_refused(recording: Recording) -> None:
    with pytest.raises(InputError):
        drift_mapping.Recentred(mapping=fit(recording), offset=(math.nan, 0.0))


def test_a_reference_survives_as_text(recording: Recording) -> None:
    found = drift_reference.reference(recording)
    again = Reference.from_text(found.to_text())
    assert again.levels.keys() == found.levels.keys()
    for name, level in found.levels.items():
        assert again.levels[name].mean == pytest.approx(level.mean, rel=1e-5)
    assert {"distance", "side", "pupil", "noise left"} <= found.levels.keys()
    assert len(found.to_text()) < 2000


@pytest.mark.parametrize("text", ["", "[]", "{", '{"a": [1]}', '{"a": ["x",1,1,"mm"]}'])
def test_a_damaged_reference_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="new calibration"):
        Reference.from_text(text)


def signs_of(values: list[float], usual: Level, name: str) -> list[str]:
    state = drift_signs.Signs(reference=Reference(levels={name: usual}))
    told: list[str] = []
    for value in values:
        state, new = drift_signs.observe(state, {name: replace(usual, mean=value)})
        told += new
    return told


def test_a_sign_is_told_once_and_when_it_has_gone() -> None:
    usual = Level(mean=600.0, sd=5.0, unit="mm", mm=1.0)
    told = signs_of([600.0] * 5 + [720.0] * 50 + [600.0] * 40, usual, "distance")
    assert len(told) == 2
    assert "11 cm from where it was calibrated" in told[0]  # still on its way to 12
    assert "again" in told[1]


def pupils_told(widths: list[float], usual: float = 6.0) -> list[int]:
    """Blocks, of those with these widths, in which a sign of the pupils came up."""
    reference = Reference(levels={"pupil": Level(mean=usual, sd=0.0, unit="mm")})
    signs, told = drift_signs.Signs(reference=reference), []
    for k, width in enumerate(widths):
        block = {"pupil": Level(mean=width, sd=0.0, unit="mm")}
        signs, texts = drift_signs.observe(signs, block)
        told += [k] * len(texts)
    return told


def test_the_pupils_usual_width_is_learned_a_little() -> None:
    """The limit is 0.75 mm for wide pupils; up to a third of it, 0.25, is learned."""
    # The calibration saw them 0.2 mm too narrow; 0.9 more than there are 0.7 by now.
    assert pupils_told([6.2] * 60 + [6.9] * 60) == []
    # The level takes 6 blocks over the limit, 0.9 (1 - 0.7^6) > 0.75, and holds for 36.
    assert pupils_told([6.0] * 60 + [6.9] * 60) == [60 + 5 + 35]
    # What is far off from the start is told all the same.
    assert pupils_told([7.1] * 60) == [35]
    # Later nothing is learned: slow changes count in full.
    slow = [6.0] * 60 + [6.0 + 0.005 * k for k in range(240)]
    assert pupils_told(slow) != []


def test_the_pupil_counts_by_half_a_millimetre_or_a_tenth() -> None:
    """Source: literature.md section 3: 0.5 mm or 10 %, whichever is less; told from
    half as much again on, by the false alarms measured in tests/benchmarks/drift.py."""
    wide = Level(mean=6.0, sd=0.1, unit="mm")
    assert drift_signs.far("pupil", wide, 6.0 + 0.75) == pytest.approx(1.0)
    small = Level(mean=3.0, sd=0.1, unit="mm")
    assert drift_signs.far("pupil", small, 3.0 - 0.45) == pytest.approx(1.0)


def test_levels_of_another_unit_say_nothing() -> None:
    usual = Level(mean=600.0, sd=5.0, unit="mm", mm=1.0)
    state = drift_signs.Signs(reference=Reference(levels={"distance": usual}))
    for _ in range(30):
        block = {"distance": Level(mean=9.0, sd=0.0, unit="relative")}
        state, told = drift_signs.observe(state, block)
        assert not told


def hook_of(recording: Recording, policy: Policy = LEARN) -> DriftHook:
    mapping = fit(recording)
    reference = drift_reference.reference(recording)
    return DriftHook(mapping, recording.channels, reference, policy)


def test_signs_of_a_fast_tracker_are_read_in_some_of_its_rows(
    recording: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Gaze waits meanwhile: of 2,000 rows a block needs no more than 300."""
    sizes: list[int] = []
    levels = drift_reference.levels

    def noted(time: NDArray[np.float64], *rest: Any) -> dict[str, Level]:
        sizes.append(len(time))
        return levels(time, *rest)

    hook = hook_of(recording)
    monkeypatch.setattr(drift_reference, "levels", noted)
    for start_s in np.arange(0.0, 6.0, 0.1):
        time = start_s + np.arange(100) / 1000.0
        hook.samples(
            time, np.repeat(recording.samples[:1], 100, axis=0), float(start_s)
        )
    assert len(sizes) >= 2
    assert all(200 < size <= drift_hook.MOST_ROWS for size in sizes)


def test_the_hook_recentres_on_one_look_and_goes_back(recording: Recording) -> None:
    """The look's place is given 2 degrees off what the person looked at."""
    hook = hook_of(recording)
    row = recording.targets[4]
    hook.samples(recording.time, recording.samples, 0.0)
    hook._kept.clear()
    part = recording.time <= row["offset"]
    hook.samples(recording.time[part], recording.samples[part], 0.0)
    hv = px_to_angles(recording.setup, [row["x"], row["y"]])
    x, y = angles_to_px(recording.setup, hv - [1.6, 1.2])[0]
    event = {"role": "recentre", "x": x, "y": y}
    assert not hook.mark({**event, "event": "target_on"}, row["onset"], 1.0)
    told = hook.mark({**event, "event": "target_off"}, row["offset"], 2.0)
    assert len(told) == 1
    assert "re-centred" in told[0].text
    assert hook.state.offset == pytest.approx((1.6, 1.2), abs=0.8)
    assert hook.mapping.id != fit(recording).id
    assert hook.log[-1].after == hook.state.offset
    assert hook.undo(3.0)
    assert hook.mapping.id == fit(recording).id


@pytest.mark.parametrize(
    "event",
    [
        {},
        {"event": "selected"},
        {"event": "selected", "x": "a", "y": None},
        {"event": "selected", "x": math.nan, "y": 1.0},
        {"event": "selected", "x": [1], "y": {}},
        {"event": "target_off", "role": "recentre", "x": 1, "y": 1},
        {"event": "target_on", "role": "calibration", "x": 1, "y": 1},
        {"event": 7},
    ],
)
def test_odd_markers_move_nothing(event: dict[str, Any], recording: Recording) -> None:
    hook = hook_of(recording)
    hook.samples(recording.time[:100], recording.samples[:100], 0.0)
    hook.mark(event, float(recording.time[99]), 0.0)
    assert hook.state.offset == NONE


def test_the_hook_notices_a_head_that_moved(recording: Recording) -> None:
    hook = hook_of(recording)
    samples = recording.samples.copy()
    depth = [k for k, c in enumerate(recording.channels) if c.type == "PositionZ"]
    samples[:, depth] += 150.0
    told: list[Notice] = []
    shift = float(np.ptp(recording.time)) + 0.02
    for part in range(3):
        for k in range(0, len(samples), 6):
            time = recording.time[k : k + 6] + part * shift
            told += hook.samples(time, samples[k : k + 6], float(time[-1]))
    texts = [notice.text for notice in told if "the head is" in notice.text]
    assert len(texts) == 1
    assert hook.state.offset == NONE


def test_the_hook_keeps_little(recording: Recording) -> None:
    hook = hook_of(recording)
    for k in range(2000):
        hook.samples(np.array([k / 50.0]), recording.samples[:1], 0.0)
    assert sum(len(times) for times, _ in hook._kept) < 300
