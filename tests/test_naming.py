"""Asking for channel names. Types: XDF wiki, "Gaze Meta-Data"."""

from __future__ import annotations

import pytest

from calibkit.channels import feature_sources
from calibkit.errors import CallError
from calibkit.joined import naming


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
