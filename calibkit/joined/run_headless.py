"""A session without window or stream: a simulated person on a virtual clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from calibkit.session import session_words as words
from calibkit.streams.lsl_found import Chunk

if TYPE_CHECKING:
    from calibkit.simulation import Life

FRAME_S = 1.0 / 30.0
# A person answers an event 0.1 s after it or later, so may have lived on a little less
# than that; and a tracker's samples come late. Both save calls, which cost the time.
AHEAD_S = 0.09
LATE_S = 0.15
# From a target's coming to the operator's press: time to find it and to look for about
# a second; of our own, no source.
LOOKED_S = (1.4, 2.0)


class Operator:
    """An invented operator, who presses a key when the person has had time to look.

    Parameters
    ----------
    key : str
        The key's name.
    seed : int
    """

    def __init__(self, key: str, seed: int) -> None:
        self._key, self._rng = key, np.random.default_rng([seed, 7])
        self._shown: int | None = None
        self._press_s = float("inf")

    def presses(
        self, shown: int | None, moving: bool, time_s: float
    ) -> list[words.Event]:
        """Return the press that is due, if one is.

        Parameters
        ----------
        shown : int or None
            Which target is there.
        moving : bool
            A glide is left to its end.
        time_s : float
        """
        due = shown is not None and not moving and time_s >= self._press_s
        if due or moving or shown != self._shown:
            self._shown = shown
            self._press_s = time_s + self._rng.uniform(*LOOKED_S)
        return [words.Key(time_s=time_s, name=self._key)] if due else []


class VirtualPresenter:
    """Shows everything at once, on a clock of its own.

    Parameters
    ----------
    start_s : float
        The clock's first value.
    frame_s : float
        How long a frame lasts.
    keys : sequence of (time, key name)
        What the operator will press, in order.
    closes_s : float, optional
        When the window will be closed.
    operator : Operator, optional
        Who presses a key of their own accord.
    """

    def __init__(
        self,
        start_s: float = 0.0,
        frame_s: float = FRAME_S,
        keys: Sequence[tuple[float, str]] = (),
        closes_s: float = float("inf"),
        operator: Operator | None = None,
    ) -> None:
        self.time_s, self._operator = start_s, operator
        self._frame_s, self._keys, self._closes_s = frame_s, list(keys), closes_s
        self._on: tuple[int, float, float] | None = None

    def step(self, commands: Sequence[words.Command]) -> tuple[words.Event, ...]:
        """Show one frame."""
        for command in commands:
            if isinstance(command, words.Show | words.Move):
                self._on = (command.id, command.x, command.y)
            elif isinstance(command, words.Hide | words.Finish):
                self._on = None
        self.time_s += self._frame_s
        events: list[words.Event] = []
        if self._on is not None:
            number, x, y = self._on
            events.append(words.Shown(time_s=self.time_s, id=number, x=x, y=y))
        while self._keys and self._keys[0][0] <= self.time_s:
            pressed_s, name = self._keys.pop(0)
            events.append(words.Key(time_s=pressed_s, name=name))
        if self._operator is not None:
            shown = None if self._on is None else self._on[0]
            moving = any(isinstance(command, words.Move) for command in commands)
            events += self._operator.presses(shown, moving, self.time_s)
        if self.time_s >= self._closes_s:
            events.append(words.WindowClosed(time_s=self.time_s))
        return (*events, words.Tick(time_s=self.time_s))

    def close(self) -> None:
        """Nothing is open."""


class SimulatedSource:
    """Raw gaze of a simulated person who lives on a presenter's clock.

    Parameters
    ----------
    life : Life
    presenter : VirtualPresenter
    lost : sequence of (from, to), seconds
        When nothing comes.
    """

    def __init__(
        self,
        life: Life,
        presenter: VirtualPresenter,
        lost: Sequence[tuple[float, float]] = (),
    ) -> None:
        self._life, self._presenter, self._lost = life, presenter, lost
        self._lived_s = presenter.time_s
        self._times, self._samples = life.advance(self._lived_s)

    def pull(self) -> Chunk:
        """Return what was streamed until now."""
        now_s = self._presenter.time_s
        if now_s - self._lived_s > LATE_S:
            self._lived_s = now_s + AHEAD_S
            times, samples = self._life.advance(self._lived_s)
            self._times = np.concatenate([self._times, times])
            self._samples = np.concatenate([self._samples, samples])
        count = int(np.searchsorted(self._times, now_s, side="right"))
        times, self._times = self._times[:count], self._times[count:]
        samples, self._samples = self._samples[:count], self._samples[count:]
        if any(start <= now_s < stop for start, stop in self._lost):
            times, samples = times[:0], samples[:0]
        return Chunk(time_raw=times, samples=samples, correction_s=0.0)

    def notes(self) -> list[tuple[float, str]]:
        """Nothing happens to it that is worth a note."""
        return []

    def close(self) -> None:
        """Nothing is open."""


class SimulatedMarkers:
    """Lets the simulated person see what the session shows."""

    def __init__(self, life: Life) -> None:
        self._life = life

    def push(self, event: Mapping[str, Any], time_s: float) -> None:
        """Show one event to the person."""
        self._life.see(event, time_s)

    def close(self) -> None:
        """Nothing is open."""
