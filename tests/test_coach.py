"""The coach: one pattern at a time, never more than two changes, never the same again.

Outside sources: scipy.stats for the tests behind probabilities (Welch, paired t), the
published protocol model for every change. Patterns on simulated people repeat the
measurements that the thresholds come from; these are our judgement, no source.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibkit import language, simulation
from calibkit.errors import CallError
from calibkit.fitted.fitting import fit
from calibkit.fitted.person import TURNS_NOTE
from calibkit.geometry import Setup
from calibkit.judged import coach, coach_patterns, coach_words, still_fits
from calibkit.judged.assess_figures import (
    TARGET_FIELDS,
    Assessment,
    assembled,
    figures_of,
)
from calibkit.judged.assess_targets import assess
from calibkit.judged.behaviour import WATCH_DTYPE, Behaviour, watch
from calibkit.judged.coach_data import (
    MOST_CHANGES,
    OUTSIDE,
    Advice,
    Change,
    Goal,
    Tried,
    changed,
)
from calibkit.judged.coach_evidence import (
    evidence,
    more_probable,
    paired_probable,
    shift_of,
)
from calibkit.judged.keys import UsableKeys
from calibkit.kept import protocol as protocols

Array = NDArray[np.float64]
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(531.0, 299.0), distance_mm=600.0)
PLACES = np.array(
    [(x, y) for y in (0.15, 0.5, 0.85) for x in (0.1, 0.35, 0.65, 0.9)]
) * (1920, 1080)
BLAME = ("fail", "fault", "wrong", "bad ", "poor", "unable", "refus", "lazy")


def behaviour(**change: Any) -> Behaviour:
    """Twelve targets, calmly looked at; `change` sets columns or session figures."""
    rows = np.zeros(len(PLACES), WATCH_DTYPE)
    rows["x"], rows["y"] = PLACES.T
    rows["time"], rows["seconds"] = 2.5 * np.arange(len(rows)), 2.0
    rows["role"], rows["latency_s"] = "calibration", 0.5
    rows["loss"] = rows["loss_left"] = rows["loss_right"] = 0.02
    rows["head_mm"] = np.random.default_rng(1).normal(0.0, 3.0, (len(rows), 3))
    life = {"seconds": 30.0, "blinks_per_min": 10.0, "blink_s": 0.2, "shut": 0.02}
    for name, value in change.items():
        if name in life:
            life[name] = value
        else:
            rows[name] = value
    return Behaviour(targets=rows, **life)


def assessment(
    offsets: Array | None = None, spread: float = 0.2, step: float = 0.15, **eyes: float
) -> Assessment:
    """Check points with these offsets (12, 2), degrees; factors on an eye's error."""
    if offsets is None:
        offsets = np.random.default_rng(2).normal(0.0, 0.6, (len(PLACES), 2))
    found = {}
    for eye in ("left", "right", "both"):
        rows = np.zeros(len(PLACES), TARGET_FIELDS)
        rows["x"], rows["y"] = PLACES.T
        off = offsets * eyes.get(eye, 1.0)
        rows["offset_x_deg"], rows["offset_y_deg"] = off.T
        rows["accuracy_deg"] = np.hypot(*off.T)
        rows["precision_sd_deg"], rows["precision_rms_deg"] = spread, step
        rows["samples"], rows["seconds"], rows["looked"] = 200, 1.0, True
        rows["effective_samples"] = 10.0
        found[eye] = figures_of(rows, 0.02)
    about: dict[str, Any] = {"reasons": (), "gaze_px": (), "setup": SETUP}
    return assembled(
        found, **about, role="validation", rate_hz=60.0, measured_rate_hz=60.0
    )


def keys(rows: int, columns: int) -> UsableKeys:
    return UsableKeys(
        rows=rows,
        columns=columns,
        key_deg=(5.0, 5.0),
        key_mm=(50.0, 50.0),
        reliability=0.95,
        probability=0.96,
        worst=(0, 0),
        targets=12,
    )


def tried(
    life: Behaviour | None = None,
    result: Assessment | None = None,
    grid: tuple[int, int] = (2, 3),
    name: str = "standard",
    notes: tuple[str, ...] = (),
    **more: Any,
) -> Tried:
    """An attempt that misses the usual goal, unless something is said."""
    looks = np.ones(6, [("weight", "f8")])
    mapping: Any = SimpleNamespace(looks=looks, setup=SETUP, notes=notes)
    made = Tried(
        protocol=protocols.load(name),
        behaviour=life or behaviour(),
        mapping=mapping,
        result=result or assessment(),
        keys=keys(*grid),
    )
    return replace(made, **more)


def keys_changed(advice: Advice) -> list[str]:
    return [change.key for change in advice.changes]


def missed(count: int, seconds: float = 2.0) -> Behaviour:
    some = np.arange(len(PLACES)) < count
    return behaviour(missed=some, seconds=30.0) if seconds == 2.0 else _late(some)


def _late(some: NDArray[np.bool_]) -> Behaviour:
    life = behaviour(missed=some)
    rows = life.targets.copy()
    rows["seconds"] = np.where(some, 6.0, 2.0)
    return replace(life, targets=rows)


# One pattern at a time.


def test_good_enough_changes_nothing() -> None:
    advice = coach.advise(tried(grid=(4, 6)))
    assert (advice.kind, advice.changes) == ("keep", ())
    assert "4 rows of 6 keys" in advice.words


def test_a_larger_goal_is_not_met_by_few_keys() -> None:
    assert coach.advise(tried(grid=(4, 6)), goal=Goal(rows=5, columns=8)).kind != "keep"


SHIFT = np.array([1.5, 0.4])
ODD = np.random.default_rng(5).normal(0.0, 0.25, (12, 2))


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (tried(behaviour(loss=0.7, loss_left=0.7, loss_right=0.7)), ["seating"]),
        (tried(behaviour(loss_left=0.8)), ["data.eyes"]),
        (tried(behaviour(loss_left=1.0)), ["targets.points"]),
        (tried(notes=(TURNS_NOTE,)), ["data.eyes"]),
        (tried(missed(6)), ["pace.advance"]),
        (tried(fault="it is mirrored"), ["pace.advance"]),
        (tried(missed(6, 6.0)), ["targets.start_deg", "targets.pulse_hz"]),
        (tried(result=assessment(ODD + SHIFT)), ["targets.points"]),
        (tried(result=assessment(spread=0.6, step=0.2)), ["pace.hold_s"]),
        (tried(result=assessment(spread=0.6, step=0.8)), ["pace.hold_s"]),
        (tried(result=assessment(right=0.4)), ["data.eyes"]),
        (tried(), ["targets.points"]),
    ],
    ids=[
        *(
            "unseen",
            "one eye",
            "only one eye",
            "taking turns",
            "elsewhere",
            "no mapping",
            "unlooked",
            "shift",
        ),
        *("moving eyes", "noisy", "better eye", "too few points"),
    ],
)
def test_a_pattern_is_answered(made: Tried, expected: list[str]) -> None:
    advice = coach.advise(made)
    assert keys_changed(advice) == expected
    assert advice.changes[0].evidence
    assert advice.changes[0].reason in advice.words


@pytest.mark.parametrize("eye", ["left", "right"])
def test_of_eyes_that_take_turns_the_nearer_one_is_to_look(eye: str) -> None:
    """Common practice, no source; whoever treats the eyes allows covering one."""
    both = tried(result=assessment(None, 0.2, 0.15, **{eye: 0.95}), notes=(TURNS_NOTE,))
    (change,) = coach.advise(both).changes
    assert (change.key, change.new) == ("data.eyes", eye)
    assert f"the {eye} eye alone" in change.reason
    assert "covered" in change.reason
    assert "treats these eyes" in change.reason
    # With that done, and one eye alone, nothing is said of turns any more.
    alone = replace(both, protocol=changed(both.protocol, (change,)))
    assert "data.eyes" not in keys_changed(coach.advise(alone, [both]))
    with language.speaking("de"):
        assert "wechseln sich" in coach.advise(both).words


def test_tired_eyes_rest_first() -> None:
    sleepy = behaviour(shut=0.15, blinks_per_min=20.0, blink_s=0.4)
    advice = coach.advise(tried(sleepy))
    assert advice.kind == "rest"
    assert keys_changed(advice)[0] == "rest"


def test_after_a_rest_no_rest_again() -> None:
    sleepy = behaviour(shut=0.15, blinks_per_min=20.0, blink_s=0.4)
    advice = coach.advise(tried(sleepy, outside=("rest",)), [tried(sleepy)])
    assert "rest" not in keys_changed(advice)


def test_slow_looks_get_more_time() -> None:
    slow = _late(np.arange(12) < 1)
    rows = slow.targets.copy()
    rows["latency_s"] = 1.2
    advice = coach.advise(tried(replace(slow, targets=rows)))
    assert keys_changed(advice) == ["pace.limit_s"]
    assert advice.changes[0].new > advice.changes[0].old


def test_slow_looks_with_a_timer_are_held_longer() -> None:
    chosen = protocols.load("standard", ["pace.advance=timer"])
    advice = coach.advise(tried(behaviour(latency_s=1.2), protocol=chosen))
    assert keys_changed(advice) == ["pace.hold_s"]


def test_lost_lower_points_are_drawn_in() -> None:
    low = PLACES[:, 1] > 800
    life = behaviour(
        loss=np.where(low, 0.5, 0.02) + 0.01 * np.arange(12),
        time=2.5 * np.random.default_rng(4).permutation(12),
    )
    advice = coach.advise(tried(life))
    assert keys_changed(advice) == ["targets.area"]
    assert "lower" in advice.changes[0].reason
    assert advice.changes[0].new[1] < advice.changes[0].old[1]


def test_a_moving_head_is_about_seating() -> None:
    life = behaviour(head_mm=np.random.default_rng(1).normal(0, 25.0, (12, 3)))
    advice = coach.advise(tried(life))
    assert keys_changed(advice)[0] == "seating"
    assert advice.changes[0].evidence[0].unit == "mm"


def test_a_shift_is_taken_off_the_mapping_made_now() -> None:
    advice = coach.advise(tried(result=assessment(ODD + SHIFT)))
    assert advice.own_mapping
    assert advice.changes[0].new == ((0.5, 0.5),)


def test_without_a_helper_no_key_is_asked_for() -> None:
    advice = coach.advise(tried(missed(6)), helper=False)
    assert "pace.advance" not in keys_changed(advice)


def test_what_is_left_alone_is_said_with_its_reason() -> None:
    advice = coach.advise(tried(result=assessment(spread=0.6, step=0.2)))
    said = {kept.key: kept.reason for kept in advice.kept}
    assert {"targets.points", "pace.limit_s", "seating", "targets.area"} <= set(said)
    assert not set(said) & set(keys_changed(advice))
    assert "12 targets" in said["targets.points"]


def test_a_mapping_that_fits_as_before_is_told_so() -> None:
    then = assessment(ODD)
    again = assessment(ODD + np.random.default_rng(6).normal(0.0, 0.05, ODD.shape))
    fit = still_fits.compare(again, then)
    assert fit is not None
    assert fit.fits
    assert "fits as it did" in still_fits.said(fit)


def test_one_that_has_moved_is_told_with_what_corrects_it() -> None:
    fit = still_fits.compare(assessment(ODD + SHIFT), assessment(ODD))
    assert fit is not None
    assert not fit.fits
    assert fit.shift_deg == pytest.approx(np.hypot(*SHIFT), abs=0.3)
    said = still_fits.said(fit)
    assert "less well" in said
    assert "--protocol offset" in said
    assert not any(word in said for word in BLAME)


# Our judgement: what a single target cannot tell is not said to be well.
@pytest.mark.parametrize("count", [1, 2])
def test_what_few_targets_cannot_tell_is_not_called_a_fit(count: int) -> None:
    then, now = assessment(ODD), assessment(ODD * np.tile([[1.0], [6.0]], (6, 1)))
    few = [replace(one, targets=one.targets[:count]) for one in (now, then)]
    fit = still_fits.compare(*few)
    assert fit is not None
    assert fit.unsure
    said = still_fits.said(fit)
    assert "fits" not in said
    assert "may be chance" in said
    assert f"{fit.now_deg:.1f}° off now" in said


def test_one_that_is_off_in_all_directions_is_calibrated_again() -> None:
    off = assessment(np.random.default_rng(8).normal(0.0, 2.0, (12, 2)))
    said = still_fits.said(still_fits.compare(off, assessment(ODD)))
    assert "calibrate again" in said
    assert "offset" not in said


def test_where_nothing_was_checked_then_nothing_is_compared() -> None:
    assert still_fits.compare(assessment(), None) is None
    nothing = replace(assessment(), accuracy_deg=float("nan"))
    assert still_fits.compare(nothing, assessment()) is None
    assert still_fits.said(None) == ""


# Over several attempts.


def test_three_tries_are_enough() -> None:
    before = [tried(), tried(result=assessment(spread=0.6, step=0.2))]
    advice = coach.advise(tried(grid=(2, 4)), before)
    assert (advice.kind, advice.changes) == ("end", ())
    assert "2 rows of 4 keys" in advice.words


def test_an_earlier_try_that_gave_more_is_remembered() -> None:
    advice = coach.advise(tried(grid=(1, 2)), [tried(grid=(3, 4)), tried()])
    assert "3 rows of 4 keys" in advice.words
    assert "earlier" in advice.words


def test_looks_that_do_not_fit_together_matter_more_than_a_blind_eye() -> None:
    blind = behaviour(loss_left=0.9)
    advice = coach.advise(tried(blind, fault="it is mirrored", grid=(0, 0)))
    assert keys_changed(advice) == ["pace.advance"]
    by_key = protocols.load("standard", ["pace.advance=key"])
    again = coach.advise(tried(blind, fault="it is mirrored", protocol=by_key))
    assert keys_changed(again) == ["data.eyes"]


def test_checks_waited_for_in_vain_speak_against_the_looks_before_them() -> None:
    """Six looks elsewhere that agree: the person is not told to look harder."""
    checks = np.arange(12) % 2 == 1
    life = _late(checks)
    rows = life.targets.copy()
    rows["role"][checks] = "validation"
    far = assessment(np.random.default_rng(3).normal(0.0, 8.0, (12, 2)))
    made = tried(replace(life, targets=rows), far)
    assert keys_changed(coach.advise(made)) == ["pace.advance"]
    assert "do not fit together" in coach.advise(made).words
    # A person who missed as many before is one who does not find the targets.
    rows["missed"] = np.arange(12) % 4 < 2
    rows["seconds"] = np.where(rows["missed"], 6.0, 2.0)
    made = tried(replace(life, targets=rows), far)
    assert keys_changed(coach.advise(made))[0] == "targets.start_deg"


def test_of_an_eye_that_is_not_seen_nothing_is_said() -> None:
    blind = behaviour(loss_left=1.0)
    advice = coach.advise(tried(blind, assessment(spread=0.6), fault="it folds"))
    assert "data.eyes" not in {kept.key for kept in advice.kept}
    assert not any(f.where for change in advice.changes for f in change.evidence)


def test_where_nothing_helps_and_no_key_was_gained_none_is_promised() -> None:
    by_key = protocols.load("wide", ["pace.advance=key"])
    advice = coach.advise(tried(fault="it is mirrored", grid=(0, 0), protocol=by_key))
    assert advice.kind == "end"
    assert "keys" not in advice.words
    assert "no sign of inability" in advice.words


def test_long_looking_ends_before_the_goal_is_lowered() -> None:
    """Five minutes of looking are the end, whatever was gained until then."""
    long = [tried(missed(8, 9.0), grid=(0, 0), fault="it folds") for _ in range(3)]
    long = [replace(t, behaviour=replace(t.behaviour, seconds=110.0)) for t in long]
    assert coach.advise(long[2], long[:2]).kind == "end"
    assert "6 minutes" in coach.advise(long[2], long[:2]).words
    gained = replace(long[0], fault="", keys=tried(grid=(1, 1)).keys)
    advice = coach.advise(long[2], [gained, long[1]])
    assert "the whole screen as one key. That can be used now" in advice.words
    assert "go back" in advice.words


def test_one_row_is_one_row() -> None:
    advice = coach.advise(tried(grid=(1, 2)), [tried(grid=(1, 1))] * 2)
    assert "1 row of 2 keys" in advice.words


def test_a_whole_screen_is_no_plural_in_german_either() -> None:
    with language.speaking("de"):
        said = [coach_words.keep(1, 1), coach_words.lower(1, 1), coach_words.end(1, 1)]
    for text in said:  # a nominative: what stands before it is a colon
        assert ": der ganze Bildschirm als eine Taste. " in text
        assert "können" not in text


def test_three_tries_without_a_key_lower_the_goal() -> None:
    nothing = tried(missed(8), grid=(0, 0), fault="it is mirrored")
    advice = coach.advise(nothing, [nothing, nothing])
    assert advice.kind == "lower"
    assert advice.goal.rows * advice.goal.columns < Goal().rows * Goal().columns
    made = changed(nothing.protocol, advice.changes)
    assert made != nothing.protocol


lives = st.builds(
    lambda **columns: behaviour(**columns),
    missed=st.lists(st.booleans(), min_size=12, max_size=12).map(np.array),
    loss=st.floats(0, 1),
    loss_left=st.floats(0, 1),
    loss_right=st.floats(0, 1),
    latency_s=st.one_of(st.just(np.nan), st.floats(0.1, 5.0)),
    shut=st.floats(0, 0.5),
    blinks_per_min=st.floats(0, 60),
    blink_s=st.floats(0.06, 1.0),
    seconds=st.floats(5, 200),
)
attempts = st.builds(
    lambda life, seed, scale, spread, grid, name, fault: tried(
        life,
        assessment(np.random.default_rng(seed).normal(0.3, scale, (12, 2)), spread),
        grid,
        name,
        fault=fault,
    ),
    lives,
    st.integers(0, 99),
    st.floats(0.05, 10.0),
    st.floats(0.05, 3.0),
    st.sampled_from([(0, 0), (1, 2), (2, 4), (4, 5), (5, 8)]),
    st.sampled_from(["quick", "standard", "full", "glide", "short-attention"]),
    st.sampled_from(["", "it is mirrored"]),
)


@given(attempts, st.lists(attempts, max_size=4))
@settings(max_examples=80, deadline=None)
def test_whatever_happens(now: Tried, earlier: list[Tried]) -> None:
    """At most two changes, all valid; never a fourth try of the same; no blame."""
    advice = coach.advise(now, earlier)
    assert len(advice.changes) <= MOST_CHANGES
    made = changed(now.protocol, advice.changes)  # the model refuses what is invalid
    inside = [c for c in advice.changes if c.key not in OUTSIDE]
    for change in inside:
        table, name = change.key.split(".")
        assert getattr(getattr(now.protocol, table), name) == change.old
        assert getattr(getattr(made, table), name) == change.new
    if inside and len(advice.changes) == len(inside):
        assert not coach.is_tried(made, (*earlier, now))
    if len(earlier) + 1 >= coach.TRIES:
        assert advice.kind in ("keep", "lower", "end")
    if len(earlier) + 1 > coach.TRIES:
        assert advice.kind in ("keep", "end")
    if advice.kind in ("keep", "end"):
        assert not advice.changes
    said = " ".join([advice.words, *(kept.reason for kept in advice.kept)]).lower()
    said = said.replace("a failed calibration is no sign of inability", "")
    assert not [word for word in BLAME if word in said]


def test_following_the_coach_comes_to_an_end() -> None:
    """Whatever it advises, five attempts are never exceeded."""
    earlier: list[Tried] = []
    chosen = protocols.load("standard")
    for _ in range(6):
        now = tried(missed(8), grid=(0, 0), fault="it is mirrored", protocol=chosen)
        advice = coach.advise(now, earlier)
        earlier.append(now)
        if advice.kind in ("keep", "end"):
            break
        chosen = changed(chosen, advice.changes)
    assert advice.kind == "end"
    assert len(earlier) <= coach.TRIES + 1
    shown = [t.protocol.model_dump_json() for t in earlier]
    assert len(set(shown)) == len(shown)


def test_three_changes_are_refused() -> None:
    one = Change(key="pace.hold_s", old=1.0, new=2.0, reason="")
    with pytest.raises(CallError, match="3 changes"):
        Advice(kind="change", words="", changes=(one,) * 3, kept=(), goal=Goal())


# Comparing.


@given(st.integers(0, 999), st.floats(0.3, 3.0))
@settings(max_examples=30, deadline=None)
def test_probabilities_are_those_of_t_tests(seed: int, factor: float) -> None:
    """Source: scipy.stats ttest_ind(equal_var=False) and ttest_rel, one-sided."""
    from scipy.stats import ttest_ind, ttest_rel

    rng = np.random.default_rng(seed)
    one, other = rng.gamma(2.0, 0.4, 9), factor * rng.gamma(2.0, 0.4, 9)
    welch = ttest_ind(one, other, equal_var=False, alternative="greater").pvalue
    assert more_probable(one, other) == pytest.approx(1 - welch, abs=1e-9)
    paired = ttest_rel(one, other, alternative="greater").pvalue
    assert paired_probable(one, other) == pytest.approx(1 - paired, abs=1e-9)


def test_attempts_compare_with_doubt() -> None:
    good, bad = tried(result=assessment(ODD)), tried(result=assessment(6 * ODD))
    assert coach.compare(good, bad).verdict == "better"
    assert coach.compare(bad, good).verdict == "worse"
    rng = np.random.default_rng(8)
    like = tried(result=assessment(rng.permutation(ODD)))
    assert coach.compare(good, like).verdict == "can't tell"


def test_a_mapping_is_better_than_none() -> None:
    assert coach.compare(tried(), tried(fault="it is mirrored")).verdict == "better"
    none = tried(fault="it is mirrored")
    assert coach.compare(none, none).verdict == "can't tell"


def test_what_was_not_checked_is_not_called_worse() -> None:
    unchecked = replace(tried(), result=None, keys=None)
    assert coach.compare(unchecked, tried()).verdict == "can't tell"
    assert coach.compare(tried(), unchecked).verdict == "can't tell"


def test_comparing_is_fair_both_ways() -> None:
    one, other = tried(result=assessment(ODD)), tried(result=assessment(2 * ODD))
    total = coach.compare(one, other).better + coach.compare(other, one).better
    assert total == pytest.approx(1.0)


def test_a_shift_is_only_seen_where_it_is_likely() -> None:
    """Source: Hotelling's T² holds its level: 5 % of unshifted samples or so."""
    rng = np.random.default_rng(3)
    sure = [
        shift_of(assessment(rng.normal(0.0, 0.5, (12, 2))))[2] > 0.95
        for _ in range(400)
    ]
    assert 0.02 < np.mean(sure) < 0.09  # 0.05 within three standard errors


# On simulated people of each kind.


@pytest.fixture(scope="module")
def people() -> dict[str, Any]:
    found = {}
    kinds = ("steady", "one-eye", "nystagmus", "slow", "sleepy", "head-mover")
    for kind in (*kinds, "alternating"):
        # Raw features without a prior do not tell whose looks they are.
        tracker = "screen" if kind == "alternating" else "pupil-reflex"
        person = simulation.person(tracker=tracker, kind=kind, seed=1)
        points = np.array([(x, y) for y in (100, 540, 980) for x in (150, 960, 1770)])
        checks = PLACES[[1, 2, 5, 6, 8, 10]]
        rec, _, _ = simulation.record(
            person,
            np.vstack([points, checks]),
            seed=1,
            seconds_per_point=2.5,
            roles=["calibration"] * len(points) + ["validation"] * len(checks),
        )
        mapping = fit(rec)
        result = assess(mapping, rec)
        found[kind] = evidence(
            Tried(
                protocol=protocols.load("standard"),
                behaviour=watch(rec, mapping, result),
                mapping=mapping,
                result=result,
            )
        )
    return found


def test_kinds_are_told_apart(people: dict[str, Any]) -> None:
    steady = people["steady"]
    assert min(people["one-eye"].loss_left, people["one-eye"].loss_right) < 0.2
    assert max(people["one-eye"].loss_left, people["one-eye"].loss_right) == 1.0
    assert people["nystagmus"].spread_deg >= coach_patterns.UNSTEADY_DEG
    assert steady.spread_deg < coach_patterns.UNSTEADY_DEG
    assert people["nystagmus"].trembling < coach_patterns.TREMBLING
    assert people["slow"].latency_s > steady.latency_s + 0.15
    assert people["sleepy"].behaviour.shut > 2 * steady.behaviour.shut
    assert people["head-mover"].head_mm >= coach_patterns.HEAD_MM
    assert steady.head_mm < coach_patterns.HEAD_MM
    assert people["alternating"].turns in ("left", "right")
    assert not any(people[kind].turns for kind in people if kind != "alternating")


def test_a_steady_person_shows_no_pattern(people: dict[str, Any]) -> None:
    protocol = protocols.load("wide")
    found = [pattern(people["steady"], protocol, True) for pattern in
             coach_patterns.PATTERNS]  # fmt: skip
    assert [f.name for f in found if f is not None] == []


@pytest.mark.parametrize("verdict", ["better", "worse"])
def test_no_comparison_is_said_to_be_certain(verdict: str) -> None:
    """Source: Cromwell's rule (Lindley 1985, Making Decisions; from memory)."""
    assert "99%" in coach_words.compared(verdict, 0.99999)
    assert "96%" in coach_words.compared(verdict, 0.96)
    assert "99%" in coach_words.better_eye("left", 0.4, 0.6, 1.0)
