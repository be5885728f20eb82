"""Targets and notes of a recording, as the events of a BIDS data set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.archive.tables import Column
from calibkit.kept.recording import Recording

_PLACE_DIGITS, _TIME_DIGITS = 4, 9  # of a pixel, of a second


@dataclass(frozen=True, kw_only=True)
class Event:
    """A target, or something that was noted."""

    onset_s: float
    duration_s: float
    kind: str
    x: float = float("nan")
    y: float = float("nan")
    advance: str = ""
    kept: str = ""
    message: str = ""


def events(rec: Recording) -> list[Event]:
    """Return targets and noted events, by time; those without a time are left out."""
    found = [
        Event(
            onset_s=float(row["onset"]),
            duration_s=max(float(row["offset"] - row["onset"]), 0.0),
            kind=str(row["role"]),
            x=float(row["x"]),
            y=float(row["y"]),
            advance=str(row["advance"]),
            kept="1" if row["kept"] else "0",
            message=_target_words(row),
        )
        for row in rec.targets
    ]
    found += [
        Event(onset_s=time_s, duration_s=float("nan"), kind="note", message=text)
        for time_s, text in rec.events
    ]
    return sorted((e for e in found if np.isfinite(e.onset_s)), key=lambda e: e.onset_s)


def _target_words(row: np.void) -> str:
    moved = row["x"] != row["x"]
    place = "a moving target" if moved else f"target at {row['x']:g} {row['y']:g} px"
    return place if row["kept"] else f"{place}, left out by the operator"


def columns(found: Sequence[Event], start_s: float, *, places: bool) -> list[Column]:
    """Return events as columns.

    Parameters
    ----------
    found : sequence of Event
    start_s : float
        Where their times count from.
    places : bool
        With the targets' places in columns of their own.
    """
    onset = _numbers(found, "onset_s") - start_s
    duration = _numbers(found, "duration_s")
    kinds = [event.kind for event in found]
    return [
        _time("onset", "Start of the event", onset),
        _time("duration", "How long it lasted", duration),
        _words("trial_type", "What the target was for, or a note", kinds),
        *(_places(found) if places else ()),
        _words("message", "The event in words", [event.message for event in found]),
    ]


def _places(found: Sequence[Event]) -> list[Column]:
    about = "Where the target was, {}; n/a while it moves"
    place = [
        Column(
            name=f"target_{axis}",
            about=about.format(way),
            values=_numbers(found, axis),
            unit="pixel",
            digits=_PLACE_DIGITS,
        )
        for axis, way in (("x", "from the left edge"), ("y", "from the top edge"))
    ]
    ended = "What ended the target: gaze, a timer or a key"
    kept = "1, or 0 when the operator left the target out"
    return [
        *place,
        _words("advance", ended, [event.advance for event in found]),
        _words("kept", kept, [event.kept for event in found]),
    ]


def _numbers(found: Sequence[Event], name: str) -> NDArray[np.float64]:
    return np.array([getattr(event, name) for event in found], float)


def _time(name: str, about: str, values: NDArray[np.float64]) -> Column:
    return Column(name=name, about=about, values=values, unit="s", digits=_TIME_DIGITS)


def _words(name: str, about: str, values: list[str]) -> Column:
    return Column(name=name, about=about, values=values)
