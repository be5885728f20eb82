"""Lab Streaming Layer: find streams, read gaze and markers, put both out.

pylsl is imported at the first call. Inlets never recover by themselves (the library's
recovery is silent and may switch to another device): a lost stream is a DeviceError,
and the caller looks again. Stamps stay as they came: dejittering spoils lossy streams.
"""

from __future__ import annotations

import contextlib
import functools
import os
import platform
import socket
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit import errors
from calibkit.channels import Channel
from calibkit.streams import lsl_found, lsl_xml
from calibkit.streams.lsl_config import chosen_configuration, remedy, usual_places
from calibkit.streams.lsl_found import Arrival, Chunk, Found, candidates, choose
from calibkit.streams.lsl_markers import event_text, parse_event

__all__ = [
    "Chunk",
    "Found",
    "GazeInlet",
    "GazeOutlet",
    "MarkerInlet",
    "MarkerOutlet",
    "Watch",
    "choose",
    "clock",
    "find",
    "open_gaze",
]

WAIT_STEP_S = 0.5
CORRECTION_EVERY_S = 5.0


@functools.cache
def _pylsl() -> Any:
    try:
        import pylsl
    except ImportError as problem:
        text = remedy("pylsl", platform.system(), platform.machine())
        raise errors.DeviceError(text) from problem
    except (RuntimeError, OSError) as problem:
        text = remedy("liblsl", platform.system(), platform.machine())
        raise errors.DeviceError(text) from problem
    text = chosen_configuration(os.environ, usual_places(), platform.system())
    # liblsl before 1.17.7 knows only the files
    with contextlib.suppress(NotImplementedError):
        pylsl.set_config_content(text)
    return pylsl


def clock() -> float:
    """Seconds on the LSL local clock of this machine."""
    return float(_pylsl().local_clock())


def _found(info: Any, text_format: int) -> Found:
    return Found(
        name=lsl_xml.clean(info.name()),
        source_id=info.source_id(),
        kind=info.type(),
        host=info.hostname(),
        channel_count=info.channel_count(),
        rate=info.nominal_srate(),
        text=info.channel_format() == text_format,
        uid=info.uid(),
        handle=info,
        form=lsl_found.FORMS.get(info.channel_format(), ""),
    )


class Watch:
    """Streams in reach, looked for in the background from the first question on."""

    def __init__(self, kind: str = "Gaze", source_id: str | None = None) -> None:
        self._pylsl = _pylsl()
        self._kind, self._source_id = kind, source_id
        self._resolver: Any = None
        self.found()

    def found(self) -> tuple[Found, ...]:
        """Return the candidates known at this moment."""
        if self._resolver is None:
            self._resolver = self._pylsl.ContinuousResolver(
                pred=lsl_found.asking_for(self._kind), forget_after=1.0
            )
        text = self._pylsl.cf_string
        seen = [_found(info, text) for info in self._resolver.results()]
        ours = (self._source_id or "").startswith(lsl_found.OURS)
        return candidates(seen, self._kind, self._source_id, calibrated=ours)

    def close(self) -> None:
        """Stop looking until asked again; looking costs, and every stream answers."""
        gone, self._resolver = [self._resolver], None
        lsl_found.let_go(gone)


def find(
    kind: str = "Gaze",
    source_id: str | None = None,
    wait_s: float = 2.0,
    *,
    calibrated: bool = False,
) -> tuple[Found, ...]:
    """Look for streams until at least one candidate is there.

    Parameters
    ----------
    kind : str
    source_id : str, optional
    wait_s : float
        At most so long; shorter than 0.5 s may miss streams.
    calibrated : bool
        Look for gaze that calibkit calibrated, which is never an input, instead.

    Returns
    -------
    tuple of Found; all candidates in reach, empty when there is none
    """
    pylsl = _pylsl()
    end = pylsl.local_clock() + wait_s
    while True:
        step = min(WAIT_STEP_S, max(end - pylsl.local_clock(), 0.05))
        # At least 0 of them: all that answer in this time.
        infos = pylsl.resolve_bypred(lsl_found.asking_for(kind), 0, step)
        seen = candidates(
            [_found(info, pylsl.cf_string) for info in infos],
            kind,
            source_id,
            calibrated=calibrated,
        )
        if seen or pylsl.local_clock() >= end:
            return seen


class _Inlet:
    """What gaze and marker inlets share: opening, clock correction, loss."""

    def __init__(self, found: Found, *, buffer_s: int, chunk: int, wait_s: float):
        self._pylsl = _pylsl()
        self.found = found
        self.local = found.host == socket.gethostname()
        self.history: list[tuple[float, float]] = []
        self._inlet: Any = None
        self._open(buffer_s, chunk, wait_s)
        self.correction_s = self._first_correction(wait_s)

    def _open(self, buffer_s: int, chunk: int, wait_s: float) -> None:
        self._inlet = self._guard(
            self._pylsl.StreamInlet,
            self.found.handle,
            max_buflen=buffer_s,
            max_chunklen=chunk,
            recover=False,
            processing_flags=self._pylsl.proc_none,
        )
        late = self._pylsl.util.TimeoutError
        self._guard(lsl_found.in_steps, self._inlet.open_stream, wait_s, clock, late)

    def _guard(self, call: Callable[..., Any], *args: Any, **options: Any) -> Any:
        try:
            return call(*args, **options)
        except self._pylsl.util.LostError as problem:
            raise errors.DeviceError(
                f"stream {self.found.label} was lost; check that the tracker's program "
                "runs"
            ) from problem
        except (self._pylsl.util.TimeoutError, RuntimeError) as problem:
            raise errors.DeviceError(
                f"stream {self.found.label} does not answer ({problem}); check that "
                "the tracker's program runs and that nothing blocks its port"
            ) from problem

    def _first_correction(self, wait_s: float) -> float:
        """Zero on this machine, whose programs share one clock; else measured."""
        if self.local:
            return 0.0
        first = float(self._guard(self._inlet.time_correction, max(wait_s, 2.0)))
        self.history.append((clock(), first))
        return first

    def _correct(self) -> float:
        if not self.local and clock() - self.history[-1][0] > CORRECTION_EVERY_S:
            self.correction_s = float(self._guard(self._inlet.time_correction, 0.2))
            self.history.append((clock(), self.correction_s))
        return self.correction_s

    def flush(self) -> int:
        """Drop what waits; return how many samples that were."""
        return int(self._inlet.flush())

    def close(self) -> None:
        """Disconnect."""
        self._inlet = None


class GazeInlet(_Inlet):
    """A gaze stream being read.

    Attributes
    ----------
    channels : tuple of Channel
        As the stream, or the user's channel map, names them.
    setup : mapping
        `screen_px`, `screen_mm`, `distance_mm` as far as the stream gives them.
    described : bool
        Whether every channel has metadata.
    said : Description, by the stream itself
    history : list of (time, correction), seconds
        Clock corrections so far; empty on one machine, where the correction is 0.
    """

    def __init__(
        self,
        found: Found,
        *,
        channel_map: lsl_xml.ChannelMap | None = None,
        describe: bool = True,
        buffer_s: int = 360,
        chunk: int = 0,
        wait_s: float = 5.0,
    ) -> None:
        lsl_found.check_format(found)
        super().__init__(found, buffer_s=buffer_s, chunk=chunk, wait_s=wait_s)
        self.name = found.name
        self.source_id = found.source_id
        self.nominal_rate = found.rate
        count = found.channel_count
        said = self._description(wait_s) if describe else lsl_xml.undescribed(count)
        self.channels = lsl_xml.named(said.channels, channel_map)
        self.setup = dict(said.setup)
        self.described = said.described or bool(channel_map)
        self.said = said
        self._arrival = Arrival()
        self._mend = lsl_xml.mender(channel_map, self.channels, self.setup)

    def _description(self, wait_s: float) -> lsl_xml.Description:
        info = self._guard(self._inlet.info, wait_s)
        return lsl_xml.read(info.desc(), self.found.channel_count)

    def pull(self, wait_s: float = 0.0, limit: int = 1024) -> Chunk:
        """Return what has arrived; with `wait_s`, block until the first sample.

        Raises
        ------
        DeviceError
            The stream was lost.
        """
        # One sample first, and the rest only where there is more: two calls cost time.
        first = 1 if wait_s > 0 else limit
        samples, stamps = self._pulled(wait_s, first)
        if wait_s > 0 and len(stamps) and self._more():
            more, later = self._pulled(0.0, limit)
            samples = np.concatenate([samples, more])
            stamps = np.concatenate([stamps, later])
        values = np.asarray(samples, float)
        if self._mend is not None:
            values = self._mend(values)
        correction_s = self._correct()
        if len(stamps):
            self._arrival.shift(float(stamps[-1]) + correction_s, clock())
        return Chunk(
            time_raw=np.asarray(stamps, float),
            samples=values,
            correction_s=correction_s,
            arrival_s=self._arrival.offset_s,
        )

    def _more(self) -> bool:
        return bool(self._inlet.samples_available())

    def _pulled(self, wait_s: float, limit: int) -> Any:
        how = {"timeout": wait_s, "max_samples": limit, "as_numpy": True}
        return self._guard(self._inlet.pull_chunk, **how)


def open_gaze(
    found: Found, channel_map: lsl_xml.ChannelMap | None = None, wait_s: float = 5.0
) -> GazeInlet:
    """Open a gaze stream and read what it says about its channels.

    Parameters
    ----------
    found : Found
    channel_map : mapping, optional
        The user's names, as `Settings.names` gives them.
    wait_s : float

    Raises
    ------
    DeviceError
        Text instead of numbers, too many channels, no answer, lost.
    InputError
        The channel map does not fit the stream.
    """
    return GazeInlet(found, channel_map=channel_map, wait_s=wait_s)


class MarkerInlet(_Inlet):
    """A stream of JSON markers being read."""

    def __init__(self, found: Found, wait_s: float = 5.0) -> None:
        if not found.text or found.channel_count != 1:
            raise errors.DeviceError(
                f"stream {found.label} is no marker stream; it needs one text channel"
            )
        super().__init__(found, buffer_s=360, chunk=0, wait_s=wait_s)
        self.unreadable = 0

    def pull(self, wait_s: float = 0.0) -> tuple[tuple[float, dict[str, Any]], ...]:
        """Return (time, event) pairs that have arrived; what is no event is counted.

        Raises
        ------
        DeviceError
            The stream was lost.
        """
        how = {"timeout": wait_s, "max_samples": 256}
        least = 1 if wait_s > 0 else None
        texts, stamps = self._guard(self._inlet.pull_chunk, min_samples=least, **how)
        correction = self._correct()
        pairs = [
            (stamp + correction, parse_event(text[0]))
            for text, stamp in zip(texts, stamps, strict=True)
        ]
        self.unreadable += sum(event is None for _, event in pairs)
        return tuple((time_s, event) for time_s, event in pairs if event is not None)


class MarkerOutlet:
    """A stream of markers: one JSON object a sample."""

    def __init__(self, name: str, source_id: str) -> None:
        pylsl = _pylsl()
        info = pylsl.StreamInfo(
            name, "Markers", 1, pylsl.IRREGULAR_RATE, pylsl.cf_string, source_id
        )
        self._outlet = pylsl.StreamOutlet(info)

    def push(self, event: Mapping[str, Any], time_s: float) -> None:
        """Send an event with the time at which it happened, local clock."""
        self._outlet.push_sample([event_text(event)], time_s)

    def wait_for_consumers(self, wait_s: float) -> bool:
        """Wait until somebody listens; say whether one does."""
        return bool(self._outlet.wait_for_consumers(wait_s))

    def close(self) -> None:
        """Take the stream away."""
        self._outlet = None


class GazeOutlet:
    """A gaze stream of our own: raw (`calibkit-raw:`) or calibrated (`calibkit:`)."""

    def __init__(
        self,
        name: str,
        source_id: str,
        channels: Sequence[Channel],
        rate: float,
        *,
        setup: Mapping[str, Sequence[float]] | None = None,
        about: Mapping[str, Mapping[str, str]] | None = None,
    ) -> None:
        pylsl = _pylsl()
        info = pylsl.StreamInfo(
            name, "Gaze", len(channels), rate, pylsl.cf_double64, source_id
        )
        lsl_xml.write(info.desc(), channels, setup, about)
        self._outlet = pylsl.StreamOutlet(info, chunk_size=0, max_buffered=60)

    def push(self, time_s: NDArray[np.float64], samples: NDArray[np.float64]) -> None:
        """Send samples (k, c) with their own stamps (k,)."""
        if len(time_s) == 1:  # half the cost of the chunk call
            self._outlet.push_sample(samples[0].tolist(), float(time_s[0]))
        elif len(time_s):
            self._outlet.push_chunk(samples, time_s.tolist())

    def have_consumers(self) -> bool:
        """Whether somebody listens now."""
        return bool(self._outlet.have_consumers())

    def close(self) -> None:
        """Take the stream away."""
        self._outlet = None
