"""The signal check's loop: the last seconds of a stream, judged every second.

`calibkit check` runs it; a session has a shorter one of its own (`run_check`). Time
comes from the clock that is given, so that a simulated person is checked at once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol, TextIO

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.joined import options
from calibkit.live import signals, signals_words
from calibkit.live.signals_facts import Signal
from calibkit.streams.lsl_found import Chunk

Array = NDArray[np.float64]

WINDOW_S = 5.0
EVERY_S = 1.0
_NEEDED = ("screen_px", "screen_mm", "distance_mm")


class Source(Protocol):
    """Where raw gaze comes from; it may lose the stream and find it again."""

    def pull(self) -> Chunk:
        """Return what has arrived; never wait."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stream:
    """What is checked, and what is known of it.

    Parameters
    ----------
    source : Source
    channels : tuple of Channel
    setup : Setup, optional
    nominal_rate : float
    goals : dict of float
        Where the head was at the calibration, where that is known.
    gaze : callable, optional
        Calibrated gaze (n, 2) px of samples (n, c).
    """

    source: Source
    channels: tuple[Channel, ...]
    setup: Setup | None = None
    nominal_rate: float = 0.0
    goals: Mapping[str, float] = field(default_factory=dict)
    gaze: Callable[[Array], Array] | None = None


def watch(
    stream: Stream,
    clock: Callable[[], float],
    wait: Callable[[], object],
    for_s: float,
    tell: Callable[[Signal], object] = lambda signal: None,
    window_s: float = WINDOW_S,
) -> Signal:
    """Judge a stream every second for a while.

    Parameters
    ----------
    stream : Stream
    clock, wait : callables
        The time; let a little of it pass.
    for_s : float
    tell : callable
        Gets each judgement.
    window_s : float
        How much of the past each judgement is about.

    Returns
    -------
    Signal
        The last judgement.
    """
    start_s = clock()
    told_s = start_s
    chunks: list[tuple[Array, Array]] = []
    while (now_s := clock()) - start_s < for_s:
        chunk = stream.source.pull()
        if len(chunk.time_raw):
            chunks.append((chunk.time, chunk.samples))
        if now_s - told_s >= EVERY_S:
            told_s = now_s
            tell(_judge(stream, chunks, min(window_s, now_s - start_s), now_s))
        wait()
    now_s = clock()
    return _judge(stream, chunks, min(window_s, now_s - start_s), now_s)


def _judge(
    stream: Stream, chunks: list[tuple[Array, Array]], span_s: float, now_s: float
) -> Signal:
    while chunks and chunks[0][0][-1] < now_s - span_s:
        chunks.pop(0)
    nothing = np.empty((0, len(stream.channels)))
    time = np.concatenate([np.empty(0), *[times for times, _ in chunks]])
    samples = np.concatenate([nothing, *[rows for _, rows in chunks]])
    part = time >= now_s - span_s
    time, samples = time[part], samples[part]
    return signals.judge(
        time,
        samples,
        stream.channels,
        stream.setup,
        nominal_rate=stream.nominal_rate,
        watched_s=span_s,
        goals=stream.goals,
        gaze_px=None if stream.gaze is None else stream.gaze(samples),
    )


def setup_of(*places: Mapping[str, Any]) -> Setup | None:
    """Make a set-up of what is known, the first place that knows a field; else None.

    Parameters
    ----------
    places : mappings of a set-up's fields
    """
    values: dict[str, Any] = {}
    for place in reversed(places):
        for name in (*_NEEDED, "eye_mm"):
            if place.get(name):
                value = place[name]
                single = isinstance(value, Sequence) and len(value) == 1
                values[name] = value[0] if single else value
    if any(name not in values for name in _NEEDED):
        return None
    return Setup(**values)


class Teller:
    """Shows each judgement: in place on a terminal, else only what has changed.

    Parameters
    ----------
    out : text stream, optional
        Standard error by default.
    plain : bool
        Never write in place, whatever `out` is.
    """

    def __init__(self, out: TextIO | None = None, *, plain: bool = False) -> None:
        self._out = out or sys.stderr
        self._in_place = not plain and self._out.isatty()
        self._lines = 0
        self._said: set[str] = set()

    def __call__(self, signal: Signal) -> None:
        """Show one judgement."""
        if self._in_place:
            lines = signals_words.lines(signal)
            back = f"\x1b[{self._lines}A\x1b[J" if self._lines else ""
            options.say(back + "\n".join(lines))
            self._lines = len(lines)
            return
        new = {f"{f.about}: {f.level}" for f in signal.findings}
        for finding in signal.findings:
            if f"{finding.about}: {finding.level}" not in self._said:
                options.say(signals_words.line(finding))
        self._said = new


def plain(signal: Signal) -> dict[str, Any]:
    """Return a judgement as plain values for JSON."""
    return {
        "version": 1,
        "lost": signal.lost,
        "watched_s": signal.watched_s,
        "samples": signal.samples,
        "eyes": [asdict(eye) | {"seen": eye.samples > 0} for eye in signal.eyes],
        "rate": asdict(signal.rate),
        "head": asdict(signal.head) | {"still": signal.head.still},
        "gaze": {"rms_s2s_deg": signal.gaze_deg[0], "sd_deg": signal.gaze_deg[1]},
        "findings": [asdict(finding) for finding in signal.findings],
        "words": signals_words.summary(signal),
    }
