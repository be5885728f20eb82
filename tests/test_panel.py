"""The operator's board and what it says, as plain data and without a page.

Outside sources: angles by the exact angle between lines of sight (one degree at 600 mm
is 10.472 mm, 2 x 600 x tan(0.5 degrees)); WCAG 2.2 contrast 7 : 1 for text (1.4.6) and
3 : 1 for symbols (1.4.11). What the view shows is asked by issue 4; its words are ours.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import calibkit.panel
from calibkit.channels import Channel
from calibkit.fitted.features import layout
from calibkit.geometry import Setup
from calibkit.joined import run_after
from calibkit.joined.run_conclude import Outcome
from calibkit.kept import profile
from calibkit.kept import protocol as protocols
from calibkit.kept.plain import to_tree
from calibkit.panel import document, phrases
from calibkit.panel.beside import Beside
from calibkit.panel.board import Board
from calibkit.session import session_table as table
from calibkit.session import session_words as words
from calibkit.session.session import Session
from calibkit.session.session_keys import ACTIONS, KEYS
from calibkit.session.session_plan import plan
from calibkit.window.screen_target import contrast

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
CHANNELS = tuple(
    Channel(label=f"{eye}{axis}", eye=eye, type=f"Screen{axis}", unit="pixels")
    for eye in ("left", "right")
    for axis in "XY"
)
NAN = float("nan")


def progress(state: str = table.MEASURING, **more: Any) -> words.Progress:
    parts: dict[str, Any] = {"target": 3, "role": "calibration", "done": 2, "total": 6}
    return words.Progress(state=state, missed=0, **{**parts, **more})


def gaze(until_s: float, left: Sequence[float], right: Sequence[float]) -> words.Gaze:
    times = np.asarray(np.arange(until_s - 1.0, until_s, 0.01) + 0.005, np.float64)
    samples = np.tile([*left, *right], (len(times), 1)).astype(float)
    return words.Gaze(time_s=until_s, times=times, samples=samples)


def left_eye(samples: np.ndarray) -> np.ndarray:
    return np.asarray(samples)[:, :2]


def make(**more: Any) -> Board:
    return Board(SETUP, layout(CHANNELS), **more)


SHOW = words.Show(
    id=3, x=960.0, y=540.0, size_deg=0.6, start_deg=2.0, draw_in_s=0.6, pulse_hz=0.0
)


def test_board_tells_point_eyes_and_keys_and_is_plain_json() -> None:
    board = make()
    board.see(SHOW, 9.0)
    board.hear(gaze(11.0, (900, 500), (NAN, NAN)))
    state = board.state(11.0, progress())
    assert json.loads(json.dumps(state, allow_nan=False)) == state
    assert state["point"] == "Target 3 of 6"
    assert state["target"] == [960.0, 540.0]
    assert [eye["words"] for eye in state["eyes"]] == ["seen", "not seen"]
    assert [eye["seen"] for eye in state["eyes"]] == [1.0, 0.0]
    assert {row["does"] for row in state["keys"]} == set(ACTIONS)
    assert state["gaze"] == []
    assert not state["mapped"]


def test_gaze_by_a_mapping_and_its_distance_in_degrees() -> None:
    """One degree straight ahead at 600 mm is 10.472 mm, 38.15 px here."""
    board = make(gaze=left_eye)
    board.see(SHOW, 9.0)
    board.hear(gaze(11.0, (960 + 38.15, 540), (0, 0)))
    state = board.state(11.0, progress())
    assert state["gaze"][-1] == pytest.approx([998.1, 540.0], abs=0.1)
    assert state["away"] == "1.0° from the target"
    board.see(words.Hide(fade_s=0.3), 11.0)
    assert board.state(11.0, progress(table.BETWEEN, target=None))["target"] is None


def test_words_of_what_a_target_gave() -> None:
    board = make(gaze=left_eye)
    board.see(SHOW, 9.0)
    board.hear(gaze(11.0, (960, 540), (NAN, NAN)))
    gave = words.Gave(target=3, what="looked", number=3, total=6, role="calibration")
    board.see(gave, 11.0)
    (line,) = board.fresh
    assert line == (
        "Target 3 of 6: Looked at; left eye seen 100 %; right eye seen 0 %; "
        "gaze 0.0° off."
    )


@pytest.mark.parametrize(
    ("off_deg", "looked"), [(1.0, True), (NAN, True), (23.0, False)]
)
def test_gaze_far_away_is_not_told_as_looked_at(off_deg: float, looked: bool) -> None:
    said = phrases.gave("looked", {}, off_deg)
    assert ("Looked at" in said) is looked
    assert ("not on the target" in said) is not looked


def test_an_early_end_is_told() -> None:
    board = make()
    board.see(words.Note(time_s=1.0, text=words.GOOD_ENOUGH), 1.0)
    board.see(words.Note(time_s=1.0, text="pause"), 1.0)
    assert board.fresh == ["That is good enough already. No more targets are needed."]
    assert board.state(1.0, progress())["last"] == board.fresh


@pytest.mark.parametrize("note", [words.NO_LOOKS, words.CHECK_SHORTENED])
def test_targets_without_a_look_in_a_row_are_told(note: str) -> None:
    board = make()
    board.see(words.Note(time_s=1.0, text=note), 1.0)
    (line,) = board.fresh
    assert "in a row without a look" in line


@pytest.mark.parametrize("what", [*phrases._GAVE])
def test_no_words_blame(what: str) -> None:
    """Literature notes, section 9: a miss is no evidence of inability."""
    said = phrases.gave(what, {"left": 0.9}, NAN)
    assert not re.search(r"fail|wrong|bad|poor|error|must", said, re.IGNORECASE)
    assert said[0].isupper()
    assert said.endswith(".")


def test_every_state_and_key_has_words() -> None:
    states = {state for states, *_ in table.ROWS for state in states}
    for state in {*states, table.ENDED}:
        for advance in ("gaze", "timer", "key"):
            assert len(phrases.state(state, advance)) > 5
    assert len({row["words"] for row in phrases.keys(KEYS)}) == len(ACTIONS)


class Paper:
    """A page that somebody looks at, on paper."""

    watched = True

    def __init__(self, *keys: str) -> None:
        self.shown: list[Any] = []
        self.keys = list(keys)
        self.closed = False

    def show(self, state: Any) -> None:
        self.shown.append(state)

    def pressed(self) -> tuple[words.Key, ...]:
        name, self.keys = self.keys[:1], self.keys[1:]
        return tuple(words.Key(time_s=0.0, name=n) for n in name)

    def close(self) -> None:
        self.closed = True


def test_page_and_terminal_get_news_ten_times_a_second_and_each_line_once() -> None:
    paper = Paper()
    said: list[str] = []
    beside = Beside(make(), paper, said.append)
    for frame in range(60):
        time_s = frame / 60.0
        if frame == 30:
            gave = words.Gave(target=1, what="omitted", number=1, total=6, role="")
            beside.see(gave, time_s)
        beside.turn(time_s, progress())
    assert 9 <= len(paper.shown) <= 11
    assert said == ["Target 1 of 6: Left out."]


@pytest.mark.parametrize(
    ("current", "earlier", "key", "does"),
    [
        (True, 1, "b", "back"),
        (True, 0, "b", ""),  # there is nothing to go back to
        (False, 1, "u", "replace"),
        (False, 1, "return", ""),
    ],
)
def test_one_key_goes_back_or_takes_the_new_mapping(
    tmp_path: Path, current: bool, earlier: int, key: str, does: str
) -> None:
    """A mapping that was refused can be used all the same; one in use, taken back."""
    for number in range(earlier + 1):
        profile.save(
            tmp_path,
            "wren",
            to_tree({"mapping": {"number": number}}),
            {"number": number},
            created=f"2026-01-01T00:00:0{number}+00:00",
            summary={},
            activate=current or number == 0,
        )
    version = profile.versions(tmp_path, "wren")[-1]
    attempt = SimpleNamespace(home=tmp_path, person="wren")
    outcome = Outcome(mapping=None, worse=0.95, version=version)  # type: ignore[arg-type]
    beside = Beside(make(), Pressed(key))
    beside.turn(0.0, progress())
    ends = SimpleNamespace(beside=beside)
    after, decided = run_after.decide(attempt, ends, outcome, "Change nothing.")  # type: ignore[arg-type]
    assert decided == does
    assert bool(run_after.decided(decided)) is bool(does)
    assert after.version is not None
    assert after.version.current is ((current and does != "back") or does == "replace")
    used = profile.current(tmp_path, "wren").version.number
    newest = version.number
    assert used == (newest if after.version.current else newest - 1)


class Pressed(Paper):
    """Somebody who waits for the result, then presses one key, then closes."""

    def pressed(self) -> tuple[words.Key, ...]:
        over = bool(self.shown and self.shown[-1]["view"] == "over")
        if not over or not self.keys:
            return ()
        name, self.keys = self.keys[0], [*self.keys[1:], "return"][:1]
        return (words.Key(time_s=0.0, name=name),)


def test_a_late_session_key_decides_nothing_about_the_result() -> None:
    paper, said = Paper("b", "x", "return"), list[str]()
    beside = Beside(make(), paper, said.append)
    beside.turn(0.0, progress())
    choices = {"b": "back", "return": "close"}
    assert beside.offer("Over.", ["Four keys."], choices, 5.0) == "close"
    # The terminal would seem to hang.
    assert said == ["The result is on the operator's page until it is closed."]
    last = paper.shown[-1]
    assert last["result"] == ["Four keys."]
    assert [row["does"] for row in last["keys"]] == ["back", "close"]


def test_nobody_waits_for_a_page_that_nobody_looks_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("calibkit.panel.beside.UNWATCHED_S", 0.1)
    paper = Paper()
    paper.watched, said = False, list[str]()
    beside = Beside(make(), paper, said.append)
    beside.turn(0.0, progress())
    assert beside.offer("Over.", [], {"b": "back"}, 60.0) == ""
    assert not said
    assert Beside(make()).offer("Over.", [], {"b": "back"}, 60.0) == ""


def test_rests_after_each_target_with_words_on_the_one_screen() -> None:
    protocol = protocols.parse(
        "[protocol]\nversion = 1\nname = 'two'\n[check]\npoints = []\n"
        "[targets]\npoints = [[0.2, 0.2], [0.8, 0.8]]\n"
    )
    rng = np.random.default_rng(0)
    planned = plan(protocol, SETUP, rng, advance="timer", between=True)
    session = Session(planned)
    beside = Beside(make(), on_screen=True)
    told: list[words.Tell] = []
    shown, time_s, rests, on = 0, 0.0, 0, None
    while not session.over and time_s < 60.0:
        time_s += 0.05
        events: list[words.Event] = [words.Tick(time_s=time_s)]
        if on is not None:
            events.insert(0, words.Shown(time_s=time_s, id=on.id, x=on.x, y=on.y))
        if session.state == table.PAUSED:
            rests += 1
            if rests == 40:  # two seconds: it never goes on by itself
                events.append(words.Key(time_s=time_s, name="r"))
            elif rests == 80:
                events.append(words.Key(time_s=time_s, name="space"))
        for event in events:
            for command in session.handle(event):
                beside.see(command, time_s)
                if isinstance(command, words.Show):
                    shown, on = shown + 1, command
                elif isinstance(command, words.Hide):
                    on = None
        told += [c for c in beside.turn(time_s, session.progress()) if c]  # type: ignore[misc]
    assert session.reason == "done"
    assert shown == 3  # the first once more, as asked by the key
    assert rests == 80
    first, away, _, last = told
    assert away.lines == ()
    assert first.lines[0].startswith("Target 1 of 2: Looked at")
    assert "Space: Next" in first.lines
    assert last.lines == ()


# The page's parts.

FOLDER = Path(calibkit.panel.__file__).parent


def test_page_fetches_nothing_from_elsewhere_and_runs_nothing_inline() -> None:
    _, page = document.part("")
    texts = [page, *(document.part(name)[1] for name in ("page.css", "page.js"))]
    for text in texts:
        assert not re.search(r"https?://|@import|url\(|eval\(|innerHTML", text)
    assert not re.search(r"<style|\son\w+=|style=|<script>|javascript:", page)
    assert "$" not in page
    policy = document.HEADERS["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy


def test_pages_colours_keep_wcags_contrast() -> None:
    style = (FOLDER / "page.css").read_text(encoding="utf-8")
    found = dict(re.findall(r"--(\w+): #(\w{6})", style))
    colours = {
        name: (red / 255, green / 255, blue / 255)
        for name, value in found.items()
        if name in ("ink", "mark")
        for red, green, blue in [bytes.fromhex(value)]
    }
    ground = (0x1A / 255, 0x1A / 255, 0x1A / 255)
    button = (0x33 / 255, 0x33 / 255, 0x33 / 255)
    assert contrast(colours["ink"], ground) >= 7.0
    assert contrast(colours["ink"], button) >= 7.0
    assert contrast(colours["mark"], ground) >= 7.0
    line = (0x8A / 255, 0x8A / 255, 0x8A / 255)
    assert contrast(line, ground) >= 3.0
    assert contrast(line, button) >= 3.0
