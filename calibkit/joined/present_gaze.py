"""Where gaze comes from in an experiment: a stream, the caller's inlet, or a person."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from calibkit.channels import Channel
from calibkit.errors import CallError, DeviceError
from calibkit.geometry import SETUP_FIELDS
from calibkit.joined.run import Markers, Source
from calibkit.streams.lsl_found import Chunk

if TYPE_CHECKING:
    from collections.abc import Iterator

    from calibkit.kept.settings import Settings
    from calibkit.simulation import Person

WANTED = (
    "give gaze as the source_id of a stream, None for the only one, an open inlet, or "
    "a person of calibkit.simulation"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class GazeEnd:
    """An open end of gaze, and how a session joins it.

    `join` takes the session's id, number and presenter, and gives what to read and
    where the session says what it shows; `setup` is what the stream says of it.
    """

    channels: tuple[Channel, ...]
    name: str
    source_id: str
    nominal_rate: float
    join: Callable[[str, int, Any], tuple[Source, Markers]]
    setup: Mapping[str, Any] = field(default_factory=dict)

    def about(self) -> dict[str, Any]:
        """Return what an attempt keeps of it."""
        names = ("channels", "name", "source_id", "nominal_rate")
        return {name: getattr(self, name) for name in names}


class Lent:
    """The caller's inlet as a session's source; it stays open afterwards."""

    def __init__(self, inlet: Any) -> None:
        self._inlet, self._notes = inlet, list[tuple[float, str]]()
        self.channels: tuple[Channel, ...] = tuple(inlet.channels)
        self._lost = False

    def pull(self) -> Chunk:
        """Return what has arrived; nothing once the stream is lost."""
        if not self._lost:
            try:
                chunk: Chunk = self._inlet.pull()
            except DeviceError as gone:
                from calibkit.streams import lsl

                self._lost = True
                self._notes.append((lsl.clock(), str(gone)))
            else:
                return chunk
        nothing = np.empty((0, len(self.channels)))
        return Chunk(time_raw=np.empty(0), samples=nothing, correction_s=0.0)

    def notes(self) -> list[tuple[float, str]]:
        """Return what happened to the stream since the last call: (time, text)."""
        notes, self._notes = self._notes, []
        return notes

    def close(self) -> None:
        """Nothing of ours is open."""


def named(gaze: Any) -> Any:
    """Return a pylsl inlet's source_id, to open the stream anew; all else as it is.

    An experiment that reads the stream itself should not miss what a session reads.
    """
    if hasattr(gaze, "pull_chunk") and hasattr(gaze, "info"):
        info = gaze.info()
        return str(info.source_id() or info.name())
    return gaze


@contextmanager
def opened(gaze: Any, stored: Settings, eyes: str) -> Iterator[GazeEnd]:
    """Open gaze for one session; what the caller had open stays open.

    Parameters
    ----------
    gaze : str, None, inlet or simulated person
    stored : Settings
        Names of channels that were kept.
    eyes : str
        Which eyes the protocol uses.

    Raises
    ------
    CallError
        When it is something else, or nothing can be read from it.
    DeviceError
        When there is no such stream.
    """
    from calibkit.simulation import Person

    gaze = named(gaze)
    if isinstance(gaze, Person):
        yield _person(gaze)
    elif gaze is None or isinstance(gaze, str):
        with _stream(gaze, stored, eyes) as end:
            yield end
    elif hasattr(gaze, "pull") and hasattr(gaze, "channels"):
        yield _inlet(gaze)
    else:
        raise CallError(f"gaze is {type(gaze).__name__!r}; {WANTED}")


@contextmanager
def _stream(source_id: str | None, stored: Settings, eyes: str) -> Iterator[GazeEnd]:
    from calibkit.joined import run_live

    stream = run_live.open_stream(source_id, stored, ask=False)
    try:
        run_live.check_channels(stream, eyes)

        def join(session: str, _number: int, _at: Any) -> tuple[Source, Markers]:
            markers = run_live.open_markers(session, stream.inlet.source_id)
            stream.inlet.flush()
            return stream.source, markers

        yield GazeEnd(
            channels=stream.source.channels,
            name=stream.inlet.name,
            source_id=stream.inlet.source_id,
            nominal_rate=stream.inlet.nominal_rate,
            setup=stream.inlet.setup,
            join=join,
        )
    finally:
        stream.close()


def _inlet(inlet: Any) -> GazeEnd:
    from calibkit.joined import run_live

    source_id = str(getattr(inlet, "source_id", ""))

    def join(session: str, _number: int, _at: Any) -> tuple[Source, Markers]:
        markers = run_live.open_markers(session, source_id)
        getattr(inlet, "flush", inlet.pull)()
        return Lent(inlet), markers

    return GazeEnd(
        channels=tuple(inlet.channels),
        name=str(getattr(inlet, "name", "")),
        source_id=source_id,
        nominal_rate=float(getattr(inlet, "nominal_rate", 0.0)),
        setup=getattr(inlet, "setup", {}),
        join=join,
    )


def _person(person: Person) -> GazeEnd:
    from calibkit.joined import run_headless

    name = f"simulate-{person.tracker}-{person.seed}"

    def join(_session: str, number: int, at: Any) -> tuple[Source, Markers]:
        life = person.begin(at.time_s, session=number)
        source = run_headless.SimulatedSource(life, at)
        return source, run_headless.SimulatedMarkers(life)

    return GazeEnd(
        channels=person.channels,
        name=name,
        source_id=f"calibkit-raw:{name}",
        nominal_rate=person.nominal_rate,
        setup={name: getattr(person.setup, name) for name in SETUP_FIELDS},
        join=join,
    )
