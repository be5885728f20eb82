"""The signal check before a session, on a virtual clock: told, never in the way.

Outside sources: the contract (7 when somebody stops; going on is always allowed);
issue 4 (first step of every session). What a signal is worth is tested in test_signals.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibkit import cli, simulation
from calibkit.errors import StoppedError
from calibkit.geometry import Setup
from calibkit.joined import run_check, run_headless
from calibkit.joined.run_attempt import Attempt, Ends
from calibkit.kept import protocol as protocols
from calibkit.session.session_plan import plan
from calibkit.streams.lsl_found import Chunk

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)


class Blind:
    """A source whose eyes are covered until a time."""

    def __init__(self, inner: Any, clock: Any, until_s: float) -> None:
        self._inner, self._clock, self._until_s = inner, clock, until_s

    def pull(self) -> Chunk:
        chunk = self._inner.pull()
        if self._clock.time_s >= self._until_s:
            return chunk
        return Chunk(
            time_raw=chunk.time_raw,
            samples=np.full_like(chunk.samples, np.nan),
            correction_s=0.0,
        )

    def notes(self) -> list[tuple[float, str]]:
        return []

    def close(self) -> None:
        """Nothing is open."""


def make(
    tmp_path: Path,
    *keys: tuple[float, str],
    blind_until_s: float = 0.0,
    closes_s: float = float("inf"),
    kind: str = "steady",
) -> tuple[Attempt, Ends, run_headless.VirtualPresenter, list[str]]:
    person = simulation.person(kind=kind, seed=3, setup=SETUP)
    protocol = protocols.load("quick")
    presenter = run_headless.VirtualPresenter(keys=keys, closes_s=closes_s)
    life = person.begin(0.0)
    attempt = Attempt(
        home=tmp_path,
        person="wren",
        session="s",
        number=1,
        created="2026-01-01T00:00:00+00:00",
        protocol=protocol,
        plan=plan(protocol, SETUP, np.random.default_rng(0)),
        setup=SETUP,
        channels=person.channels,
        name="n",
        source_id="calibkit-raw:n",
        nominal_rate=person.nominal_rate,
    )
    said: list[str] = []
    source = run_headless.SimulatedSource(life, presenter)
    ends = Ends(
        presenter=presenter,
        source=Blind(source, presenter, blind_until_s),
        markers=run_headless.SimulatedMarkers(life),
        tell=said.append,
    )
    return attempt, ends, presenter, said


def test_a_good_signal_begins_by_itself_and_is_said_so(tmp_path: Path) -> None:
    attempt, ends, presenter, said = make(tmp_path)
    signal = run_check.first(attempt, ends)
    assert not signal.lost
    assert 2.0 <= presenter.time_s < 2.5
    assert len(said) <= 3
    assert signal.rate.measured_hz == pytest.approx(attempt.nominal_rate, rel=0.1)


def test_a_poor_signal_is_told_once_and_the_next_key_goes_on(tmp_path: Path) -> None:
    attempt, ends, presenter, said = make(tmp_path, (6.0, "space"), blind_until_s=1e9)
    signal = run_check.first(attempt, ends)
    assert signal.lost
    assert presenter.time_s == pytest.approx(6.0, abs=0.1)
    assert said.count("“Next” goes on anyway.") == 1
    assert any("not seen" in line for line in said)


def test_it_goes_on_when_the_signal_gets_better_or_nobody_comes(tmp_path: Path) -> None:
    attempt, ends, presenter, _ = make(tmp_path, blind_until_s=5.0)
    signal = run_check.first(attempt, ends)
    assert not signal.lost
    assert 5.0 < presenter.time_s < 9.0
    attempt, ends, presenter, _ = make(tmp_path, blind_until_s=1e9)
    run_check.first(attempt, ends, patient_s=10.0)
    assert 12.0 < presenter.time_s < 12.5


def test_one_eye_that_is_never_seen_holds_nobody_up_and_is_told_once(
    tmp_path: Path,
) -> None:
    """Common practice, no source: one eye is enough to begin."""
    attempt, ends, presenter, said = make(tmp_path, kind="one-eye")
    signal = run_check.first(attempt, ends)
    assert not signal.lost
    assert any(finding.level == "poor" for finding in signal.findings)
    assert 5.0 < presenter.time_s < 7.5
    assert len(said) == len(set(said))
    assert sum("not seen" in line for line in said) == 1


def test_headless_is_never_held_up(tmp_path: Path) -> None:
    attempt, ends, presenter, _ = make(tmp_path, blind_until_s=1e9)
    alone = Ends(presenter=presenter, source=ends.source, markers=ends.markers)
    run_check.first(attempt, alone)
    assert presenter.time_s < 2.5


@pytest.mark.parametrize(
    "more", [{"closes_s": 1.0}, {"keys": ((1.0, "escape"),)}], ids=["closed", "stopped"]
)
def test_stopped_here_nothing_is_recorded(tmp_path: Path, more: Any) -> None:
    keys = more.pop("keys", ())
    attempt, ends, _, _ = make(tmp_path, *keys, **more)
    with pytest.raises(StoppedError, match="nothing was recorded"):
        run_check.first(attempt, ends)


def test_it_can_be_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def never(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr("calibkit.joined.run_check.first", never)
    call = ["calibrate", "--person", "wren", "--headless", "--seed", "3"]
    assert cli.main([*call, "--no-check", "--home", str(tmp_path)]) == 0
    assert cli.main([*call, "--home", str(tmp_path)]) == 1
    capsys.readouterr()
