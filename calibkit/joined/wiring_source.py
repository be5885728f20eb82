"""A gaze source that outlives losses of its stream, for sessions and recordings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np

from calibkit.channels import Channel
from calibkit.errors import CalibkitError, DeviceError
from calibkit.streams.lsl_found import Chunk, Found

LOOK_S = 0.05


class Inlet(Protocol):
    """A gaze inlet."""

    @property
    def channels(self) -> Sequence[Channel]: ...  # noqa: D102
    def pull(self, wait_s: float = 0.0) -> Chunk: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class Steady:
    """Reads one stream; while it is gone, returns nothing and looks for it again.

    Parameters
    ----------
    inlet : Inlet
        Open already.
    first : Found
        Its stream; only one of the same name, source_id and channels takes its place.
    found, connect, clock : callables
        Streams in reach now; open one of them; the time.
    """

    def __init__(
        self,
        inlet: Inlet,
        first: Found,
        *,
        found: Callable[[], Sequence[Found]],
        connect: Callable[[Found], Inlet],
        clock: Callable[[], float],
    ) -> None:
        self._inlet: Inlet | None = inlet
        self._first, self._dead = first, ""
        self._found, self._connect, self._clock = found, connect, clock
        self._channels: tuple[Channel, ...] = tuple(inlet.channels)
        self._looked_s = -np.inf
        self._notes: list[tuple[float, str]] = []
        self._shifted = False

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The stream's channels."""
        return self._channels

    @property
    def lost(self) -> bool:
        """Whether the stream is gone now."""
        return self._inlet is None

    def pull(self, wait_s: float = 0.0) -> Chunk:
        """Return what has arrived; nothing while the stream is gone."""
        if self._inlet is None:
            self._look()
        if self._inlet is not None:
            try:
                chunk = self._inlet.pull(wait_s)
            except DeviceError as gone:
                self._note(str(gone))
                self._drop()
            else:
                self._tell_shift(chunk)
                return chunk
        nothing = np.empty((0, len(self._channels)))
        return Chunk(time_raw=np.empty(0), samples=nothing, correction_s=0.0)

    def notes(self) -> list[tuple[float, str]]:
        """Return what happened to the stream since the last call: (time, text)."""
        notes, self._notes = self._notes, []
        return notes

    def close(self) -> None:
        """Disconnect."""
        self._drop()

    def _tell_shift(self, chunk: Chunk) -> None:
        if chunk.arrival_s and not self._shifted:
            self._shifted = True
            self._note(
                f"its stamps differ from the LSL clock by {chunk.arrival_s:.0f} s; the "
                "time of arrival is used instead"
            )

    def _look(self) -> None:
        now_s = self._clock()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        wanted = (self._first.name, self._first.source_id)
        same = [
            found
            for found in self._found()
            if (found.name, found.source_id) == wanted and found.uid != self._dead
        ]
        if len(same) == 1:
            self._open(same[0])

    def _open(self, found: Found) -> None:
        try:
            inlet = self._connect(found)
        except CalibkitError:
            return  # not ready yet, or gone again: the next look decides
        if tuple(inlet.channels) != self._channels:
            self._note(f"stream {found.label} is back with other channels; not used")
            self._dead = found.uid
            inlet.close()
            return
        self._inlet, self._first, self._shifted = inlet, found, False
        self._note(f"stream {found.label} is back")

    def _drop(self) -> None:
        if self._inlet is not None:
            self._dead = self._first.uid
            self._inlet.close()
            self._inlet = None

    def _note(self, text: str) -> None:
        self._notes.append((self._clock(), text))
