"""The pointing trial: published figures, dwell by hand, and what it must never do.

Outside sources: "literature 33-37" are the project's check values (method of ISO/TS
9241-411:2012; Soukoreff and MacKenzie 2004, from memory; Wilson 1927); statsmodels for
Wilson intervals, scipy for the sum of unequal chances. The rest follows from geometry.
"""

from __future__ import annotations

import json
import math
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibkit import simulation
from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.fitted.features import layout
from calibkit.geometry import Setup
from calibkit.joined import run_headless
from calibkit.joined.run import Memory, run_session
from calibkit.judged.keys_predict import Prediction
from calibkit.panel.board import Board
from calibkit.session import pointing_choice as choice
from calibkit.session import session_words as words
from calibkit.session.pointing import Pointing, Trial
from calibkit.session.pointing_again import asks_of
from calibkit.session.pointing_asks import (
    WIDTH_SD,
    Ask,
    ask_of,
    effective_difficulty,
    offsets,
    throughput,
)
from calibkit.session.pointing_dwell import LOST_S, Chosen, Dwell
from calibkit.session.pointing_grid import Grid
from calibkit.session.pointing_judge import judge
from calibkit.session.pointing_result import (
    more_trials,
    recommend,
    summarise,
    went_well,
)
from calibkit.session.pointing_words import describe

Array = NDArray[np.float64]
SCREEN = tuple(
    Channel(label=axis, eye="both", type=f"Screen{axis}", unit="pixels")
    for axis in "XY"
)
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(531.0, 299.0), distance_mm=650.0)
NOWHERE = (math.nan, math.nan)


def ask(
    rows: int = 2,
    columns: int = 3,
    aim: tuple[int, int] = (0, 0),
    outcome: str = "hit",
    off_px: tuple[float, float] = (0.0, 0.0),
    start_px: tuple[float, float] = NOWHERE,
    seconds: float = 1.2,
) -> Ask:
    x, y = Grid(setup=SETUP, rows=rows, columns=columns).centre(aim)
    gaze = NOWHERE if outcome == "none" else (x + off_px[0], y + off_px[1])
    return Ask(
        rows=rows,
        columns=columns,
        dwell_s=0.8,
        aim=aim,
        target_px=(x, y),
        start_px=start_px,
        outcome=outcome,
        seconds=seconds,
        gaze_px=gaze,
        variance_deg2=(0.02, 0.02),
        worth=8.0,
    )


# Figures.


def test_effective_width_and_difficulty() -> None:
    """Source: literature 33, 34 (D 400, SD 12: 49.596 and 3.18033 bits)."""
    width, bits = effective_difficulty(400.0, 12.0)
    assert width == pytest.approx(49.596, abs=1e-3)
    assert bits == pytest.approx(3.18033, abs=1e-4)
    assert pytest.approx(math.sqrt(2 * math.pi * math.e), abs=1e-3) == WIDTH_SD


def test_throughput_of_the_worked_example() -> None:
    """Source: literature 33: D 400, SD 12, MT 1.2 s give 2.65028 bit/s."""
    grid = Grid(setup=SETUP, rows=1, columns=3)
    x, y = grid.centre((0, 1))
    # Three ends with a sample SD of 12 along the axis, on average at the aim.
    made = [
        ask(1, 3, (0, 1), off_px=(off, 30.0), start_px=(x - 400.0, y))
        for off in (-12.0, 0.0, 12.0)
    ]
    found = throughput(made)
    assert found.bits_per_s == pytest.approx(2.65028, abs=1e-4)
    assert found.bits_per_s_without_dwell == pytest.approx(3.18033 / 0.4, abs=1e-3)
    assert (found.selections, found.grids) == (3, 1)


def test_only_error_along_the_task_axis_counts() -> None:
    """Source: ISO/TS 9241-411, method of: SD of error projected on the task axis."""
    x, y = Grid(setup=SETUP, rows=1, columns=3).centre((0, 1))
    still = [
        ask(1, 3, (0, 1), off_px=(o, 0.0), start_px=(x - 400, y)) for o in (-9, 0, 9)
    ]
    wild = [
        ask(1, 3, (0, 1), off_px=(o, v), start_px=(x - 400, y))
        for o, v in ((-9, 80), (0, -50), (9, 10))
    ]
    assert throughput(still).bits_per_s == pytest.approx(throughput(wild).bits_per_s)


def test_two_selections_give_no_throughput() -> None:
    assert math.isnan(throughput([ask(start_px=(900, 900))] * 2).bits_per_s)


@pytest.mark.parametrize(("share", "expected"), [(0.8, 16), (0.9, 35)])
def test_trials_that_settle_a_share(share: float, expected: int) -> None:
    """Source: literature 37: 16 of 16 for more than 0.8, 35 of 35 for more than 0.9."""
    assert more_trials(0, 0, share) == expected
    assert more_trials(10, 10, share) == expected - 10
    assert more_trials(expected, expected, share) == 0


@given(st.integers(1, 30), st.data())
@settings(max_examples=25, deadline=None)
def test_hit_rates_have_wilson_intervals(tries: int, data: Any) -> None:
    """Source: statsmodels proportion_confint(method="wilson")."""
    from statsmodels.stats.proportion import proportion_confint

    hits = data.draw(st.integers(0, tries))
    made = [ask(outcome="hit" if k < hits else "beside") for k in range(tries)]
    grid = summarise(made, SETUP).grids[0]
    low, high = proportion_confint(hits, tries, method="wilson")
    assert (grid.low, grid.high) == pytest.approx((low, high), abs=1e-9)


def test_surprise_is_the_two_sided_binomial_test() -> None:
    """Source: scipy.stats.binomtest; all chances are the same on one grid."""
    from scipy.stats import binomtest

    made = [ask(outcome="hit" if k < 5 else "beside") for k in range(9)]
    found = summarise(made, SETUP)
    chance = found.grids[0].predicted
    assert found.surprise == pytest.approx(binomtest(5, 9, chance).pvalue, rel=1e-6)
    assert found.predicted_hits == pytest.approx(9 * chance)


# Dwell.

GRID = Grid(setup=SETUP, rows=2, columns=2)
ONE, OTHER = np.array([480.0, 270.0]), np.array([1440.0, 270.0])


def fed(dwell: Dwell, places: list[Array], sd: float = 0.0, start_s: float = 0.0):  # type: ignore[no-untyped-def]
    times = np.asarray(start_s + 0.02 * np.arange(len(places)), float)
    return dwell.feed(
        times, np.array(places, dtype=float), np.full((len(places), 2), sd)
    )


def test_a_key_is_chosen_after_the_dwell() -> None:
    found = fed(Dwell(GRID, 0.8), [ONE] * 60)
    assert found is not None
    assert found.cell == (0, 0)
    assert found.time_s == pytest.approx(0.8, abs=0.021)


def test_leaving_starts_the_dwell_anew() -> None:
    assert fed(Dwell(GRID, 0.8), [ONE] * 30 + [OTHER] * 30 + [ONE] * 30) is None


def test_noise_about_an_edge_does_not_leave() -> None:
    """Straying by less than one sd of the gaze, from geometry."""
    edge = [np.array([960.0 - 5 + 10 * (k % 2), 270.0]) for k in range(60)]
    assert fed(Dwell(GRID, 0.8), edge, sd=20.0) is not None
    assert fed(Dwell(GRID, 0.8), edge, sd=0.0) is None


def test_a_blink_holds_the_time_and_a_loss_ends_it() -> None:
    gone = np.array([np.nan, np.nan])
    blink, loss = int(0.3 / 0.02), int(LOST_S / 0.02) + 5
    found = fed(Dwell(GRID, 0.8), [ONE] * 30 + [gone] * blink + [ONE] * 30)
    assert found is not None
    assert found.time_s == pytest.approx(0.8 + 0.3, abs=0.03)
    assert fed(Dwell(GRID, 0.8), [ONE] * 30 + [gone] * loss + [ONE] * 30) is None


def test_the_key_gaze_rests_on_must_be_left_first() -> None:
    dwell = Dwell(GRID, 0.4)
    dwell.watch(
        np.asarray(0.02 * np.arange(30), float),
        np.tile(ONE, (30, 1)),
        np.zeros((30, 2)),
    )
    dwell.begin((1, 1))
    assert fed(dwell, [ONE] * 100, start_s=1.0) is None
    found = fed(dwell, [OTHER] * 50, start_s=4.0)
    assert found is not None
    assert found.cell == (0, 1)


def test_the_aim_need_not_be_left() -> None:
    dwell = Dwell(GRID, 0.4)
    dwell.watch(
        np.asarray(0.02 * np.arange(30), float),
        np.tile(ONE, (30, 1)),
        np.zeros((30, 2)),
    )
    dwell.begin((0, 0))
    assert fed(dwell, [ONE] * 100, start_s=1.0) is not None


def test_gaze_far_beside_the_screen_chooses_nothing() -> None:
    assert fed(Dwell(GRID, 0.4), [np.array([-2000.0, 270.0])] * 100) is None
    assert fed(Dwell(GRID, 0.4), [np.array([-60.0, 270.0])] * 100) is not None


@given(st.integers(1, 8), st.integers(1, 12), st.floats(0, 1919), st.floats(0, 1079))
def test_gaze_lies_within_the_key_that_it_is_said_to_be_in(
    rows: int, columns: int, x: float, y: float
) -> None:
    grid = Grid(setup=SETUP, rows=rows, columns=columns)
    cell = grid.at((x, y))
    assert not grid.beyond(cell, (x, y)).any()
    wide, high = grid.key_px
    assert cell == (min(int(y // high), rows - 1), min(int(x // wide), columns - 1))


@pytest.mark.parametrize(
    ("chosen", "outcome"),
    [((1, 1), "hit"), ((0, 1), "beside"), ((2, 2), "beside"), ((1, 3), "elsewhere")],
)
def test_outcomes(chosen: tuple[int, int], outcome: str) -> None:
    grid = Grid(setup=SETUP, rows=4, columns=4)
    gaze = np.tile(grid.centre(chosen), (20, 1))
    found = ask_of(
        grid,
        (1, 1),
        NOWHERE,
        1.0,
        0.8,
        Chosen(cell=chosen, began_s=1.5, time_s=2.3, gaze_px=gaze),
    )
    assert found.outcome == outcome
    assert found.seconds == pytest.approx(1.3)


# Choices.


def guess(sd_deg: float, shift_deg: float = 0.0, freedom: float = 8.0) -> Prediction:
    coefficients = np.zeros((6, 2))
    coefficients[0] = shift_deg
    return Prediction(
        coefficients=coefficients,
        inverse=np.diag([0.1] * 6),
        variance=np.full(2, sd_deg**2),
        dwell_variance=np.zeros(2),
        freedom=freedom,
        targets=8,
    )


def count(shape: tuple[int, int] | None) -> int:
    return 0 if shape is None else shape[0] * shape[1]


@given(st.floats(0.2, 3.0), st.floats(1.0, 3.0), st.floats(0.01, 0.3))
@settings(max_examples=8, deadline=None)
def test_more_uncertainty_never_gives_more_keys(
    sd_deg: float, factor: float, misses: float
) -> None:
    sharp = choice.finest(guess(sd_deg), SETUP, misses)
    wide = choice.finest(guess(sd_deg * factor), SETUP, misses)
    assert count(wide) <= count(sharp)


@given(st.floats(0.2, 3.0), st.floats(0.01, 0.15), st.floats(1.0, 2.5))
@settings(max_examples=8, deadline=None)
def test_allowing_more_misses_never_gives_fewer_keys(
    sd_deg: float, misses: float, factor: float
) -> None:
    strict = choice.finest(guess(sd_deg), SETUP, misses)
    loose = choice.finest(guess(sd_deg), SETUP, misses * factor)
    assert count(strict) <= count(loose)


@given(st.lists(st.sampled_from(["hit", "beside", "elsewhere", "none"]), max_size=12))
@settings(max_examples=25, deadline=None)
def test_what_is_recommended_is_no_finer_than_what_went_well(
    outcomes: list[str],
) -> None:
    made = [ask(3, 4, (k % 3, k % 4), outcome) for k, outcome in enumerate(outcomes)]
    found = recommend(made, SETUP, None, 0.95)
    if made and went_well(made):
        assert found.rows * found.columns <= 12
    elif made:
        assert found.rows * found.columns < 12


def test_next_cell_is_new_and_not_where_gaze_is() -> None:
    grid = Grid(setup=SETUP, rows=2, columns=3)
    rng = np.random.default_rng(1)
    asked: list[tuple[int, int]] = []
    at = grid.centre((0, 0))
    for _ in range(5):
        cell = choice.next_cell(grid, guess(0.5), asked, at, rng)
        assert cell != grid.at(at)
        assert cell not in asked
        asked.append(cell)
        at = grid.centre(cell)


def test_offsets_leave_looks_elsewhere_out() -> None:
    made = [ask(off_px=(40.993, 0.0)), ask(outcome="elsewhere"), ask(outcome="none")]
    rows = offsets(made, Setup(
        screen_px=(1920, 1080), screen_mm=(531.36, 298.89), distance_mm=650.0
    ))  # fmt: skip
    assert len(rows) == 1
    # About one degree to the right (literature 2: 40.993 px at the screen's centre).
    assert rows[0]["offset_x_deg"] == pytest.approx(1.0, abs=0.12)
    assert rows[0]["looked"]


@pytest.mark.parametrize(
    ("outcomes", "verdict"),
    [
        ([], "open"),
        (["hit"] * 3, "open"),
        (["hit"] * 4, "well"),
        (["beside"] * 2, "hard"),
        (["elsewhere", "beside"], "open"),
        (["elsewhere", "beside", "none"], "hard"),
        (["hit", "beside", "hit", "hit", "hit", "hit"], "well"),
        (["hit", "elsewhere", "hit", "none"], "open"),
    ],
)
def test_when_a_grid_is_judged(outcomes: list[str], verdict: str) -> None:
    assert judge([ask(outcome=outcome) for outcome in outcomes]) == verdict


# The machine.


class Perfect:
    """A mapping whose samples are the gaze itself."""

    def apply(self, samples: NDArray[np.floating]) -> Any:
        xy = np.asarray(samples, float)
        return SimpleNamespace(xy=xy, sd=np.full_like(xy, 5.0))


class Eyes:
    """Somebody who looks at the key asked for, off by something."""

    def __init__(self, trial: Pointing, sd_px: float, seed: int) -> None:
        self.trial, self.sd_px = trial, sd_px
        self.rng = np.random.default_rng(seed)
        self.at = np.array([960.0, 540.0])
        self.commands: list[words.Command] = []
        self.shapes: list[tuple[int, int]] = []

    def live(self, keys: dict[float, words.Event], limit_s: float = 200.0) -> None:
        time_s, shown, goal, leaves_s = 0.0, None, self.at, 0.0
        while not self.trial.over and time_s < limit_s:
            time_s = round(time_s + 0.05, 6)
            if time_s >= leaves_s:
                self.at = goal
            stamps = time_s - 0.05 + np.array([0.0125, 0.025, 0.0375, 0.05])
            gaze = words.Gaze(
                time_s=time_s, times=stamps, samples=np.tile(self.at, (4, 1))
            )
            events: list[words.Event] = [gaze]
            if shown is not None:
                x, y = shown.x, shown.y
                events.append(words.Shown(time_s=time_s, id=shown.id, x=x, y=y))
            if time_s in keys:
                events.append(keys[time_s])
            events.append(words.Tick(time_s=time_s))
            for event in events:
                for command in self.trial.handle(event):
                    self.commands.append(command)
                    if isinstance(command, words.Show):
                        shown = command
                        self.shapes.append((command.rows, command.columns))  # type: ignore[attr-defined]
                        off = self.rng.normal(0.0, self.sd_px, 2)
                        goal = np.array([command.x, command.y]) + off
                        leaves_s = time_s + 0.2  # nobody reacts at once
                    elif isinstance(command, words.Hide):
                        shown = None


def lived(
    sd_px: float,
    seed: int,
    checks: NDArray[np.void] | None = None,
    **keys: words.Event,
) -> Eyes:
    start = Trial(setup=SETUP, checks=checks)
    trial = Pointing(start, Perfect().apply, np.random.default_rng(seed))
    eyes = Eyes(trial, sd_px, seed)
    eyes.live({event.time_s: event for event in keys.values()})
    return eyes


@given(st.floats(0.0, 250.0), st.integers(0, 50))
@settings(max_examples=4, deadline=None)
def test_a_finer_grid_only_after_success(sd_px: float, seed: int) -> None:
    eyes = lived(sd_px, seed)
    assert eyes.trial.over
    groups: list[list[Ask]] = []
    for made in eyes.trial.asks:
        if not groups or (made.rows, made.columns) != (
            groups[-1][0].rows,
            groups[-1][0].columns,
        ):
            groups.append([])
        groups[-1].append(made)
    for before, after in pairwise(groups):
        counts = [group[0].rows * group[0].columns for group in (before, after)]
        went = judge(before)
        assert went in ("well", "hard")
        assert counts[1] > counts[0] if went == "well" else counts[1] <= counts[0] // 2
    assert len(eyes.trial.asks) <= Trial(setup=SETUP).most_asks


def test_a_first_grid_that_is_too_hard_is_halved() -> None:
    """Off by more than a key: each grid has at most half the keys of the one before."""
    good = [ask(3, 4, (k // 4, k % 4), off_px=(5.0, -5.0)) for k in range(12)]
    eyes = lived(200.0, 2, offsets(good, SETUP))
    counts = [r * c for r, c in dict.fromkeys(eyes.shapes)]
    assert len(counts) > 1
    assert all(after <= before // 2 for before, after in pairwise(counts))
    found = summarise(eyes.trial.asks, SETUP).keys
    assert found.rows * found.columns <= counts[-1]


def test_sharper_gaze_comes_further() -> None:
    sharp, rough = lived(10.0, 3), lived(160.0, 3)
    finest = [max(r * c for r, c in eyes.shapes) for eyes in (sharp, rough)]
    assert finest[0] > finest[1]
    found = [summarise(e.trial.asks, SETUP).keys for e in (sharp, rough)]
    assert found[0].rows * found[0].columns > found[1].rows * found[1].columns


def test_escape_stops_and_the_window_may_close() -> None:
    stop = lived(0.0, 1, key=words.Key(time_s=3.0, name="escape"))
    assert stop.trial.reason == "stopped"
    assert isinstance(stop.commands[-1], words.Finish)
    closed = lived(0.0, 1, event=words.WindowClosed(time_s=3.0))
    assert closed.trial.reason == "closed"


def test_what_is_broken_off_does_not_count() -> None:
    eyes = lived(
        0.0,
        1,
        lost=words.StreamLost(time_s=3.0),
        found=words.StreamFound(time_s=5.0),
        pause=words.Key(time_s=8.0, name="p"),
        go_on=words.Key(time_s=11.0, name="space"),
    )
    kept = [c.row[-1] for c in eyes.commands if isinstance(c, words.Keep)]
    assert sum(kept) == len(eyes.trial.asks)
    assert any(isinstance(c, words.Pause) for c in eyes.commands)
    assert eyes.trial.reason == "done"


def test_the_keys_are_the_protocols() -> None:
    """Remapped as in a session, and bouncing ones count once."""
    trial = Pointing(
        Trial(setup=SETUP),
        Perfect().apply,
        np.random.default_rng(1),
        {"z": "pause", "m": "next"},
    )
    eyes = Eyes(trial, 0.0, 1)
    keys = ((8.0, "z"), (8.1, "z"), (10.0, "space"), (11.0, "m"), (12.0, "p"))
    eyes.live({time_s: words.Key(time_s=time_s, name=name) for time_s, name in keys})
    notes = [c.text for c in eyes.commands if isinstance(c, words.Note)]
    assert notes.count("pause") == notes.count("go on") == 1
    assert trial.reason == "done"


def test_the_operator_can_follow_a_trial() -> None:
    """Every state that it can be in has words, and each key is told of."""
    board = Board(SETUP, layout(SCREEN))
    seen: set[str] = set()

    class Followed(Eyes):
        def live(self, keys: dict[float, words.Event], limit_s: float = 200.0) -> None:
            handle = self.trial.handle

            def followed(event: words.Event) -> tuple[words.Command, ...]:
                board.hear(event)
                commands = handle(event)
                for command in commands:
                    board.see(command, event.time_s)
                state = board.state(event.time_s, self.trial.progress())
                assert json.dumps(state, allow_nan=False)
                seen.add(state["words"])
                if state["target"]:
                    rows, columns = state["grid"]
                    row = "row" if rows == 1 else "rows"
                    told = f": {rows} {row} of {columns} keys"
                    if rows * columns == 1:
                        told = ": the whole screen as one key"
                    assert state["point"].endswith(told)
                return commands

            self.trial.handle = followed  # type: ignore[method-assign]
            super().live(keys, limit_s)

    trial = Pointing(Trial(setup=SETUP), Perfect().apply, np.random.default_rng(1))
    Followed(trial, 0.0, 1).live(
        {
            3.0: words.StreamLost(time_s=3.0),
            5.0: words.StreamFound(time_s=5.0),
            8.0: words.Key(time_s=8.0, name="p"),
            11.0: words.Key(time_s=11.0, name="space"),
        }
    )
    assert board.fresh[0] == "Key 1: Hit."
    assert sum(line.endswith(": Hit.") for line in board.fresh) == len(trial.asks)
    assert {text.split(".")[0] for text in seen} == {
        "The person chooses the marked key by looking at it",
        "Between two targets",
        "Paused",
        "No gaze comes",
        "The session is over",
    }


def test_a_stream_that_stays_away_ends_it() -> None:
    eyes = lived(0.0, 1, lost=words.StreamLost(time_s=3.0))
    assert eyes.trial.reason == "lost"


def test_nobody_looking_ends_in_a_rest() -> None:
    trial = Pointing(Trial(setup=SETUP), Perfect().apply, np.random.default_rng(1))
    eyes = Eyes(trial, 0.0, 1)
    eyes.at = np.array([np.nan, np.nan])
    eyes.rng = SimpleNamespace(normal=lambda *_: np.array([np.nan] * 2))  # type: ignore[assignment]
    eyes.live({})
    assert [made.outcome for made in trial.asks] == ["none"] * 3
    assert "rest" in trial.why


# The recording is the only truth.


@pytest.fixture(scope="module")
def trial() -> tuple[Any, Pointing, Memory]:
    person = simulation.person(tracker="screen", kind="steady", seed=4, setup=SETUP)
    mapping = simple_mapping(person.channels)
    presenter = run_headless.VirtualPresenter()
    life = person.begin(0.0, session=1)
    made = Pointing(
        Trial(setup=SETUP, sd_deg=0.8), mapping.apply, np.random.default_rng(7)
    )
    log = Memory(channels=person.channels, setup=SETUP)
    machine: Any = made
    reason = run_session(
        machine,
        presenter,
        run_headless.SimulatedSource(life, presenter),
        [log],
        run_headless.SimulatedMarkers(life),
    )
    assert reason == "done"
    return mapping, made, log


def simple_mapping(channels: tuple[Channel, ...]) -> Any:
    """The tracker's own answer: the mean of both eyes' screen positions."""
    x = [k for k, c in enumerate(channels) if c.type == "ScreenX"]
    y = [k for k, c in enumerate(channels) if c.type == "ScreenY"]

    def apply(samples: NDArray[np.floating]) -> Any:
        xy = np.column_stack([samples[:, x].mean(axis=1), samples[:, y].mean(axis=1)])
        return SimpleNamespace(xy=xy, sd=np.full_like(xy, 20.0))

    return SimpleNamespace(apply=apply)


def test_worked_out_anew_it_is_the_same(trial: tuple[Any, Pointing, Memory]) -> None:
    mapping, made, log = trial
    assert len(made.asks) >= 4
    assert asks_of(log.recording(), mapping) == made.asks


def test_a_recording_without_a_trial_is_refused(
    trial: tuple[Any, Pointing, Memory],
) -> None:
    mapping, _, log = trial
    rec = log.recording()
    with pytest.raises(InputError, match="no pointing"):
        asks_of(rec.with_targets(np.zeros(len(rec.targets), bool)), mapping)


def test_targets_and_markers_say_pointing(trial: tuple[Any, Pointing, Memory]) -> None:
    rec = trial[2].recording()
    assert set(rec.targets["role"]) == {"pointing"}
    assert set(rec.targets["advance"]) == {"gaze"}
    assert (rec.targets["offset"] > rec.targets["onset"]).all()


def test_words_offer_first_and_blame_nobody(
    trial: tuple[Any, Pointing, Memory],
) -> None:
    """Source: plain-language rules (sentences of at most 20 words or so)."""
    text = describe(summarise(trial[1].asks, SETUP))
    assert text.startswith(("Offer ", "No keys can be recommended"))
    assert not any(word in text.lower() for word in ("fail", "fault", "bad ", "unable"))
    nothing = describe(summarise([ask(outcome="none")] * 3, SETUP))
    assert "no sign of inability" in nothing
