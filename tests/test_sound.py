"""The cue as numbers, and silence where nothing can play it.

Outside sources: safety notes, section 6 (at most -20 dBFS, ramps of 10 ms or more);
scipy's Welch spectrum; the standard library's own WAV reader.
"""

from __future__ import annotations

import io
import logging
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from calibkit.window import sound


def test_never_louder_than_20_db_below_full_scale() -> None:
    level = 20 * np.log10(np.abs(sound.tone()).max())
    assert level == pytest.approx(-26.0, abs=0.1)
    assert level <= -20.0


def test_ramps_take_10_ms_or_more_and_nothing_clicks() -> None:
    samples = sound.tone()
    peak = np.abs(samples).max()
    loud = np.flatnonzero(np.abs(samples) > 0.9 * peak)
    assert loud[0] / sound.RATE_HZ >= 0.010
    assert (len(samples) - 1 - loud[-1]) / sound.RATE_HZ >= 0.010
    assert samples[0] == pytest.approx(0.0, abs=1e-12)
    assert samples[-1] == pytest.approx(0.0, abs=1e-12)
    # No step is larger than the sine itself makes.
    steepest = 2 * np.pi * sound.TONE_HZ / sound.RATE_HZ * peak
    assert np.abs(np.diff(samples)).max() <= 1.05 * steepest


def test_it_is_one_sine() -> None:
    signal = pytest.importorskip("scipy.signal")
    frequency, power = signal.welch(sound.tone(), sound.RATE_HZ, nperseg=8192)
    near = np.abs(frequency - sound.TONE_HZ) < 60.0
    assert frequency[power.argmax()] == pytest.approx(sound.TONE_HZ, abs=6.0)
    assert power[near].sum() > 0.99 * power.sum()


def test_wav_is_what_it_says() -> None:
    with wave.open(io.BytesIO(sound.encoded(sound.tone()))) as file:
        assert file.getparams()[:3] == (1, 2, sound.RATE_HZ)
        data = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32767.0
    assert np.abs(data - sound.tone()).max() < 1e-4


def test_silent_with_one_line_where_there_is_no_player(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with caplog.at_level(logging.WARNING, "calibkit"):
        quiet = sound.Sound(find=lambda name: None, system="Linux")
        for _ in range(5):
            quiet.play()
        quiet.close()
    assert quiet.silent
    assert len(caplog.records) == 1
    assert "silent" in caplog.text


def player(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, status: int) -> sound.Sound:
    """A player that notes what it was given, and ends as it is told."""
    note = str(tmp_path / "played")
    code = (
        "import sys, pathlib; data = pathlib.Path(sys.argv[1]).read_bytes(); "
        f"pathlib.Path({note!r}).write_bytes(data); sys.exit({status})"
    )
    monkeypatch.setattr(sound, "PLAYERS", ((sys.executable, "-c", code),))
    return sound.Sound(find=lambda name: name, system="Linux")


def until_it_ends(cue: sound.Sound) -> None:
    end_s = time.monotonic() + 20.0
    while cue._busy():
        assert time.monotonic() < end_s


def test_player_gets_the_tone_and_its_file_goes_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cue = player(tmp_path, monkeypatch, 0)
    cue.play()
    cue.play()  # one still plays: no second on top of it
    until_it_ends(cue)
    assert (tmp_path / "played").read_bytes() == sound.encoded(sound.tone())
    assert not cue.silent
    file = cue._file
    assert file is not None
    cue.close()
    assert not file.exists()


def test_a_player_without_a_device_is_tried_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING, "calibkit"):
        cue = player(tmp_path, monkeypatch, 1)
        cue.play()
        until_it_ends(cue)
        for _ in range(3):
            cue.play()
        cue.close()
    assert cue.silent
    assert len(caplog.records) == 1
