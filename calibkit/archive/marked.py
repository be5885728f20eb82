"""What marker streams say: targets of our own sessions, their screen, other events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.archive.xdf import XdfStream
from calibkit.streams.lsl_markers import Row, Targets, parse_event, path_row

Array = NDArray[np.float64]
EVENT_LIMIT = 1000
_COUNTS = {"screen_px": 2, "screen_mm": 2, "distance_mm": 1}
_TARGET = ("target_on", "target_off", "target_path")


@dataclass(frozen=True, kw_only=True)
class Session:
    """The start of one of our sessions, and the screen that it names."""

    time_s: float
    setup: dict[str, tuple[float, ...]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Marked:
    """Targets, moving targets' ways (p, 3), other events and sessions, by time."""

    rows: tuple[Row, ...] = ()
    path: Array = field(default_factory=lambda: np.empty((0, 3)))
    events: tuple[tuple[float, str], ...] = ()
    sessions: tuple[Session, ...] = ()


def texts(stream: XdfStream) -> list[tuple[float, str]]:
    """Return a stream's markers as texts, in the order of their times."""
    if stream.samples is None:
        words = list(stream.texts)
    else:
        words = ["\t".join(f"{v:g}" for v in row) for row in stream.samples.tolist()]
    pairs = zip(stream.time.tolist(), words, strict=True)
    return sorted((p for p in pairs if np.isfinite(p[0])), key=lambda p: p[0])


def marked(streams: Sequence[XdfStream]) -> Marked:
    """Read all marker streams.

    Parameters
    ----------
    streams : sequence of XdfStream
        Those that hold markers.

    Returns
    -------
    Marked
    """
    rows: list[Row] = []
    path: list[Array] = []
    events: list[tuple[float, str]] = []
    sessions: list[Session] = []
    for stream in streams:
        targets = Targets()  # ids are the stream's own
        last_s = 0.0
        for time_s, text in texts(stream):
            event, last_s = parse_event(text), time_s
            if event is None or event["event"] not in _TARGET:
                events.append((time_s, _shown(text)))
            if event is None:
                continue
            row, way = targets.take(time_s, event), path_row(time_s, event)
            rows += [] if row is None else [row]
            path += [] if way is None else [way]
            if event["event"] == "session_start":
                sessions.append(Session(time_s=time_s, setup=_setup(event)))
        rows += targets.rest(last_s)
    return Marked(
        rows=tuple(sorted(rows, key=lambda row: row[0])),
        path=np.array(sorted(path, key=lambda p: p[0])).reshape(-1, 3),
        events=tuple(sorted(events, key=lambda e: e[0])),
        sessions=tuple(sorted(sessions, key=lambda s: s.time_s)),
    )


def part(found: Marked, number: int) -> Marked:
    """Return one session of several, counted from 1, up to the next one's start."""
    start_s = found.sessions[number - 1].time_s
    later = [s.time_s for s in found.sessions[number:]]
    end_s = later[0] if later else np.inf
    here = found.path[:, 0]
    return Marked(
        rows=tuple(r for r in found.rows if start_s <= r[0] < end_s),
        path=found.path[(here >= start_s) & (here < end_s)],
        events=tuple(e for e in found.events if start_s <= e[0] < end_s),
        sessions=(found.sessions[number - 1],),
    )


def _shown(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text[:EVENT_LIMIT]).strip()


def _setup(event: dict[str, Any]) -> dict[str, tuple[float, ...]]:
    found = {}
    for name, count in _COUNTS.items():
        value = event.get(name)
        values: list[Any] = value if isinstance(value, list) else [value]
        if len(values) == count and all(_positive(v) for v in values):
            found[name] = tuple(map(float, values))
    return found


def _positive(value: object) -> bool:
    known = isinstance(value, int | float) and not isinstance(value, bool)
    return known and 0 < value < 1e6  # type: ignore[operator]
