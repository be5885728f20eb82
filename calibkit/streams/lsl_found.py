"""Streams in reach, which one is meant, and the form in which samples come.

The first of several is never taken silently.
"""

from __future__ import annotations

import re
import string
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit import errors

OURS = "calibkit:"
RAW = "calibkit-raw:"
CHANNEL_LIMIT = 64
WALL_CLOCK_S = 5.0
OPEN_STEP_S = 0.25
STEP_S = 0.5  # a time of day that was set anew
# Number formats of samples. Source: channel_format_t in liblsl's lsl/common.h.
FORMS = {
    1: "float32",
    2: "double64",
    3: "string",
    4: "int32",
    5: "int16",
    6: "int8",
    7: "int64",
}
# pylsl without a source_id takes Python's hash, which differs from run to run; UUIDs.
_MADE_UP = re.compile(
    r"-?\d{15,20}|[0-9a-fA-F]{8}(-?[0-9a-fA-F]{4}){3}-?[0-9a-fA-F]{12}"
)


@dataclass(frozen=True, kw_only=True)
class Found:
    """A stream in reach, as its outlet announces it; `form` is its number format."""

    name: str
    source_id: str
    kind: str
    host: str
    channel_count: int
    rate: float
    text: bool
    uid: str
    handle: Any = field(repr=False, compare=False, default=None)
    form: str = ""

    @property
    def made_up(self) -> bool:
        """Whether the source_id looks like one that is drawn anew at each start."""
        return bool(_MADE_UP.fullmatch(self.source_id))

    @property
    def key(self) -> str:
        """Under what its channels' names are kept: an id that stays, else the name."""
        return self.name if self.made_up or not self.source_id else self.source_id

    @property
    def label(self) -> str:
        """How messages name the stream."""
        return f"{self.name} ({self.source_id or 'no source_id'})"


@dataclass(frozen=True, kw_only=True, eq=False)
class Chunk:
    """Samples as they came: raw stamps, and what moves these to the local clock.

    `arrival_s` is 0 unless the sender stamps with another clock altogether; it then
    moves the stamps to the time of arrival.
    """

    time_raw: NDArray[np.float64]
    samples: NDArray[np.float64]
    correction_s: float
    arrival_s: float = 0.0

    @property
    def time(self) -> NDArray[np.float64]:
        """Stamps on the local clock, seconds (k,)."""
        return self.time_raw + (self.correction_s + self.arrival_s)


@dataclass
class Arrival:
    """Finds out whether a sender stamps with the time of day, or some other clock.

    The first samples of a connection are fresh, so a difference of more than 5 s there
    is the clock's; later ones may be a backlog.
    """

    offset_s: float = 0.0
    wrong: bool | None = None

    def shift(self, last_s: float, now_s: float) -> float:
        """Return what to add to corrected stamps, 0 for a sound clock.

        Parameters
        ----------
        last_s : float
            Corrected stamp of the newest sample.
        now_s : float
            When it arrived.
        """
        late_s = now_s - last_s
        if self.wrong is None:
            self.wrong = abs(late_s) > WALL_CLOCK_S
        if self.wrong and abs(late_s - self.offset_s) > STEP_S:
            self.offset_s = late_s
        return self.offset_s


def in_steps(
    call: Callable[[float], object],
    wait_s: float,
    clock: Callable[[], float],
    late: type[Exception],
) -> None:
    """Wait for something in steps: the library may miss a loss that came meanwhile.

    Parameters
    ----------
    call : callable
        Waits at most so many seconds, and raises `late` when that was too short.
    wait_s : float
        In all.
    clock : callable
    late : exception class
        Raised at the end, as by the last step; others at once.
    """
    end_s = clock() + wait_s
    while True:
        rest_s = end_s - clock()
        try:
            call(max(min(rest_s, OPEN_STEP_S), 0.0))
        except late:
            if rest_s <= OPEN_STEP_S:
                raise
        else:
            return


def let_go(things: list[Any]) -> None:
    """Let go of what the library may take seconds to end, in a thread of its own.

    Source: liblsl's resolver_impl.cpp and data_receiver.cpp. The end of a resolver may
    wait out a question that was asked in just that moment (5 s were seen), the end of
    an inlet a thread that sleeps for half a second. The program's own end waits too.

    Parameters
    ----------
    things : list
        The only ones that hold them; emptied.
    """
    threading.Thread(target=things.clear).start()


def asking_for(kind: str) -> str:
    """Return what to ask for, so that streams of other types need not answer.

    Parameters
    ----------
    kind : str
        The streams' type, of ASCII letters, in any case.

    Source
    ------
    liblsl takes an XPath 1.0 predicate over a stream's description; `translate` is
    XPath 1.0, section 4.2.
    """
    upper, lower = string.ascii_uppercase, string.ascii_lowercase
    return f"translate(type,'{upper}','{lower}')='{kind.lower()}'"


def candidates(
    streams: Sequence[Found],
    kind: str = "Gaze",
    source_id: str | None = None,
    *,
    calibrated: bool = False,
) -> tuple[Found, ...]:
    """Return the streams that may serve as input, one entry an outlet.

    Parameters
    ----------
    streams : sequence of Found
    kind : str
        The stream's type, in any case.
    source_id : str, optional
        Only this one; a stream without a source_id is matched by its name.
    calibrated : bool
        Look for gaze that calibkit calibrated, which is never an input, instead.

    Returns
    -------
    tuple of Found, sorted by name and source_id
    """
    unique = {stream.uid or stream.label: stream for stream in streams}
    kept = [
        stream
        for stream in unique.values()
        if stream.kind.lower() == kind.lower()
        and (kind.lower() != "gaze" or stream.source_id.startswith(OURS) == calibrated)
        and source_id in (None, stream.source_id or stream.name)
    ]
    return tuple(sorted(kept, key=lambda stream: (stream.name, stream.source_id)))


def check_format(found: Found) -> None:
    """Refuse a stream that cannot be gaze, before anything is opened.

    Raises
    ------
    DeviceError
        It sends text, or has too many channels.
    """
    if found.text:
        raise errors.DeviceError(
            f"stream {found.label} sends text; gaze needs a numeric stream"
        )
    if not 1 <= found.channel_count <= CHANNEL_LIMIT:
        raise errors.DeviceError(
            f"stream {found.label} has {found.channel_count} channels; gaze streams "
            f"have 1 to {CHANNEL_LIMIT}"
        )


def choose(
    streams: Sequence[Found],
    source_id: str | None = None,
    ask: Callable[[Sequence[Found]], int] | None = None,
) -> Found:
    """Return the one stream to use; never the first of several.

    Parameters
    ----------
    streams : sequence of Found
    source_id : str, optional
        What the user asked for, for the messages.
    ask : callable, optional
        Shows the candidates and returns the index of the chosen one.

    Raises
    ------
    DeviceError
        There is none.
    CallError
        There are several and nobody to ask.
    """
    if not streams:
        what, hint = "of type Gaze", ""
        if source_id:
            what = f"with source_id {source_id!r}"
            hint = "see calibkit streams for those that are, or "
        raise errors.DeviceError(
            f"no stream {what} is in reach; {hint}start the tracker's LSL program on "
            "this computer, or name your network in a file and set LSLAPICFG to its "
            "path"
        )
    if len(streams) == 1:
        return streams[0]
    if ask is not None:
        return streams[ask(streams)]
    names = "; ".join(f"{s.label} on {s.host}" for s in streams)
    if len({s.source_id for s in streams}) == 1:
        raise errors.CallError(
            f"{len(streams)} streams share one source_id ({names}); stop all but one"
        )
    raise errors.CallError(
        f"{len(streams)} gaze streams are in reach ({names}); choose one with "
        f"--stream, such as --stream {streams[0].source_id or streams[0].name}"
    )
