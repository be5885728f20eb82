"""The signal check, the first step of every session: seen, told, and never in the way.

The client's screen is plain meanwhile. A good signal lets the session begin by itself;
where something would help, the operator is told what and goes on with the next key, or
the session goes on by itself after a while. Nothing is ever refused for its signal.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

from calibkit.errors import StoppedError
from calibkit.language import _
from calibkit.live import signals, signals_words
from calibkit.session import session_words as words

if TYPE_CHECKING:
    from calibkit.joined.run_attempt import Attempt, Ends
    from calibkit.live.signals_facts import Signal
    from calibkit.streams.lsl_found import Chunk

WATCH_S = 2.0
AGAIN_S = 1.0
# Longest time that a poor signal holds up a session of which nobody presses a key; much
# shorter where an eye is seen: another one may never be, and the person waits.
PATIENT_S, BRIEF_S = 20.0, 4.0
HINTS = ("poor", "fair")


def first(attempt: Attempt, ends: Ends, *, patient_s: float = PATIENT_S) -> Signal:
    """Watch the stream for a moment before the first target, and tell the operator.

    Parameters
    ----------
    attempt : Attempt
    ends : Ends
    patient_s : float
        How long to wait for a key, or for a better signal; 0 only tells.

    Returns
    -------
    Signal
        As it was last.

    Raises
    ------
    StoppedError
        When the operator stops here or closes the window.
    """
    watch = _Watch(attempt, ends)
    start_s = watch.step()
    while watch.step() - start_s < WATCH_S:
        pass
    signal = watch.judged()
    told: set[str] = set()
    _tell(ends, signal, told)
    patient_s = patient_s if ends.tell is not None else 0.0
    judged_s, begun_s = watch.now_s, watch.now_s
    while _poor(signal) and not watch.go_on:
        longest_s = patient_s if signal.lost else min(patient_s, BRIEF_S)
        if watch.now_s - begun_s >= longest_s:
            break
        if watch.step() - judged_s >= AGAIN_S:
            signal, judged_s = watch.judged(), watch.now_s
            _tell(ends, signal, told)
    return signal


def _poor(signal: Signal) -> bool:
    return any(finding.level == "poor" for finding in signal.findings)


def _tell(ends: Ends, signal: Signal, told: set[str]) -> None:
    """Tell what would help, each thing once, and everything on the page."""
    hints = [f for f in signal.findings if f.level in HINTS]
    news = {f.about: signals_words.line(f) for f in hints}
    summary = signals_words.summary(signal)
    news[summary] = summary
    if _poor(signal):
        news["next"] = _("“Next” goes on anyway.")
    for about, line in news.items():
        if ends.tell is not None and about not in told:
            ends.tell(line)
    told.update(news)
    if ends.beside is not None:
        # What would help comes first.
        findings = sorted(signal.findings, key=lambda f: HINTS.index(f.level)
                          if f.level in HINTS else len(HINTS))  # fmt: skip
        every = [summary, *map(signals_words.line, findings)]
        bars = signals_words.bar_parts(signal)
        ends.beside.check(_("Signal check"), every, bars, waits=_poor(signal))


class _Watch:
    """Frames of the plain screen, the newest samples, and what was pressed."""

    def __init__(self, attempt: Attempt, ends: Ends) -> None:
        self._attempt, self._ends = attempt, ends
        self._actions = {**attempt.protocol.keys.actions(), "escape": "stop"}
        self._chunks: deque[Chunk] = deque()
        self._began_s: float | None = None
        self.now_s, self.go_on = 0.0, False

    def step(self) -> float:
        """Show one frame, read what came, and return the time."""
        events = list(self._ends.presenter.step(()))
        self.now_s = events[-1].time_s
        self._began_s = self.now_s if self._began_s is None else self._began_s
        if self._ends.beside is not None:
            events += self._ends.beside.pressed()
        for event in events:
            self._met(event)
        chunk = self._ends.source.pull()
        if len(chunk.time):
            self._chunks.append(chunk)
        while self._chunks and self._chunks[0].time[-1] < self.now_s - WATCH_S - 0.5:
            self._chunks.popleft()
        return self.now_s

    def _met(self, event: words.Event) -> None:
        action = ""
        if isinstance(event, words.Key):
            action = self._actions.get(event.name, "")
        if action == "stop" or isinstance(event, words.WindowClosed):
            raise StoppedError(
                "the session was stopped during its signal check; nothing was recorded "
                "and nothing was replaced"
            )
        self.go_on = self.go_on or action == "next"

    def judged(self) -> Signal:
        attempt = self._attempt
        width = len(attempt.channels)
        times = [chunk.time for chunk in self._chunks]
        samples: list[Any] = [chunk.samples for chunk in self._chunks]
        began_s = self.now_s if self._began_s is None else self._began_s
        return signals.judge(
            np.concatenate([np.empty(0), *times]),
            np.concatenate([np.empty((0, width)), *samples]),
            attempt.channels,
            attempt.setup,
            nominal_rate=attempt.nominal_rate,
            watched_s=min(self.now_s - began_s, WATCH_S),
        )
