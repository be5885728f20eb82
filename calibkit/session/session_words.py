"""What goes into a session and what comes out of it: events in, commands out.

Every event carries its own time, in seconds on the LSL clock; the session has no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Notes that the operator is told of too.
GOOD_ENOUGH = "good enough, calibration ends"
NO_LOOKS = "three targets in a row without a look"
CHECK_SHORTENED = "three check targets in a row without a look, check shortened"


@dataclass(frozen=True, kw_only=True)
class Event:
    """Something that happened, and when."""

    time_s: float


@dataclass(frozen=True, kw_only=True)
class Tick(Event):
    """A frame went by."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Gaze(Event):
    """Raw samples (n, c) with their times (n,)."""

    times: NDArray[np.float64]
    samples: NDArray[np.floating]


@dataclass(frozen=True, kw_only=True)
class Key(Event):
    """A key went down."""

    name: str


@dataclass(frozen=True, kw_only=True)
class Shown(Event):
    """A frame with the target became visible; x and y say where it was, px."""

    id: int
    x: float
    y: float


@dataclass(frozen=True, kw_only=True)
class StreamLost(Event):
    """No gaze came for too long."""


@dataclass(frozen=True, kw_only=True)
class StreamFound(Event):
    """Gaze comes again."""


@dataclass(frozen=True, kw_only=True)
class WindowClosed(Event):
    """The window is gone."""


@dataclass(frozen=True, kw_only=True)
class Verdict(Event):
    """Answer to `Judge`: is it enough, and which targets had better be shown again."""

    enough: bool = False
    again: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Command:
    """Something to be done by the presenter, the journal or the outlet."""


@dataclass(frozen=True, kw_only=True)
class Show(Command):
    """Draw a target in, from `start_deg` down to `size_deg`."""

    id: int
    x: float
    y: float
    size_deg: float
    start_deg: float
    draw_in_s: float
    pulse_hz: float = 0.0
    picture_s: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Move(Command):
    """Put the shown target somewhere else, px."""

    id: int
    x: float
    y: float


@dataclass(frozen=True, kw_only=True)
class Hide(Command):
    """Fade the target out."""

    fade_s: float


@dataclass(frozen=True, kw_only=True)
class Mark(Command):
    """Publish an event on the Markers stream."""

    event: dict[str, Any]
    time_s: float


@dataclass(frozen=True, kw_only=True)
class Keep(Command):
    """Write a target's row: onset, offset, x, y, role, advance, kept."""

    row: tuple[float, float, float, float, str, str, int]


@dataclass(frozen=True, kw_only=True)
class PathRow(Command):
    """Write where a moving target was, px."""

    time_s: float
    x: float
    y: float


@dataclass(frozen=True, kw_only=True)
class Note(Command):
    """Write an event into the recording."""

    time_s: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Cue(Command):
    """Say softly that a point is done; the fading target says so visibly."""


@dataclass(frozen=True, kw_only=True)
class Gave(Command):
    """What a target gave, for the operator.

    "looked", "moved on" (by the operator), "restless", "no look" (it comes again),
    "missed" (it does not), "again", "omitted", "cut short"; of a pointing trial's key
    "hit", "beside", "elsewhere", "none". It is the `number`th of `total`.
    """

    target: int
    what: str
    number: int
    total: int
    role: str


@dataclass(frozen=True, kw_only=True)
class Pause(Command):
    """Wait; the reason is for the operator."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class Tell(Command):
    """Show the operator's lines on the one screen; none take them away."""

    lines: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Judge(Command):
    """Fit what there is, and answer with a `Verdict`."""

    target: int


@dataclass(frozen=True, kw_only=True)
class Finish(Command):
    """The session is over: "done", "stopped", "closed" or "lost"."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class Progress:
    """Where a session is, for the operator."""

    state: str
    target: int | None
    role: str
    done: int
    total: int
    missed: int
    grid: tuple[int, int] | None = None
