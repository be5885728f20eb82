"""Marker events as text, one JSON object a sample, and as a recording's targets."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

TEXT_LIMIT = 16384
Row = tuple[float, float, float, float, str, str, int]


def event_text(event: Mapping[str, Any]) -> str:
    """Return an event as one line of strict JSON; NaN is a ValueError."""
    return json.dumps(event, separators=(",", ":"), allow_nan=False)


def parse_event(text: str) -> dict[str, Any] | None:
    """Return a marker's JSON object, or None for anything else."""
    if len(text) > TEXT_LIMIT:
        return None
    try:
        event = json.loads(text)
    except (ValueError, RecursionError):
        return None
    named = isinstance(event, dict) and isinstance(event.get("event"), str)
    return event if named else None


@dataclass
class Targets:
    """Turns marker events into target rows: one when its target has gone.

    A target that moved has no place of its own: its x and y are NaN.
    """

    shown: dict[str, tuple[float, dict[str, Any]]] = field(default_factory=dict)
    moved: set[str] = field(default_factory=set)

    def take(self, time_s: float, event: dict[str, Any]) -> Row | None:
        """Take an event; return the row of a target that ended with it."""
        name, key = event["event"], str(event.get("id", ""))
        if name == "target_path":
            self.moved.add(key)
        elif name == "target_on":
            before = self._gone(key, time_s)
            self.shown[key] = (time_s, event)
            return before
        elif name == "target_off":
            return self._gone(key, time_s, event)
        return None

    def rest(self, time_s: float) -> list[Row]:
        """Return the rows of targets that were still shown at the end."""
        rows = [self._gone(key, time_s) for key in list(self.shown)]
        return [row for row in rows if row is not None]

    def _gone(
        self, key: str, offset_s: float, off: Mapping[str, Any] | None = None
    ) -> Row | None:
        from calibkit.kept.recording_file import ADVANCES, ROLES

        moved = key in self.moved
        self.moved.discard(key)
        if key not in self.shown:
            return None
        onset_s, on = self.shown.pop(key)
        event = {**on, **{k: v for k, v in (off or {}).items() if k == "kept"}}
        role, advance = str(event.get("role")), str(event.get("advance"))
        return (
            onset_s,
            offset_s,
            math.nan if moved else _number(event.get("x")),
            math.nan if moved else _number(event.get("y")),
            role if role in ROLES else ROLES[0],
            advance if advance in ADVANCES else "timer",
            int(event.get("kept", 1) not in (0, False)),
        )


def path_row(time_s: float, event: dict[str, Any]) -> NDArray[np.float64] | None:
    """Return (time, x, y) of a moving target's event, None for any other."""
    if event["event"] != "target_path":
        return None
    row = np.array([time_s, _number(event.get("x")), _number(event.get("y"))])
    return row if np.isfinite(row).all() else None


def _number(value: object) -> float:
    known = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        return float(value) if known else math.nan  # type: ignore[arg-type]
    except OverflowError:
        return math.nan
