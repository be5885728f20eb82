"""The signal check as a command, and its page."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from calibkit import simulation
from calibkit.cli import main
from calibkit.joined import check, run_headless
from calibkit.live import signals
from calibkit.live.signals_facts import Signal
from calibkit.report import signal_page


def test_words_and_json_agree(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    call = ["check", "--headless", "--seed", "4", "--for", "4", "--home", str(tmp_path)]
    assert main(call) == 0
    words = capsys.readouterr().out
    assert main([*call, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["lost"] is False
    assert found["words"] in words
    assert all(finding["words"] in words for finding in found["findings"])
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("tracker", simulation.TRACKERS)
def test_the_same_seed_is_the_same_answer(
    tracker: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    call = ["check", "--headless", "--tracker", tracker, "--for", "3", "--json"]
    call += ["--home", str(tmp_path)]
    answers = []
    for _ in range(2):
        assert main(call) == 0
        answers.append(capsys.readouterr().out)
    assert answers[0] == answers[1]


def test_the_page_is_self_contained_and_well_formed(tmp_path: Path) -> None:
    page = tmp_path / "check.html"
    call = ["check", "--headless", "--tracker", "screen", "--kind", "head-mover"]
    call += ["--for", "3", "-o", str(page), "--home", str(tmp_path / "home")]
    assert main(call) == 0
    text = page.read_text(encoding="utf-8")
    assert "://" not in text
    assert "<script" not in text
    svg = re.search(r"<svg.*</svg>", text, re.DOTALL)
    assert svg is not None
    drawn = ElementTree.fromstring(svg.group())
    assert len(drawn.findall("rect")) == 2 * len(re.findall(r" off</text>", text))
    assert main(call) == 2


def test_the_page_escapes_names() -> None:
    person = simulation.person(tracker="screen", seed=1)
    time, samples = person.begin(0.0).advance(1.0)
    signal = signals.judge(time, samples, person.channels, person.setup)
    assert "<b>x" not in signal_page.page(signal, "<b>x & y")


def test_lost_eyes_are_no_error() -> None:
    """The operator may go on: everything lost is words, not an exit status."""
    person = simulation.person(tracker="screen", seed=1)
    presenter = run_headless.VirtualPresenter()
    source = run_headless.SimulatedSource(
        person.begin(0.0), presenter, lost=[(0.0, 99.0)]
    )
    told: list[Signal] = []
    stream = check.Stream(
        source=source, channels=person.channels, setup=person.setup, nominal_rate=60
    )
    signal = check.watch(
        stream, lambda: presenter.time_s, lambda: presenter.step(()), 3.0, told.append
    )
    assert signal.lost
    assert len(told) == 2
    assert check.plain(signal)["lost"] is True


def test_a_pipe_gets_only_what_changed(capsys: pytest.CaptureFixture[str]) -> None:
    person = simulation.person(tracker="screen", seed=1)
    time, samples = person.begin(0.0).advance(2.0)
    good = signals.judge(time, samples, person.channels, person.setup)
    gone = signals.judge(
        time, np.full_like(samples, np.nan), person.channels, person.setup
    )
    teller = check.Teller(io.StringIO())
    for signal in (good, good, gone):
        teller(signal)
    said = capsys.readouterr().err
    assert said.count("The left eye is seen") == 1
    assert said.count("The left eye is not seen") == 1
    assert "\x1b" not in said


@pytest.mark.parametrize(
    ("call", "status"),
    [
        (["--headless", "--stream", "x"], 2),
        (["--for", "0"], 2),
        (["--headless", "--kind", "nobody"], 2),
        (["--headless", "--person", "Ana Name"], 2),
    ],
)
def test_unusable_calls(
    call: list[str],
    status: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["check", *call, "--home", str(tmp_path)]) == status
    assert "Traceback" not in capsys.readouterr().err


def test_a_person_adds_degrees_and_the_seat(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(tmp_path)]
    assert (
        main(["calibrate", "--headless", "--person", "p1", "--seed", "1", *home]) == 0
    )
    capsys.readouterr()
    call = ["check", "--headless", "--seed", "1", "--person", "p1", "--json", *home]
    assert main(call) == 0
    found = json.loads(capsys.readouterr().out)
    assert 0 < found["gaze"]["sd_deg"] < 2


def test_a_setup_is_made_only_of_what_is_known() -> None:
    assert check.setup_of({"screen_px": (10, 10)}, {}) is None
    both = check.setup_of(
        {"distance_mm": 500.0},
        {"screen_px": (100, 80), "screen_mm": (300, 200), "distance_mm": (700.0,)},
    )
    assert both is not None
    assert both.distance_mm == 500.0
