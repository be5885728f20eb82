"""Asking for channel names. Types: XDF wiki, "Gaze Meta-Data"."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibkit.channels import feature_sources
from calibkit.errors import CallError
from calibkit.joined import naming
from calibkit.kept import settings


def test_answers_become_channels() -> None:
    typed = iter(["Left ScreenX pixels", "left ScreenY pixels", ""])
    channels = naming.ask_channels(["a", "b", "c"], lambda _: next(typed))
    assert [(c.label, c.eye, c.type, c.unit) for c in channels] == [
        ("a", "left", "ScreenX", "pixels"),
        ("b", "left", "ScreenY", "pixels"),
        ("c", "", "", ""),
    ]
    assert feature_sources(channels)["left"].columns == (0, 1)


def test_a_unit_may_be_left_out_or_have_words() -> None:
    assert naming.parse("both PupilX", "a").unit == ""
    assert naming.parse("both Diameter camera pixels", "a").unit == "camera pixels"


@pytest.mark.parametrize("line", ["ScreenX", "third ScreenX", "left"])
def test_what_cannot_be_read_is_refused(line: str) -> None:
    with pytest.raises(CallError, match=naming.EXAMPLE):
        naming.parse(line, "a")


def test_names_that_give_no_gaze_are_refused() -> None:
    with pytest.raises(CallError, match="no gaze"):
        naming.ask_channels(["a", "b"], lambda _: "left ScreenX px")


def test_a_slip_of_the_hand_is_asked_again() -> None:
    typed = iter(["lef ScreenX px", "left ScreenX px", "left ScreenY px"])
    channels = naming.ask_channels(["a", "b"], lambda _: next(typed))
    assert [c.eye for c in channels] == ["left", "left"]


GUESSES = {
    "gaze_x": ("both", "ScreenX", "normalized"),
    "LeftGazeY": ("left", "ScreenY", "normalized"),
    "leftgazex": ("left", "ScreenX", "normalized"),
    "rx": ("right", "ScreenX", "normalized"),
    "r.pupil.y": ("right", "PupilY", "normalized"),
    "right glint x": ("right", "ReflexX", "normalized"),
    "left_pupil_diameter": ("left", "Diameter", ""),
    "confidence": ("both", "Confidence", ""),
    "direction_z": ("both", "DirectionZ", ""),
    "channel 3": ("", "", ""),
    "battery": ("", "", ""),
    "index": ("", "", ""),
    "z": ("", "", ""),
}


@pytest.mark.parametrize("label", GUESSES)
def test_labels_are_guessed_for_a_draft(label: str) -> None:
    """Common spellings, no source; a guess is only a draft."""
    guess = naming.guess(label, 0.1, 0.9)
    assert (guess.eye, guess.type, guess.unit) == GUESSES[label]
    assert naming.guess("x", 10, 900).unit == "pixels"


def test_a_draft_is_a_channel_map(tmp_path: Path) -> None:
    path = tmp_path / "names.toml"
    text = naming.draft(
        ["gaze x", 'the "other"', "gaze y"],
        [(0.1, 0.5, 0.9), (None, None, None), (0.0, 0.5, 1.0)],
    )
    path.write_text(text, "utf-8")
    names = settings.read_channel_map(path)
    assert [c.type for c in names.channels] == ["ScreenX", "", "ScreenY"]
    assert names.channels[1].label == 'the "other"'
    assert "# 1, sent 0.1 to 0.9" in text
    assert "# 2, sent nothing" in text
