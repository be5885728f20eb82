"""The session as a machine: tables of events, and any order of them at all.

Outside sources: 0.4 s debounce and the repeats of a held key (measured, ecosystem notes
section 3; X keyboards wait 0.66 s, then send 25 a second); pursuit speed is the angle
along the way, by the exact angle between lines of sight (astropy in test_geometry);
corner cutting by Chaikin (1974); lambda = 6 by Engbert and Kliegl (2003). What each key
does is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.fitted.features import layout
from calibkit.geometry import Setup, angle_between
from calibkit.kept import protocol as protocols
from calibkit.session import session_table as table
from calibkit.session import session_words as words
from calibkit.session.session import _ACTIONS, Session
from calibkit.session.session_keys import ACTIONS, Keys
from calibkit.session.session_look import Looks
from calibkit.session.session_plan import Plan, plan, way

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
HEAD = '[protocol]\nversion = 1\nname = "mine"\n'
TWO = "[targets]\npoints = [[0.2, 0.2], [0.8, 0.8]]\norder = 'listed'\n"
FRAME_S = 0.05
SCREEN = tuple(
    Channel(label=axis, eye="both", type=f"Screen{axis}", unit="pixels")
    for axis in "XY"
)


def make(text: str = TWO, advance: str = "timer", checks: bool = False) -> Plan:
    check = "" if checks else "[check]\npoints = []\n"
    protocol = protocols.parse(HEAD + text + check)
    return plan(protocol, SETUP, np.random.default_rng(0), advance=advance)


class Driver:
    """Plays the presenter: a virtual clock, and every command written down."""

    def __init__(self, session: Session) -> None:
        self.session, self.time_s = session, 0.0
        self.commands: list[words.Command] = []
        self.on: tuple[int, float, float] | None = None

    def give(self, event: words.Event) -> None:
        for command in self.session.handle(event):
            self.commands.append(command)
            if isinstance(command, words.Show | words.Move):
                self.on = (command.id, command.x, command.y)
            elif isinstance(command, words.Hide):
                self.on = None

    def frame(self) -> None:
        self.time_s += FRAME_S
        if self.on:
            number, x, y = self.on
            self.give(words.Shown(time_s=self.time_s, id=number, x=x, y=y))
        self.give(words.Tick(time_s=self.time_s))

    def until(self, state: str, limit_s: float = 100.0) -> None:
        end_s = self.time_s + limit_s
        while self.session.state != state:
            assert self.time_s < end_s, f"stays {self.session.state}"
            self.frame()

    def wait(self, seconds: float) -> None:
        end_s = self.time_s + seconds
        while self.time_s < end_s:
            self.frame()

    def press(self, name: str) -> None:
        self.give(words.Key(time_s=self.time_s, name=name))

    def rows(self) -> list[tuple[float, float, float, float, str, str, int]]:
        return [c.row for c in self.commands if isinstance(c, words.Keep)]

    def marks(self) -> list[str]:
        return [c.event["event"] for c in self.commands if isinstance(c, words.Mark)]

    def notes(self) -> list[str]:
        return [c.text for c in self.commands if isinstance(c, words.Note)]


def driver(**options: object) -> Driver:
    return Driver(Session(make(**options)))  # type: ignore[arg-type]


def test_every_row_of_the_table_can_be_done() -> None:
    actions = {action for _, _, _, action in table.ROWS}
    assert actions == set(_ACTIONS)
    states = {state for state, _ in table.TABLE}
    assert {after for after, _ in table.TABLE.values()} <= states | {table.ENDED}


def test_no_state_and_event_is_in_two_rows() -> None:
    pairs = [(state, met) for states, met, _, _ in table.ROWS for state in states]
    assert len(pairs) == len(set(pairs))


def test_every_state_can_be_reached_and_left_by_escape() -> None:
    reached, grows = {table.OPENING}, True
    while grows:
        more = {
            after for (state, _), (after, _) in table.TABLE.items() if state in reached
        }
        grows = not more <= reached
        reached |= more
    assert reached == {state for state, _ in table.TABLE} | {table.ENDED}
    for state in reached - {table.ENDED}:
        assert table.TABLE[state, "stop"][0] == table.ENDED
        assert table.TABLE[state, "closed"][0] == table.ENDED


def test_by_timer_from_start_to_end() -> None:
    play = driver()
    play.until(table.ENDED)
    assert play.session.reason == "done"
    assert play.marks() == [
        "session_start",
        *["target_on", "target_off"] * 2,
        "session_end",
    ]
    first, second = play.rows()
    assert first[2] == pytest.approx(0.5 * 1920 - 0.3 * 0.86 * 1920)
    assert first[3] == pytest.approx(0.5 * 1080 - 0.3 * 0.86 * 1080)
    assert first[4:] == ("calibration", "timer", 1)
    assert first[1] - first[0] == pytest.approx(0.6 + 0.9, abs=2.1 * FRAME_S)
    assert second[0] > first[1]


def test_start_carries_the_screen() -> None:
    """Contract: screen_px, screen_mm and distance_mm at the start."""
    play = driver()
    play.frame()
    start = next(c for c in play.commands if isinstance(c, words.Mark)).event
    assert start == {
        "event": "session_start",
        "screen_px": [1920, 1080],
        "screen_mm": [527.0, 296.0],
        "distance_mm": 600.0,
    }


def test_onset_is_the_flip_that_showed_the_target() -> None:
    play = driver()
    play.until(table.ARRIVING)
    play.give(words.Shown(time_s=play.time_s + 0.013, id=1, x=0, y=0))
    mark = play.commands[-1]
    assert isinstance(mark, words.Mark)
    assert mark.time_s == play.time_s + 0.013
    play.until(table.BETWEEN)
    assert play.rows()[0][0] == mark.time_s


def test_by_key_the_press_ends_the_point() -> None:
    play = driver(advance="key")
    play.until(table.MEASURING)
    play.wait(8.0)
    assert play.session.state == table.MEASURING
    pressed_s = play.time_s
    play.press("space")
    assert play.rows()[0][1] == pressed_s
    assert play.rows()[0][5] == "key"
    play.until(table.MEASURING)
    play.press("space")
    play.until(table.ENDED)
    assert len(play.rows()) == 2


def test_a_press_while_the_target_draws_in_does_not_count() -> None:
    play = driver(advance="key")
    play.until(table.SETTLING)
    play.press("space")
    assert play.session.state == table.SETTLING


def test_a_held_key_is_one_press() -> None:
    """X: repeats 0.04 s apart from 0.66 s on; the presenter drops the first of them."""
    play = driver(advance="key")
    play.until(table.MEASURING)
    start_s = play.time_s
    play.press("space")
    for number in range(60):
        play.time_s = start_s + 0.04 * (number + 1)
        play.press("space")
        play.frame()
    assert len(play.rows()) == 1
    play.until(table.MEASURING)
    play.wait(0.4)
    play.press("space")
    assert len(play.rows()) == 2


def test_a_fast_finger_is_heard() -> None:
    """Three taps a second: each second one counts, for any key; common practice."""
    keys = Keys()
    taps = [words.Key(time_s=0.3 * k, name="space") for k in range(7)]
    assert [keys.met(tap) for tap in taps] == ["next", ""] * 3 + ["next"]
    assert keys.met(words.Key(time_s=1.85, name="p")) == "pause"


def test_escape_stops_whatever_the_key_map_says() -> None:
    keys = {"return": "next", "escape": "next", "q": "nonsense"}
    play = Driver(Session(make(advance="key"), keys=keys))
    play.until(table.MEASURING)
    play.press("space")
    play.press("q")
    assert play.session.state == table.MEASURING
    play.press("return")
    assert play.session.state == table.BETWEEN
    play.press("escape")
    assert play.session.reason == "stopped"


@pytest.mark.parametrize(
    "state",
    [table.BETWEEN, table.ARRIVING, table.SETTLING, table.MEASURING],
)
def test_escape_stops_at_once_and_keeps_what_was_shown(state: str) -> None:
    play = driver()
    play.until(table.MEASURING)
    play.until(table.BETWEEN)
    play.until(state)
    play.press("escape")
    assert play.session.over
    assert play.session.reason == "stopped"
    shown = state in (table.SETTLING, table.MEASURING)
    assert [row[6] for row in play.rows()] == ([1, 0] if shown else [1])
    assert play.marks()[-1] == "session_end"
    assert isinstance(play.commands[-1], words.Finish)
    assert play.session.handle(words.Tick(time_s=play.time_s + 1)) == ()


def test_closed_window_ends_it() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.give(words.WindowClosed(time_s=play.time_s))
    assert play.session.reason == "closed"


def test_lost_stream_pauses_and_resumes_at_the_same_point() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.give(words.StreamLost(time_s=play.time_s))
    assert play.session.state == table.LOST
    assert play.on is None
    play.wait(5.0)
    play.give(words.StreamFound(time_s=play.time_s))
    play.until(table.ENDED)
    places = [(row[2], row[6]) for row in play.rows()]
    assert places[0][0] == places[1][0]
    assert [kept for _, kept in places] == [0, 1, 1]
    assert {"stream lost", "stream found"} <= set(play.notes())


def test_stream_lost_for_good_ends_it() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.give(words.StreamLost(time_s=play.time_s))
    play.until(table.ENDED, limit_s=70.0)
    assert play.session.reason == "lost"


def test_stream_lost_in_a_pause_stays_a_pause() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.press("p")
    play.give(words.StreamLost(time_s=play.time_s))
    play.give(words.StreamFound(time_s=play.time_s + 1))
    assert play.session.state == table.PAUSED
    play.time_s += 2
    play.press("space")
    assert play.session.state == table.BETWEEN


def test_pause_and_go_on() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.press("p")
    play.wait(30.0)
    assert play.session.state == table.PAUSED
    play.press("p")
    play.until(table.ENDED)
    assert [row[6] for row in play.rows()] == [0, 1, 1]


def test_again_omit_and_call() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.press("r")
    play.until(table.MEASURING)
    play.press("a")
    assert play.session.state == table.SETTLING
    play.until(table.MEASURING)
    play.press("x")
    play.until(table.ENDED)
    assert [row[6] for row in play.rows()] == [0, 0, 1]
    assert play.rows()[0][2] == play.rows()[1][2] != play.rows()[2][2]
    assert sum(m == "target_on" for m in play.marks()) == 3


def test_again_between_points_shows_the_last_one_again() -> None:
    play = driver()
    play.until(table.MEASURING)
    play.until(table.BETWEEN)
    play.press("r")
    play.until(table.ENDED)
    xs = [row[2] for row in play.rows()]
    assert xs[0] == xs[1] != xs[2]


def test_progress_counts_to_the_total() -> None:
    play = driver(checks=True)
    totals = set()
    while not play.session.over:
        play.frame()
        totals.add(play.session.progress().total)
    progress = play.session.progress()
    assert totals == {10}
    assert (progress.done, progress.missed) == (10, 0)


def test_check_points_come_last_and_are_validation() -> None:
    play = driver(checks=True)
    play.until(table.ENDED)
    assert [row[4] for row in play.rows()] == ["calibration"] * 2 + ["validation"] * 8


# Judging.


def verdicts(text: str, answers: Sequence[words.Verdict]) -> Driver:
    play = driver(text=text, checks=True)
    left = list(answers)
    while not play.session.over:
        play.frame()
        if play.session.state == table.JUDGING:
            play.give(left.pop(0) if left else words.Verdict(time_s=play.time_s))
    return play


def test_judged_once_at_the_end_of_the_calibration() -> None:
    play = verdicts(TWO, [])
    assert sum(isinstance(c, words.Judge) for c in play.commands) == 1


def test_good_enough_goes_on_to_the_check_points() -> None:
    text = TWO + "[pace]\nenough_deg = 1.0\n"
    play = verdicts(text, [words.Verdict(time_s=0.0, enough=True)])
    roles = [row[4] for row in play.rows()]
    assert roles == ["calibration"] + ["validation"] * 8


def test_doubtful_target_is_shown_again_but_only_so_often() -> None:
    again = words.Verdict(time_s=0.0, again=(1,))
    play = verdicts(TWO, [again, again, again])
    roles = [row[4] for row in play.rows()]
    assert roles == ["calibration"] * 3 + ["validation"] * 8
    assert play.rows()[0][2] == play.rows()[2][2]
    assert play.session.progress().total == 10


def test_no_verdict_is_not_waited_for_for_ever() -> None:
    play = driver()
    play.until(table.ENDED, limit_s=30.0)
    assert play.session.reason == "done"


# Gliding.

GLIDE = (
    "[path]\npoints = [[0.1, 0.1], [0.9, 0.1], [0.9, 0.9]]\nspeed_deg_s = 6\n"
    "[check]\npoints = []\n"
)


def test_gliding_target_leaves_a_row_a_frame_at_the_asked_speed() -> None:
    protocol = protocols.parse(HEAD + GLIDE)
    play = Driver(Session(plan(protocol, SETUP, np.random.default_rng(0))))
    play.until(table.ENDED)
    path = [(c.time_s, c.x, c.y) for c in play.commands if isinstance(c, words.PathRow)]
    times, places = np.array(path)[:, 0], np.array(path)[:, 1:]
    angles = angle_between(SETUP, places[:-1], places[1:])
    speed = angles[5:-5] / np.diff(times)[5:-5]
    assert speed == pytest.approx(6.0, rel=0.02)
    assert np.isnan(play.rows()[0][2:4]).all()
    assert play.rows()[0][6] == 1
    assert play.marks().count("target_path") == len(path)
    assert np.diff(times) == pytest.approx(FRAME_S)


def test_stopped_glide_keeps_what_it_gave() -> None:
    protocol = protocols.parse(HEAD + GLIDE)
    play = Driver(Session(plan(protocol, SETUP, np.random.default_rng(0))))
    play.until(table.GLIDING)
    play.wait(2.0)
    play.press("escape")
    assert play.rows()[0][6] == 1


def test_way_rounds_corners_and_keeps_ends() -> None:
    corners = np.array([(100.0, 100.0), (1700.0, 100.0), (1700.0, 900.0)])
    course = way(SETUP, corners, 6.0)
    assert course.at(0.0) == pytest.approx((100, 100))
    assert course.at(course.lasts_s) == pytest.approx((1700, 900))
    turn = np.diff(course.places, axis=0)
    heading = np.unwrap(np.arctan2(turn[:, 1], turn[:, 0]))
    assert np.abs(np.diff(heading)).max() < np.radians(10)


def test_way_that_takes_for_ever_is_refused() -> None:
    zigzag = np.tile([(0.0, 0.0), (1920.0, 1080.0)], (60, 1))
    with pytest.raises(InputError, match="shorten the way"):
        way(SETUP, zigzag, 1.0)


# Planning.


def test_shuffled_order_depends_on_the_generator_alone() -> None:
    standard = protocols.load("standard")
    orders = [
        [
            (t.x, t.gap_s)
            for t in plan(standard, SETUP, np.random.default_rng(s)).targets
        ]
        for s in (1, 1, 2)
    ]
    assert orders[0] == orders[1] != orders[2]
    assert sorted(x for x, _ in orders[0]) == sorted(x for x, _ in orders[2])


def test_no_target_can_be_anticipated_by_its_time() -> None:
    """Gaps vary evenly between one and two of the protocol's (`pace.gap_s`)."""
    targets = make(
        "[targets]\npoints = [[0,0],[1,0],[0,1],[1,1]]\n", checks=True
    ).targets
    gaps = np.array([target.gap_s for target in targets])
    assert (gaps >= 0.25).all()
    assert (gaps <= 0.5).all()
    assert len(set(gaps)) == len(targets) == 12


def test_checks_only_and_nothing_to_show() -> None:
    standard = protocols.load("standard")
    rng = np.random.default_rng(0)
    only = plan(standard, SETUP, rng, checks_only=True).targets
    assert {t.role for t in only} == {"validation"}
    with pytest.raises(InputError, match="no point to show"):
        plan(protocols.parse(HEAD + "[check]\npoints = []"), SETUP, rng)


# Looks: told from raw screen-like samples of an invented eye.


def looks(hold_s: float = 0.8) -> Looks:
    return Looks(layout(SCREEN), SETUP, hold_s=hold_s, max_loss=0.4)


def eye(
    rng: np.random.Generator,
    parts: Sequence[tuple[float, float, float]],
    rate: float,
    noise_px: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Samples that rest at each (seconds, x, y) in turn."""
    count = [int(seconds * rate) for seconds, _, _ in parts]
    centre = np.repeat([(x, y) for _, x, y in parts], count, axis=0)
    return np.arange(len(centre)) / rate, centre + rng.normal(0, noise_px, centre.shape)


@pytest.mark.parametrize(
    ("rate", "noise_px"), [(250.0, 4.0), (60.0, 12.0), (30.0, 30.0)]
)
def test_a_look_is_told_in_the_signals_own_noise(rate: float, noise_px: float) -> None:
    """From a clean 250 Hz tracker to a webcam: 0.1 to 0.8 degrees of noise."""
    rng = np.random.default_rng(5)
    times, xy = eye(rng, [(2.0, 300, 300), (3.0, 1500, 800)], rate, noise_px)
    watch = looks()
    watch.begin(0.0, np.inf)
    held = []
    for k, time_s in enumerate(times):
        watch.feed(times[k : k + 1], xy[k : k + 1])
        if abs(time_s - 1.5) < 1e-9 or (k > 0 and times[k - 1] < 1.5 <= time_s):
            assert watch.held(float(time_s))
            watch.end(float(time_s))
            watch.begin(float(time_s), 25.0)
        if time_s > 1.6:
            held.append((time_s, watch.held(float(time_s))))
    first = next(t for t, answer in held if answer)
    # Not while the eyes were still at the old place, nor long after a full hold.
    assert 2.0 + 0.8 <= first <= 2.0 + 0.8 + 0.1 + 0.45


@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize(("noise_px", "quiet"), [(12.0, True), (80.0, False)])
def test_noise_above_the_protocols_limit_is_no_look(
    noise_px: float, quiet: bool, known: bool
) -> None:
    """A degree is 38.15 px here (2 x 600 mm x tan 0.5 degrees, 0.2745 mm a pixel).

    Spread of both axes together: 12 px are 0.44 degrees, 80 px are 2.97.
    """
    rng = np.random.default_rng(9)
    times, xy = eye(rng, [(4.0, 960, 540)], 60.0, noise_px)
    watch = Looks(layout(SCREEN), SETUP, hold_s=0.8, max_loss=0.4, max_noise_deg=1.0)
    free = looks()
    if known:
        watch.know(lambda samples: np.asarray(samples, float))
    for one in (watch, free):
        one.begin(0.0, np.inf, (960.0, 540.0))
        one.feed(times, xy)
    assert free.held(4.0)
    assert watch.held(4.0) is quiet


def test_staring_at_the_old_place_is_no_look() -> None:
    rng = np.random.default_rng(6)
    times, xy = eye(rng, [(8.0, 300, 300)], 60.0, 10.0)
    watch = looks()
    watch.begin(0.0, np.inf)
    watch.feed(times[:120], xy[:120])
    assert watch.held(2.0)
    watch.end(2.0)
    watch.begin(2.0, 20.0)
    watch.feed(times[120:], xy[120:])
    assert not watch.held(8.0)
    assert not watch.restless(8.0)


def test_lost_gaze_is_no_look_and_one_lost_sample_is_no_loss() -> None:
    rng = np.random.default_rng(7)
    times, xy = eye(rng, [(3.0, 900, 500)], 60.0, 8.0)
    spotted = xy.copy()
    spotted[::7] = np.nan
    watch = looks()
    watch.begin(0.0, np.inf)
    watch.feed(times, spotted)
    assert watch.held(3.0)
    gone = xy.copy()
    gone[-50:] = np.nan
    watch = looks()
    watch.begin(0.0, np.inf)
    watch.feed(times, gone)
    assert not watch.held(3.0)
    assert not looks().held(1.0)


@pytest.mark.parametrize(("late_s", "held"), [(0.3, True), (2.0, False)])
def test_samples_that_come_late_are_a_look_and_ones_that_stopped_are_not(
    late_s: float, held: bool
) -> None:
    """A webcam's are some 0.3 s on their way (common practice, no source)."""
    times, xy = eye(np.random.default_rng(7), [(3.0, 900, 500)], 60.0, 8.0)
    watch = looks()
    watch.begin(0.0, np.inf)
    watch.feed(times, xy)
    assert watch.held(3.0 + late_s) is held


def test_the_smallest_movement_so_far_says_what_a_movement_is() -> None:
    """Raw features move less at one side of the screen than at the other."""
    places = [(1.5, x, 500) for x in (300.0, 900.0, 1200.0, 1360.0)]
    times, xy = eye(np.random.default_rng(4), places, 60.0, 2.0)
    watch = looks()
    for number in range(len(places)):
        begins_s = 1.5 * number
        part = (times >= begins_s) & (times < begins_s + 1.5)
        watch.begin(begins_s, 10.0 if number else np.inf)
        watch.feed(times[part], xy[part])
        assert watch.held(begins_s + 1.5), number
        watch.end(begins_s + 1.5)


def test_a_small_movement_is_no_look_at_a_target_far_away() -> None:
    """Staring on drifts; a look at ten degrees moves the eyes much as one before."""
    places = [(1.5, x, 500) for x in (300.0, 900.0, 960.0)]
    times, xy = eye(np.random.default_rng(4), places, 60.0, 2.0)
    watch = looks()
    for number, held in enumerate((True, True, False)):
        begins_s = 1.5 * number
        part = (times >= begins_s) & (times < begins_s + 1.5)
        watch.begin(begins_s, 10.0 if number else np.inf)
        watch.feed(times[part], xy[part])
        assert watch.held(begins_s + 1.5) is held
        watch.end(begins_s + 1.5)


def test_a_beat_that_never_ends_is_the_signals_own_noise() -> None:
    """Nystagmus: three beats a second. Such eyes rest as well as they ever do."""
    rng = np.random.default_rng(8)
    times, xy = eye(rng, [(6.0, 900, 500)], 250.0, 3.0)
    xy[:, 0] += 250 * ((times * 3) % 1.0)
    watch = looks()
    watch.begin(0.0, np.inf)
    watch.feed(times, xy)
    assert watch.held(6.0)


def test_searching_eyes_are_restless_and_not_missed() -> None:
    """A saccade each 0.4 s: seen and moved, but never at rest for 0.8 s."""
    rng = np.random.default_rng(8)
    parts = [(0.4, x, y) for x, y in rng.uniform((200, 200), (1700, 900), (15, 2))]
    times, xy = eye(rng, parts, 250.0, 3.0)
    watch = looks()
    watch.begin(0.0, np.inf)
    watch.feed(times, xy)
    assert watch.restless(6.0)
    assert not watch.held(6.0)


def test_with_a_mapping_a_look_elsewhere_is_none() -> None:
    rng = np.random.default_rng(9)
    times, xy = eye(rng, [(3.0, 900, 500)], 60.0, 8.0)
    watch = looks()
    watch.know(lambda samples: np.asarray(samples, float))
    watch.begin(0.0, np.inf, (960.0, 540.0))
    watch.feed(times, xy)
    assert watch.held(3.0)
    watch.begin(0.0, np.inf, (1700.0, 540.0))
    assert not watch.held(3.0)


def test_by_gaze_missed_points_come_again_at_the_end_but_only_so_often() -> None:
    watch = looks()
    play = Driver(Session(make(advance="gaze"), watch))
    rng = np.random.default_rng(1)
    while not play.session.over:
        play.frame()
        # Somebody who never looks: every sample is lost.
        time = np.array([play.time_s])
        lost = np.full((1, 2), np.nan) * rng.normal()
        play.give(words.Gaze(time_s=play.time_s, times=time, samples=lost))
    xs = [row[2] for row in play.rows()]
    assert xs == [xs[0], xs[1], xs[0], xs[1]]
    assert [row[6] for row in play.rows()] == [0, 0, 1, 1]
    assert play.session.progress().missed == 2


def never_looked(text: str, checks: bool = False) -> Driver:
    """Play a session with somebody of whom no sample is ever seen."""
    play = Driver(Session(make(text, "gaze", checks), looks()))
    while not play.session.over:
        play.frame()
        lost = np.full((1, 2), np.nan)
        time = np.array([play.time_s])
        play.give(words.Gaze(time_s=play.time_s, times=time, samples=lost))
    return play


def test_a_check_that_nobody_looks_at_is_shortened_and_told() -> None:
    """Common practice, no source: more of what is not looked at only tires."""
    play = never_looked("", checks=True)
    assert play.session.reason == "done"
    checks = [row for row in play.rows() if row[4] == "validation"]
    # Three in a row; of these the first two once more, as they were promised.
    assert [row[6] for row in checks] == [0, 0, 1, 1, 1]
    assert [row[2] for row in checks[3:]] == [row[2] for row in checks[:2]]
    assert play.notes().count(words.CHECK_SHORTENED) == 1
    progress = play.session.progress()
    assert progress.done == progress.total == 3


def test_a_calibration_that_nobody_looks_at_shows_each_target_and_says_so() -> None:
    five = "[targets]\npoints = [[0,0],[1,0],[0.5,0.5],[0,1],[1,1]]\norder = 'listed'\n"
    play = never_looked(five + "[pace]\nrepeats = 2\n")
    places = [row[2:4] for row in play.rows()]
    assert len(set(places[:5])) == 5
    assert places[5:] == places[:2]
    assert play.notes().count(words.NO_LOOKS) == 1


def test_misses_that_are_not_in_a_row_all_come_again() -> None:
    play = Driver(Session(make("", "gaze", checks=True), looks()))
    play.session._looks = Every(2)  # type: ignore[assignment]
    play.until(table.ENDED, limit_s=400.0)
    checks = [row for row in play.rows() if row[4] == "validation"]
    assert len({row[2:4] for row in checks}) == 8
    assert words.CHECK_SHORTENED not in play.notes()


class Every:
    """Looks at every nth target alone; stands for `Looks`."""

    def __init__(self, nth: int) -> None:
        self._nth, self._count = nth, 0

    def begin(self, since_s: float, apart_deg: float, target: object) -> None:
        self._count += 1

    def held(self, now_s: float) -> bool:
        return self._count % self._nth == 0

    def restless(self, now_s: float) -> bool:
        return False

    def end(self, now_s: float) -> None:
        """Nothing is remembered."""


# Any order of anything.

EVENTS = st.one_of(
    st.builds(lambda t: ("tick", t), st.floats(0, 3)),
    st.builds(lambda t: ("gaze", t), st.floats(0, 1)),
    st.builds(lambda n: ("key", n), st.sampled_from(["space", "p", "r", "x", "a"])),
    st.builds(lambda n: ("shown", n), st.integers(0, 12)),
    st.sampled_from([("shown now", 0), ("lost", 0), ("found", 0), ("verdict", 1)]),
)


@settings(deadline=None, max_examples=150)
@given(
    st.lists(EVENTS, max_size=120),
    st.sampled_from(["gaze", "timer", "key"]),
    st.sampled_from(["short-attention", "glide", "off-grid", "quick"]),
)
def test_any_order_of_events_ends_well(
    events: list[tuple[str, float]], advance: str, name: str
) -> None:
    rng = np.random.default_rng(0)
    planned = plan(protocols.load(name), SETUP, rng, advance=advance)
    play = Driver(Session(planned, looks()))
    for kind, value in events:
        play.time_s += value if kind in ("tick", "gaze") else 0.01
        now = play.time_s
        if kind == "tick":
            play.give(words.Tick(time_s=now))
        elif kind == "gaze":
            stamps = np.array([now - 0.01 * k for k in range(5)][::-1])
            rows = rng.normal(500, 5, (5, 2))
            play.give(words.Gaze(time_s=now, times=stamps, samples=rows))
        elif kind == "key":
            play.press(str(value))
        elif kind == "shown":
            play.give(words.Shown(time_s=now, id=int(value), x=1.0, y=1.0))
        elif kind == "shown now" and play.on:
            play.give(words.Shown(time_s=now, id=play.on[0], x=1.0, y=1.0))
        elif kind == "lost":
            play.give(words.StreamLost(time_s=now))
        elif kind == "found":
            play.give(words.StreamFound(time_s=now))
        elif kind == "verdict":
            play.give(words.Verdict(time_s=now, again=(1, 2, 99)))
    play.press("escape")
    assert play.session.over
    assert play.on is None
    marks = play.marks()
    assert marks.count("target_on") == marks.count("target_off") == len(play.rows())
    assert marks.count("session_end") == 1
    for onset, offset, *_ in play.rows():
        assert onset <= offset


def test_actions_of_keys_are_met_in_the_table() -> None:
    met = {met for _, met, _, _ in table.ROWS}
    assert set(ACTIONS) <= met
