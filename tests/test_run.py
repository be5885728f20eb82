"""The loop, set-ups, verdicts and the two commands, all on a virtual clock.

Outside sources: the contract (exit statuses, order of set-up, file form); scipy's
paired t-test as the oracle of the comparison; issue 2 (nine points in well under a
second); Student (1908), Biometrika 6, 1-25: the sleep data, whose paired t is -4.0621
with a two-sided p of 0.002833 (from memory; scipy recomputes it here); reliability
notes, appendix 24: a distance of 10 to 300 cm is plausible.
"""

from __future__ import annotations

import io
import json
import time
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from calibkit import assess, cli, simulation
from calibkit.channels import Channel
from calibkit.errors import CallError
from calibkit.fitted.features import layout
from calibkit.fitted.fitting import fit
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup
from calibkit.joined import run_coach, run_headless
from calibkit.joined.run import Memory, run_session
from calibkit.joined.run_setup import resolve
from calibkit.joined.run_verdict import doubtful, fault, worse_probability
from calibkit.kept import protocol as protocols
from calibkit.kept import records
from calibkit.kept.recording import Recording, target_rows
from calibkit.session import session_words as words
from calibkit.session.session import Session
from calibkit.session.session_look import Looks
from calibkit.session.session_plan import Plan, plan

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
GREY = (0.5, 0.5, 0.5)
SCREEN = tuple(
    Channel(label=axis, eye="both", type=f"Screen{axis}", unit="pixels")
    for axis in "XY"
)


def hold(
    name: str = "full",
    *,
    tracker: str = "pupil-reflex",
    seed: int = 2,
    advance: str | None = None,
    no_checks: bool = False,
    keys: tuple[tuple[float, str], ...] = (),
    lost: tuple[tuple[float, float], ...] = (),
    closes_s: float = float("inf"),
) -> tuple[Recording, str, Plan, simulation.Life]:
    """A session with a simulated person; what it recorded, and why it ended."""
    person = simulation.person(tracker=tracker, seed=seed, setup=SETUP, lapse_share=0.0)
    protocol = protocols.load(name)
    if no_checks:
        text = protocols.to_toml(protocol).replace('"off-grid"', "[]")
        protocol = protocols.parse(text)
    planned = plan(protocol, SETUP, np.random.default_rng(seed), advance=advance)
    watch = Looks(layout(person.channels), SETUP, hold_s=0.9, max_loss=0.4)
    presenter = run_headless.VirtualPresenter(keys=keys, closes_s=closes_s)
    life = person.begin(0.0)
    memory = Memory(channels=person.channels, setup=SETUP)
    reason = run_session(
        Session(planned, watch),
        presenter,
        run_headless.SimulatedSource(life, presenter, lost),
        [memory],
        run_headless.SimulatedMarkers(life),
    )
    return memory.recording(), reason, planned, life


def test_nine_points_in_well_under_a_second() -> None:
    hold(no_checks=True)
    took = []
    for _ in range(3):
        start = time.process_time()  # of the processor, whatever else runs
        rec, reason, _, _ = hold(no_checks=True)
        took.append(time.process_time() - start)
    assert reason == "done"
    assert len(rec.targets) == 9
    assert min(took) < 0.9


@pytest.mark.parametrize("tracker", ["pupil-reflex", "screen", "webcam"])
def test_looked_at_is_where_the_person_really_looked(tracker: str) -> None:
    """Against the simulated truth, which is never streamed."""
    rec, reason, _, life = hold("standard", tracker=tracker)
    times, gaze_px = life.truth()
    assert reason == "done"
    assert (rec.targets["role"] == "validation").sum() == 8
    for row in rec.targets:
        late = (times > row["offset"] - 0.5) & (times < row["offset"])
        away = np.median(gaze_px[late], axis=0) - (row["x"], row["y"])
        assert np.hypot(*away) / 38.0 < 2.0  # 38 px are a degree here


def test_recording_is_the_contracts(tmp_path: Path) -> None:
    rec, _, planned, _ = hold("standard")
    rec.save(tmp_path / "rec.h5")
    again = Recording.load(tmp_path / "rec.h5")
    assert again.targets.tolist() == rec.targets.tolist()
    assert np.all(np.diff(rec.time) > 0)
    assert rec.time[-1] > rec.targets["offset"][-1]
    assert set(rec.targets["role"]) == {"calibration", "validation"}
    shown = {(t.x, t.y) for t in planned.targets}
    assert {(row["x"], row["y"]) for row in rec.targets} == shown
    assert any(text.startswith("session start") for _, text in rec.events)


def test_gliding_target_is_followed_and_recorded_frame_by_frame() -> None:
    rec, reason, _, life = hold("glide", no_checks=True)
    assert reason == "done"
    assert np.isnan(rec.targets["x"]).all()
    times, gaze_px = life.truth()
    path = rec.target_path
    assert path is not None
    assert len(path) > 500
    seen = [np.interp(path[60:, 0], times, gaze_px[:, k]) for k in (0, 1)]
    away = np.hypot(seen[0] - path[60:, 1], seen[1] - path[60:, 2]) / 38.0
    assert np.median(away) < 2.0


def test_lost_stream_pauses_and_comes_back_to_the_same_point() -> None:
    rec, reason, _, _ = hold("quick", no_checks=True, lost=((3.6, 8.0),))
    texts = [text for _, text in rec.events]
    assert reason == "done"
    assert texts.index("stream lost") < texts.index("stream found")
    lost_s, found_s = (t for t, text in rec.events if text.startswith("stream "))
    # The last samples before came up to a quarter of a second earlier, in one lump.
    assert 0.5 - 0.25 <= lost_s - 3.6 < 0.6
    assert 8.0 <= found_s < 8.3
    assert rec.targets["kept"].sum() == 3
    during = (rec.targets["onset"] > lost_s) & (rec.targets["onset"] < found_s)
    assert not during.any()


def test_stream_that_never_comes_back_ends_the_session() -> None:
    _, reason, _, _ = hold("quick", lost=((3.0, 1e9),))
    assert reason == "lost"


def test_a_clock_correction_is_recorded_when_it_changes() -> None:
    """Source: contract, /gaze/clock: time and correction, one row a measurement."""
    rec, _, _, _ = hold("quick", no_checks=True)
    assert rec.clock is not None
    assert len(rec.clock) == 1
    assert rec.clock[0, 1] == 0.0


def test_a_sitting_ends_with_a_long_break(tmp_path: Path) -> None:
    """What was tried in the morning says nothing of how tired somebody is now."""
    for hour in ("08:00", "10:00", "10:30", "11:10"):
        entry = {"kind": "calibration", "created": f"2026-01-01T{hour}:00+00:00"}
        records.add_history(tmp_path, "wren", entry)
    records.add_history(tmp_path, "wren", {**entry, "kind": "validation"})
    attempt = SimpleNamespace(
        home=tmp_path, person="wren", created="2026-01-01T11:40:00+00:00"
    )
    found = [str(e["created"])[11:16] for e in run_coach._entries(attempt)]  # type: ignore[arg-type]
    assert found == ["10:00", "10:30", "11:10"]


def test_keys_are_recorded_with_their_time() -> None:
    presses = ((2.5, "space"), (5.0, "space"), (7.5, "space"))
    rec, reason, _, _ = hold("quick", advance="key", no_checks=True, keys=presses)
    assert reason == "done"
    pressed = [t for t, text in rec.events if text == "key space"]
    assert pressed == [2.5, 5.0, 7.5]
    assert rec.targets["offset"].tolist() == pressed
    assert set(rec.targets["advance"]) == {"key"}


def test_escape_and_a_closed_window_end_it_with_what_there_is() -> None:
    rec, reason, _, _ = hold("standard", keys=((6.0, "escape"),))
    assert reason == "stopped"
    assert 0 < len(rec.targets) < 6
    assert len(rec.time) > 1000
    _, reason, _, _ = hold("standard", closes_s=4.0)
    assert reason == "closed"


def test_the_look_that_ended_a_target_is_the_one_that_counts() -> None:
    """Three seconds elsewhere, then the look by which the target was ended."""
    rng = np.random.default_rng(4)
    times = np.linspace(0.0, 8.0, 801)
    xy = np.where(times[:, None] < 5.5, (300.0, 250.0), (1200.0, 700.0))
    xy = xy + rng.normal(0, 4, xy.shape)
    row = (2.0, 6.7, 1200.0, 700.0, "validation", "gaze", 1)
    rec = Recording(
        setup=SETUP,
        channels=SCREEN,
        time=times,
        samples=xy,
        targets=target_rows([row]),
    )

    class Same:
        def apply(self, samples: Any) -> Any:
            return Bent.Answer(xy=np.asarray(samples))

    result = assess(Same(), rec)
    assert result.accuracy_deg < 0.2
    assert result.targets["looked"].all()


# Set-up.


def asked(*answers: str) -> Any:
    left = list(answers)
    return lambda question, flag: left.pop(0)


STORED = {"screen_px": (1920, 1080), "screen_mm": (520.0, 290.0), "distance_mm": 650.0}
STREAM = {
    "screen_px": (1280.0, 720.0),
    "screen_mm": (300.0, 170.0),
    "distance_mm": (500.0,),
}


def test_set_up_comes_from_flags_then_stored_then_stream_then_a_question() -> None:
    flags = {"screen_mm": (400.0, 225.0), "distance_mm": 700.0}
    for given, stored, stream, mm, distance in (
        (flags, STORED, STREAM, (400.0, 225.0), 700.0),
        ({}, STORED, STREAM, (520.0, 290.0), 650.0),
        ({}, {}, STREAM, (450.0, 255.0), 500.0),
    ):
        found = resolve(
            given, stored, stream, screen_px=(1920, 1080), background=GREY, ask=asked()
        )
        assert found.setup.screen_mm == pytest.approx(mm)
        assert found.setup.distance_mm == distance
        assert not found.answers
    found = resolve(
        {}, {}, {}, screen_px=(800, 600), background=GREY, ask=asked("200x150", "550")
    )
    assert found.setup.screen_mm == (200.0, 150.0)
    assert found.answers == {
        "screen_mm": (200.0, 150.0),
        "screen_px": (800, 600),
        "distance_mm": 550.0,
    }


def test_window_is_its_share_of_the_screens_millimetres() -> None:
    found = resolve({}, STORED, {}, screen_px=(960, 540), background=GREY)
    assert found.setup.screen_mm == (260.0, 145.0)


def test_windows_millimetres_are_its_pixels_times_the_displays_pitch() -> None:
    """Plain arithmetic: 0.25 mm a pixel makes 960 x 540 pixels 240 x 135 mm."""
    window, display = (960, 540), (1920, 1080)
    whole = {"screen_mm": (480.0, 270.0), "distance_mm": 600.0}
    for stored, stream in ((whole, {}), ({}, whole)):
        found = resolve(
            {},
            stored,
            stream,
            screen_px=window,
            display_px=display,
            background=GREY,
        )
        assert found.setup.screen_mm == pytest.approx((240.0, 135.0))
    # What was answered for a full screen is right for a later window, and back.
    first = resolve(
        {}, {}, {}, screen_px=display, background=GREY, ask=asked("480x270", "600")
    )
    later = resolve({}, first.answers, {}, screen_px=window, background=GREY)
    assert later.setup.screen_mm == pytest.approx((240.0, 135.0))
    first = resolve(
        {}, {}, {}, screen_px=window, background=GREY, ask=asked("240x135", "600")
    )
    later = resolve({}, first.answers, {}, screen_px=display, background=GREY)
    assert later.setup.screen_mm == pytest.approx((480.0, 270.0))
    # The flag is of the window.
    flags = {"screen_mm": (200.0, 112.5)}
    found = resolve(flags, whole, {}, screen_px=window, background=GREY)
    assert found.setup.screen_mm == (200.0, 112.5)


def test_background_of_the_protocol_is_the_set_ups() -> None:
    found = resolve({}, STORED, {}, screen_px=None, background=(0.2, 0.2, 0.2))
    assert found.setup.background == (0.2, 0.2, 0.2)
    assert found.setup.screen_px == (1920, 1080)


@pytest.mark.parametrize(
    ("answers", "words_"),
    [
        (("52x29", "600"), "is not plausible"),
        (("520x290", "600"), None),
        (("520x290", "60"), "--distance-mm"),
        (("520x290", "6"), "--distance-mm"),
        (("520", "600"), "--screen-mm '520'"),
        (("wide", "600"), "--screen-mm 'wide'"),
        (("520x80", "600"), "not square"),
        (("520x290", "far"), "--distance-mm 'far'"),
    ],
)
def test_answers_that_are_not_plausible(
    answers: tuple[str, str], words_: str | None
) -> None:
    def go() -> object:
        return resolve(
            {}, {}, {}, screen_px=(1920, 1080), background=GREY, ask=asked(*answers)
        )

    if words_ is None:
        go()
        return
    with pytest.raises(CallError) as caught:
        go()
    assert words_ in str(caught.value)


# Verdicts.

# Student's sleep data: extra hours of sleep by two drugs on ten patients.
DRUG_1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
DRUG_2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def test_worse_with_probability_is_students_paired_t() -> None:
    assert worse_probability(DRUG_2, DRUG_1) == pytest.approx(1 - 0.001416, abs=2e-6)
    assert worse_probability(DRUG_1, DRUG_2) == pytest.approx(0.001416, abs=2e-6)
    scipy_stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(0)
    one, other = rng.normal(1, 0.3, 8), rng.normal(1.1, 0.3, 8)
    less = scipy_stats.ttest_rel(one, other, alternative="less").pvalue
    assert worse_probability(one, other) == pytest.approx(less)


def test_nothing_to_compare_is_even_odds() -> None:
    nan = np.full(4, np.nan)
    assert worse_probability(DRUG_1[:4], nan) == 0.5
    assert worse_probability(np.ones(4), np.ones(4)) == 0.5
    assert worse_probability(np.full(4, 2.0), np.ones(4)) == 1.0


class Bent:
    """A mapping whose answer is bent after the fact."""

    @dataclass
    class Answer:
        xy: np.ndarray

    def __init__(self, mapping: Mapping, bend: Any) -> None:
        self._mapping, self._bend = mapping, bend
        self.looks = mapping.looks

    def apply(self, samples: Any) -> Any:
        gaze = self._mapping.apply(samples)
        return type(gaze)(xy=self._bend(gaze.xy.copy()), sd=gaze.sd)


def _mirrored(xy: np.ndarray) -> np.ndarray:
    xy[:, 0] = 1920 - xy[:, 0]
    return xy


def _folded(xy: np.ndarray) -> np.ndarray:
    turned = np.where(np.abs(xy - 960) < 400, 960 - 3 * (xy - 960), xy)
    return np.column_stack([turned[:, 0], xy[:, 1]])


def test_mirrored_folded_far_and_empty_mappings_are_faults() -> None:
    rec, _, _, _ = hold("full", no_checks=True)
    mapping = fit(rec)
    assert fault(mapping, rec) == ""
    for bend, words_ in (
        (_mirrored, "mirrored"),
        (_folded, "folds back"),
        (lambda xy: xy + 9000, "outside the screen"),
        (lambda xy: xy + 9000 * (np.arange(len(xy)) % 10 < 7)[:, None], "outside"),
        (lambda xy: xy * np.nan, "no sample"),
    ):
        assert words_ in fault(Bent(mapping, bend), rec)  # type: ignore[arg-type]


def test_a_target_nobody_looked_at_is_doubtful() -> None:
    rec, _, planned, _ = hold("full", no_checks=True)
    moved = rec.targets.copy()
    moved["x"][4] += 500
    wrong = Recording(
        setup=rec.setup,
        channels=rec.channels,
        time=rec.time,
        samples=rec.samples,
        targets=moved,
    )
    assert doubtful(fit(rec), planned) == ()
    target = planned.targets[4]
    moved_plan = Plan(
        setup=planned.setup,
        targets=tuple(
            type(t)(id=t.id, x=t.x + 500 * (t is target), y=t.y, role=t.role, gap_s=0)
            for t in planned.targets
        ),
        advance="gaze",
        look=planned.look,
        pace=planned.pace,
    )
    assert doubtful(fit(wrong), moved_plan) == (target.id,)


# The commands.


def command(
    capsys: pytest.CaptureFixture[str], home: Path, *arguments: str
) -> tuple[int, str, str]:
    status = cli.main([*arguments, "--home", str(home)])
    out, err = capsys.readouterr()
    return status, out, err


CALIBRATE = ("calibrate", "--person", "wren", "--headless", "--seed", "3")


@pytest.fixture
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))


@pytest.mark.usefixtures("no_terminal")
def test_calibrate_then_validate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = command(capsys, tmp_path, *CALIBRATE, "--json")
    found = json.loads(out)
    assert status == 0
    rec = Recording.load(found["recording"])
    assert rec.person == "wren"
    assert rec.attempt == 1
    assert protocols.parse(rec.protocol).name == "standard"
    assert found["mapping"]["in_use"]
    assert found["result"]["accuracy_deg"] < 2.0
    assert found["keys"]["rows"] >= 1
    assert not list(tmp_path.rglob("*.journal"))
    status, out, _ = command(capsys, tmp_path, "validate", *CALIBRATE[1:], "--json")
    checked = json.loads(out)
    assert status == 0
    assert checked["attempt"] == 2
    assert checked["mapping"]["id"] == found["mapping"]["id"]
    roles = Recording.load(checked["recording"]).targets["role"]
    assert set(roles) == {"validation"}
    then = found["result"]["accuracy_deg"]
    assert checked["since"]["then_deg"] == pytest.approx(then)
    assert "when it was made" in checked["words"]


@pytest.mark.usefixtures("no_terminal")
@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--shared", "starter-screen"), "pupil and two reflexes"),
        (("--shared", "starter-pupil-reflex", "--protocol", "offset"), "too few"),
    ],
)
def test_what_cannot_serve_is_refused_before_anybody_is_asked_to_look(
    more: tuple[str, ...],
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Source: contract, command line: inputs are checked first; mapping.md, section 5:
    raw features of a foreign geometry are refused at 0 and 1 points."""
    status, _, err = command(capsys, tmp_path, *CALIBRATE, *more)
    assert status == 3
    assert words in err
    assert not list(tmp_path.rglob("*.h5"))
    assert not list(tmp_path.rglob("*.journal"))


@pytest.mark.usefixtures("no_terminal")
@pytest.mark.parametrize("advance", ["gaze", "timer", "key"])
def test_each_way_to_move_on_without_a_window(
    advance: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Source: contract: sessions take --advance gaze, timer or key, and --headless.
    call = (*CALIBRATE, "--advance", advance, "--set", "keys.next='n'", "--json")
    status, out, _ = command(capsys, tmp_path, *call)
    assert status == 0
    rec = Recording.load(json.loads(out)["recording"])
    assert set(rec.targets["advance"]) == {advance}
    pressed = [when for when, text in rec.events if text == "key n"]
    assert len(pressed) == (len(rec.targets) if advance == "key" else 0)
    if advance == "key":
        assert rec.targets["offset"] == pytest.approx(pressed, abs=1e-6)
    assert json.loads(out)["result"]["accuracy_deg"] < 2.0


@pytest.mark.usefixtures("no_terminal")
def test_a_glide_that_a_key_ends(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call = (*CALIBRATE, "--protocol", "glide", "--advance", "key", "--json")
    status, out, _ = command(capsys, tmp_path, *call)
    assert status == 0
    rec = Recording.load(json.loads(out)["recording"])
    (glide,) = rec.targets[rec.targets["role"] == "calibration"]
    assert np.isnan(glide["x"])
    assert rec.target_path is not None
    assert glide["offset"] > rec.target_path[-1, 0] - 1.0  # not cut short
    assert json.loads(out)["result"]["accuracy_deg"] < 2.0


@pytest.mark.usefixtures("no_terminal")
def test_worse_mapping_is_6_and_replaces_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    status, out, _ = command(capsys, tmp_path, *CALIBRATE, "--json")
    assert status == 0
    before = json.loads(out)["mapping"]["id"]
    monkeypatch.setattr(
        "calibkit.joined.run_conclude.worse_probability", lambda new, old: 0.95
    )
    status, out, err = command(capsys, tmp_path, *CALIBRATE, "--json")
    assert status == 6
    assert "nothing was replaced" in err
    assert not json.loads(out)["mapping"]["in_use"]
    _, out, _ = command(capsys, tmp_path, "validate", *CALIBRATE[1:], "--json")
    assert json.loads(out)["mapping"]["id"] == before


@pytest.mark.usefixtures("no_terminal")
def test_the_operator_may_replace_by_a_worse_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert command(capsys, tmp_path, *CALIBRATE)[0] == 0
    monkeypatch.setattr(
        "calibkit.joined.run_conclude.worse_probability", lambda new, old: 0.95
    )
    status, out, _ = command(capsys, tmp_path, *CALIBRATE, "--json", "--replace")
    assert status == 0
    assert json.loads(out)["mapping"]["in_use"]


@pytest.mark.usefixtures("no_terminal")
def test_chair_and_bed_have_each_their_mapping_and_distance(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ids = {}
    for name, distance in (("chair", "550"), ("bed", "700")):
        more = ("--setup", name, "--distance-mm", distance, "--json")
        status, out, _ = command(capsys, tmp_path, *CALIBRATE, *more)
        assert status == 0
        ids[name] = json.loads(out)["mapping"]["id"]
    assert ids["chair"] != ids["bed"]
    # Neither is asked for again, and each is found under an id that all commands take.
    for arguments, name, distance_mm in (
        (("--setup", "bed"), "bed", 700.0),
        (("--person", "wren--chair"), "chair", 550.0),
    ):
        checked = ("validate", *CALIBRATE[1:], *arguments, "--json")
        status, out, _ = command(capsys, tmp_path, *checked)
        found = json.loads(out)
        assert status == 0
        assert found["mapping"]["id"] == ids[name]
        assert found["setup"]["distance_mm"] == distance_mm
    status, _, err = command(capsys, tmp_path, "validate", *CALIBRATE[1:])
    assert status == 3
    assert "wren" in err
    for bad in ("", "Bed", "-", "a--b", "x" * 17, "../x"):
        status, _, err = command(capsys, tmp_path, *CALIBRATE, f"--setup={bad}")
        assert status == 2
        assert "chair or bed" in err
    status, out, _ = command(capsys, tmp_path, "profiles", "list")
    assert "wren--bed" in out
    assert "wren--chair" in out


@pytest.mark.usefixtures("no_terminal")
def test_one_point_needs_an_earlier_mapping_and_uses_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = (*CALIBRATE, "--protocol", "offset")
    status, _, err = command(capsys, tmp_path, *one)
    assert status == 3
    assert "too few points" in err
    assert not list(tmp_path.rglob("*.h5"))
    assert command(capsys, tmp_path, *CALIBRATE)[0] == 0
    assert command(capsys, tmp_path, *one)[0] == 0


@pytest.mark.usefixtures("no_terminal")
@pytest.mark.parametrize(
    ("arguments", "status", "words_"),
    [
        (("calibrate", "--person", "a/b", "--headless"), 2, "a/b"),
        (("calibrate", "--person", "../x", "--headless"), 2, "../x"),
        (("calibrate", "--headless"), 2, "--person"),
        ((*CALIBRATE, "--protocol", "standart"), 3, "did you mean 'standard'?"),
        ((*CALIBRATE, "--protocol", "none.toml"), 3, "none.toml"),
        ((*CALIBRATE, "--advance", "blink"), 2, "blink"),
        ((*CALIBRATE, "--window", "12"), 2, "12"),
        ((*CALIBRATE, "--distance-mm", "nan"), 2, "nan"),
        ((*CALIBRATE, "--stream", "x"), 2, "--stream"),
        ((*CALIBRATE, "--between"), 2, "--between"),
        ((*CALIBRATE, "--shared", "own"), 2, "--shared own"),
        ((*CALIBRATE, "--shared", "none.h5"), 3, "none.h5"),
        ((*CALIBRATE, "--screen-mm", "500x50"), 2, "not square"),
        (("validate", "--person", "nobody", "--headless"), 3, "no mapping is stored"),
        (("calibrate", "--person", "wren", "--tracker", "webcam"), 2, "--headless"),
        (("check", "--kind", "sleepy"), 2, "--headless"),
        (("check", "--seed", "0"), 2, "--headless"),
        ((*CALIBRATE, "--page-at", "192.168.0.5"), 2, "--operator page"),
        ((*CALIBRATE, "--protocol", "off-grid"), 2, "calibkit validate"),
    ],
)
def test_unusable_calls_are_one_sentence(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    status: int,
    words_: str,
) -> None:
    found, out, err = command(capsys, tmp_path, *arguments)
    assert found == status
    assert words_ in err
    assert "Traceback" not in err
    assert not out
    assert not list(tmp_path.rglob("*.h5"))


@pytest.mark.usefixtures("no_terminal")
def test_no_display_is_4_and_names_the_package(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.setattr("platform.system", lambda: "Linux")
    arguments = ("calibrate", "--person", "wren")
    status, _, err = command(capsys, tmp_path, *arguments)
    assert status == 4
    assert "xvfb" in err


def test_an_invented_operator_leaves_a_glide_to_its_end() -> None:
    """A press belongs to a target that rests, and has been there for a while."""
    operator = run_headless.Operator("space", 1)
    times = np.arange(0.0, 12.0, 0.1).tolist()
    # One that rests for 4 s, one that glides for 4 s, the same again at rest.
    pressed = [
        time_s
        for time_s in times
        if operator.presses(1 if time_s < 4.0 else 2, 4.0 <= time_s < 8.0, time_s)
    ]
    first, last = run_headless.LOOKED_S
    assert not [time_s for time_s in pressed if 4.0 <= time_s < 8.0 + first]
    assert first <= pressed[0] <= last + 0.1
    assert 8.0 + first - 0.1 <= min(t for t in pressed if t > 4.0) <= 8.0 + last + 0.1
    assert operator.presses(None, False, 99.0) == []


class Interrupting(run_headless.VirtualPresenter):
    """Somebody presses Ctrl-C after some seconds."""

    def step(self, commands: Any) -> Any:
        if self.time_s > 5.0:
            raise KeyboardInterrupt
        return super().step(commands)


@pytest.mark.usefixtures("no_terminal")
def test_interrupted_is_130_and_the_recording_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("calibkit.joined.run_headless.VirtualPresenter", Interrupting)
    status, _, err = command(capsys, tmp_path, *CALIBRATE)
    assert status == 130
    assert "Traceback" not in err
    (kept,) = tmp_path.rglob("*.h5")
    assert Recording.load(kept).time[-1] > 4.0
    assert not list(tmp_path.rglob("*.journal"))


@pytest.mark.usefixtures("no_terminal")
@pytest.mark.parametrize(("stops_s", "usable"), [(4.0, False), (20.0, True)])
def test_a_stopped_calibration_says_how_its_looks_can_be_used(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    stops_s: float,
    usable: bool,
) -> None:
    """A client who tires at the check targets has looked at six for a mapping."""

    class Stopping(run_headless.VirtualPresenter):
        def __init__(self, **more: Any) -> None:
            super().__init__(keys=((stops_s, "escape"),), **more)

    monkeypatch.setattr("calibkit.joined.run_headless.VirtualPresenter", Stopping)
    status, _, err = command(capsys, tmp_path, *CALIBRATE)
    assert status == 7
    (kept,) = tmp_path.rglob("*.h5")
    assert (f"calibkit fit {kept} -o" in err) is usable
    mapping = tmp_path / "mapping.h5"
    if usable:
        assert cli.main(["fit", str(kept), "-o", str(mapping)]) == 0
        assert mapping.exists()


def test_operator_is_told_each_point() -> None:
    person = simulation.person(seed=2, setup=SETUP)
    planned = plan(protocols.load("quick"), SETUP, np.random.default_rng(0))
    presenter = run_headless.VirtualPresenter()
    life = person.begin(0.0)
    said: list[str] = []
    run_session(
        Session(planned),
        presenter,
        run_headless.SimulatedSource(life, presenter),
        [],
        run_headless.SimulatedMarkers(life),
        None,
        said.append,
    )
    assert said[0] == "1 of 11: point"
    assert said[-1] == "11 of 11: check point"
    assert len(said) == 11


def test_virtual_presenter_tells_keys_and_closing_in_time() -> None:
    presenter = run_headless.VirtualPresenter(keys=((0.05, "space"),), closes_s=0.2)
    seen: list[words.Event] = []
    for _ in range(8):
        seen += presenter.step(())
    assert words.Key(time_s=0.05, name="space") in seen
    assert any(isinstance(event, words.WindowClosed) for event in seen)
    presenter.close()
