"""The loop that joins a session with what shows, streams, records and fits.

One loop for real and simulated sessions: only the presenter, whose events carry the
time, and the source differ.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.kept.recording import Recording, target_rows
from calibkit.session import session_words as words
from calibkit.session.session import Session
from calibkit.streams.lsl_found import Chunk

Array = NDArray[np.float64]
SILENT_S = 0.5
# Samples of the last look may still be on their way when the session ends.
TAIL_S = 0.2


class Presenter(Protocol):
    """Shows targets, and tells what was seen and pressed."""

    def step(self, commands: Sequence[words.Command]) -> tuple[words.Event, ...]:
        """Draw, show one frame, return what happened; the last event is a Tick."""

    def close(self) -> None:
        """Take the window away."""


class Source(Protocol):
    """Where raw gaze comes from."""

    def pull(self) -> Chunk:
        """Return what has arrived; never wait."""

    def notes(self) -> list[tuple[float, str]]:
        """Return what happened to the stream since the last call."""

    def close(self) -> None:
        """Disconnect."""


class Markers(Protocol):
    """Where a session says what it shows."""

    def push(self, event: Mapping[str, Any], time_s: float) -> None:
        """Publish one event."""

    def close(self) -> None:
        """Take the stream away."""


class Onlooker(Protocol):
    """The operator's view: follows a session, and may have keys of its own."""

    def pressed(self) -> Sequence[words.Key]:
        """Return what was pressed there since the last call."""

    def hear(self, event: words.Event) -> None:
        """Take an event on its way into the session."""

    def see(self, command: words.Command, time_s: float) -> None:
        """Take a command on its way out of it."""

    def turn(self, time_s: float, now: words.Progress) -> Sequence[words.Command]:
        """Show how things stand after a frame; return what the one screen is to do."""


class Log(Protocol):
    """Where a session is recorded; `journal.Writer` is one, `Memory` another."""

    def gaze(self, time: Array, samples: Array, time_raw: Array | None = None) -> None:
        """Append samples."""

    def target(self, row: Sequence[Any]) -> object:
        """Append a target's row."""

    def path_rows(self, rows: Sequence[float]) -> None:
        """Append time, x, y of a moving target."""

    def event(self, time_s: float, text: str) -> None:
        """Append an event."""

    def clock(self, time_s: float, correction_s: float) -> None:
        """Append a clock correction."""


@dataclass(kw_only=True)
class Memory:
    """A log kept in memory, for fitting while a session runs."""

    channels: tuple[Channel, ...]
    setup: Setup
    about: Mapping[str, Any] = field(default_factory=dict)
    _times: list[Array] = field(default_factory=list)
    _raw: list[Array] = field(default_factory=list)
    _samples: list[Array] = field(default_factory=list)
    _targets: list[tuple[Any, ...]] = field(default_factory=list)
    _path: list[Sequence[float]] = field(default_factory=list)
    _events: list[tuple[float, str]] = field(default_factory=list)
    _clock: list[tuple[float, float]] = field(default_factory=list)

    def gaze(self, time: Array, samples: Array, time_raw: Array | None = None) -> None:
        """Append samples."""
        self._times.append(time)
        self._samples.append(samples)
        self._raw.append(time if time_raw is None else time_raw)

    def target(self, row: Sequence[Any]) -> None:
        """Append a target's row."""
        self._targets.append(tuple(row))

    def path_rows(self, rows: Sequence[float]) -> None:
        """Append time, x, y of a moving target."""
        self._path.append(rows)

    def event(self, time_s: float, text: str) -> None:
        """Append an event."""
        self._events.append((time_s, text))

    def clock(self, time_s: float, correction_s: float) -> None:
        """Append a clock correction."""
        self._clock.append((time_s, correction_s))

    def recording(self) -> Recording:
        """Make a recording of what was logged until now."""
        width = len(self.channels)
        return Recording(
            setup=self.setup,
            channels=self.channels,
            time=np.concatenate([np.empty(0), *self._times]),
            samples=np.concatenate([np.empty((0, width)), *self._samples]),
            targets=target_rows(self._targets),
            target_path=np.array(self._path, float).reshape(-1, 3),
            events=tuple(self._events),
            time_raw=np.concatenate([np.empty(0), *self._raw]),
            clock=np.array(self._clock).reshape(-1, 2),
            **self.about,
        )


def run_session(
    session: Session,
    presenter: Presenter,
    source: Source,
    logs: Sequence[Log],
    markers: Markers,
    judge: Callable[[int, float], words.Verdict] | None = None,
    tell: Callable[[str], None] | None = None,
    beside: Onlooker | None = None,
) -> str:
    """Drive a session to its end.

    Parameters
    ----------
    session : Session
    presenter, source, markers
        The screen, the raw gaze, and the Markers stream, or what stands for them.
    logs : sequence of Log
        Each gets everything.
    judge : callable, optional
        Fits what there is after a target (id, time) when the protocol asks for it.
    tell : callable, optional
        Gets a line for the operator whenever something happens to the stream, and at
        each target unless there is a view beside.
    beside : Onlooker, optional
        The operator's view.

    Returns
    -------
    str
        Why it ended: "done", "stopped", "closed" or "lost".

    Raises
    ------
    DeviceError, StorageError
        Display or storage failed; what was logged is kept.
    """
    loop = _Loop(session, source, logs, markers, judge, tell, beside)
    drawing: tuple[words.Command, ...] = ()
    while not session.over:
        events = presenter.step(drawing)
        drawing = loop.turn(events)
    _tail(presenter, loop, drawing)
    return session.reason


def _tail(
    presenter: Presenter, loop: _Loop, drawing: tuple[words.Command, ...]
) -> None:
    if loop.session.reason == "closed":
        return
    end_s = loop.now_s + TAIL_S
    while loop.now_s < end_s:
        loop.listen(presenter.step(drawing)[-1].time_s)
        drawing = ()


class _Loop:
    """One turn: gaze in, events in, commands out to where they belong."""

    def __init__(
        self,
        session: Session,
        source: Source,
        logs: Sequence[Log],
        markers: Markers,
        judge: Callable[[int, float], words.Verdict] | None,
        tell: Callable[[str], None] | None,
        beside: Onlooker | None = None,
    ) -> None:
        self.session, self.now_s = session, float("-inf")
        self._source, self._logs, self._markers = source, logs, markers
        self._judge, self._tell = judge, tell or (lambda text: None)
        self._beside = beside
        self._heard_s: float | None = None
        self._silent = False
        self._correction_s = float("nan")

    def turn(self, events: Sequence[words.Event]) -> tuple[words.Command, ...]:
        """Take a frame's events; what is to be drawn comes back."""
        time_s = events[-1].time_s
        drawing: list[words.Command] = []
        beside = self._beside
        pressed = beside.pressed() if beside is not None else ()
        for event in (*self.listen(time_s), *pressed, *events):
            if isinstance(event, words.Key):
                self._write(event.time_s, f"key {event.name}")
            if beside is not None:
                beside.hear(event)
            self._spread(self.session.handle(event), event.time_s, drawing)
        if beside is not None:
            drawing += beside.turn(time_s, self.session.progress())
        return tuple(drawing)

    def listen(self, time_s: float) -> list[words.Event]:
        """Take what gaze has come, log it, and watch for silence."""
        self.now_s = time_s
        chunk = self._source.pull()
        for when_s, text in self._source.notes():
            self._write(when_s, text)
            self._tell(text)
        times = chunk.time
        if not len(times):
            return self._silence(time_s)
        for log in self._logs:
            log.gaze(times, chunk.samples, chunk.time_raw)
            if chunk.correction_s != self._correction_s:
                log.clock(time_s, chunk.correction_s)
        self._correction_s = chunk.correction_s
        self._heard_s = time_s
        gaze = words.Gaze(time_s=time_s, times=times, samples=chunk.samples)
        if not self._silent:
            return [gaze]
        self._silent = False
        return [words.StreamFound(time_s=time_s), gaze]

    def _silence(self, time_s: float) -> list[words.Event]:
        self._heard_s = time_s if self._heard_s is None else self._heard_s
        if self._silent or time_s - self._heard_s <= SILENT_S:
            return []
        self._silent = True
        return [words.StreamLost(time_s=time_s)]

    def _spread(
        self,
        commands: Sequence[words.Command],
        time_s: float,
        drawing: list[words.Command],
    ) -> None:
        for command in commands:
            if self._beside is not None:
                self._beside.see(command, time_s)
            if isinstance(command, words.Mark):
                self._markers.push(command.event, command.time_s)
            elif isinstance(command, words.Judge):
                verdict = self._answer(command, time_s)
                self._spread(self.session.handle(verdict), time_s, drawing)
            elif not self._logged(command):
                self._say(command)
                drawing.append(command)

    def _say(self, command: words.Command) -> None:
        if self._beside is not None:
            return
        if isinstance(command, words.Show):
            at = self.session.progress()
            kind = "check point" if at.role == "validation" else "point"
            self._tell(f"{at.done + 1} of {at.total}: {kind}")
        elif isinstance(command, words.Pause):
            self._tell(command.reason)

    def _answer(self, command: words.Judge, time_s: float) -> words.Verdict:
        if self._judge is None:
            return words.Verdict(time_s=time_s)
        return self._judge(command.target, time_s)

    def _logged(self, command: words.Command) -> bool:
        if isinstance(command, words.Keep):
            for log in self._logs:
                log.target(command.row)
        elif isinstance(command, words.PathRow):
            for log in self._logs:
                log.path_rows((command.time_s, command.x, command.y))
        elif isinstance(command, words.Note):
            self._write(command.time_s, command.text)
        else:
            return False
        return True

    def _write(self, time_s: float, text: str) -> None:
        for log in self._logs:
            log.event(time_s, text)
