"""The live loop of `calibkit publish`: find, read, map, send, and find again.

The library's own recovery is not used: it is slow and silent and may switch to another
device. The stream that was chosen at the start is the only one that is ever read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Protocol

from calibkit.channels import Channel
from calibkit.errors import CalibkitError, CallError, DeviceError, InputError
from calibkit.joined.wiring_stop import Stop
from calibkit.live.publisher import Applied, Publisher, differences
from calibkit.live.publisher_output import Notice
from calibkit.streams.lsl_found import OURS, Found, choose

SETTLE_S = 0.15  # after the first candidate; a second one answers the same question
LOOK_S = 0.02
PULL_S = 0.05
CHORES_S = 1.0
FORGOTTEN_S = 2.0  # longer than a stream that is gone goes on being announced


class Inlet(Protocol):
    """A gaze inlet."""

    local: bool

    @property
    def channels(self) -> Sequence[Channel]: ...  # noqa: D102
    def next(self, wait_s: float) -> tuple[float, Sequence[float]] | None: ...  # noqa: D102
    def flush(self) -> object: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class Outlet(Protocol):
    """A gaze outlet."""

    def send(self, stamp_s: float, row: Sequence[float]) -> None: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True)
class Looking:
    """What it takes to look for streams: those in reach, and time.

    `beat` gets what the loop is doing, each second and from the loop itself;
    `connected` gets the stream that is read from then on: no need to look any more.
    """

    found: Callable[[], Sequence[Found]]
    clock: Callable[[], float]
    sleep: Callable[[float], object]
    beat: Callable[[dict[str, object]], object] = field(default=lambda facts: None)
    connected: Callable[[Found], object] = field(default=lambda found: None)


@dataclass(frozen=True, kw_only=True)
class Edges(Looking):
    """What the loop touches besides: streams, and whom it tells.

    `tell` gets each notice, `keep` each sample with its stamp, as it came; `refresh`
    returns a newer mapping, or None.
    """

    connect: Callable[[Found], Inlet]
    outlet: Callable[[Found], Outlet]
    tell: Callable[[Notice], object]
    refresh: Callable[[], Applied | None] = field(default=lambda: None)
    keep: Callable[[tuple[float, Sequence[float]]], object] = field(
        default=lambda sample: None
    )


def wait_for_stream(
    edges: Looking,
    stop: Stop,
    *,
    source_id: str | None = None,
    wait_s: float = float("inf"),
    known: Callable[[Found], bool] = lambda found: False,
    made_with: str = "",
    several: Callable[[Sequence[Found], str], object] | None = None,
) -> Found | None:
    """Wait until a stream is there that may be read.

    Parameters
    ----------
    edges : Looking
    stop : Stop
    source_id : str, optional
    wait_s : float
        At most so long.
    known : callable
        Whether a stream was chosen before; then it is not waited for others.
    made_with : str
        The source_id that the mapping was made with: of several streams, that one.
    several : callable, optional
        Told, once, of several streams and that one of them must be named; it is then
        waited until that is clear.

    Returns
    -------
    Found, or None when told to stop

    Raises
    ------
    DeviceError
        None came in time.
    CallError
        Several are there, and nobody is told.
    """
    if source_id is not None and source_id.startswith(OURS):
        raise CallError(
            f"stream {source_id!r} is calibrated already; choose the tracker's own"
        )
    end_s = edges.clock() + wait_s
    first_s: float | None = None
    beat_s, text, told = edges.clock(), "", ""
    while not stop:
        seen = edges.found()
        now_s = edges.clock()
        if now_s >= beat_s:
            beat_s = now_s + CHORES_S
            more = {"text": text} if text else {}
            _beat({"event": "alive", "time": now_s, "state": "waiting", **more}, edges)
        if not seen:
            first_s, text = None, ""
        elif first_s is None:
            first_s = now_s
        settled = first_s is not None and now_s - first_s >= SETTLE_S
        if seen and (settled or (len(seen) == 1 and known(seen[0]))):
            try:
                return _one_of(seen, source_id, made_with, known)
            except CallError as fault:
                if several is None or now_s >= end_s:
                    raise
                text = str(fault)
                if text != told:
                    told = text
                    several(seen, text)
        elif now_s >= end_s:
            return choose(seen, source_id)
        edges.sleep(LOOK_S if text else LOOK_S / 4)
    return None


def _one_of(
    seen: Sequence[Found],
    source_id: str | None,
    made_with: str,
    known: Callable[[Found], bool],
) -> Found:
    """Of several streams the mapping's own, else the very one that was read before."""
    if len(seen) > 1:
        for fits in (
            lambda found: bool(made_with) and found.source_id == made_with,
            known,
        ):
            fitting = [found for found in seen if fits(found)]
            if len(fitting) == 1:
                return fitting[0]
    return choose(seen, source_id)


def check(mapping: Applied, found: Found) -> None:
    """Refuse a stream that cannot be the mapping's, by what its outlet announces.

    Raises
    ------
    InputError
        The number of channels differs, or it sends text.
    """
    count = len(mapping.channels)
    if found.text or found.channel_count != count:
        raise InputError(
            f"stream {found.label} has {found.channel_count} channels"
            f"{' of text' if found.text else ''} but the mapping was made for {count}; "
            "use the tracker it was made with, or calibrate with this one"
        )


def publish(publisher: Publisher, first: Found, edges: Edges, stop: Stop) -> None:
    """Map one stream until told to stop, through every loss of it.

    Parameters
    ----------
    publisher : Publisher
    first : Found
        The stream; later only one of the same name and source_id is read.
    edges : Edges
    stop : Stop

    Raises
    ------
    InputError
        At the start only: the stream is not the mapping's.
    """
    check(publisher.mapping, first)
    outlet = edges.outlet(first)
    try:
        inlet = _connect(publisher, first, edges)
        lost: dict[str, float] = {}
        while not stop:
            if inlet is not None:
                with suppress(OSError):
                    edges.connected(first)
                publisher.found(first.label, edges.clock())
                if first.uid not in lost:
                    publisher.gate.renew()
                # What came while it was opened is old by now, and how old a stream
                # always is nobody knows yet.
                with suppress(DeviceError):  # the next pull says it
                    inlet.flush()
                text = _pump(publisher, inlet, outlet, edges, stop)
                inlet.close()
                if not stop:
                    publisher.lost(text, edges.clock())
                _tell(edges, publisher)
            lost[first.uid] = edges.clock()
            inlet, first = _again(publisher, first, lost, edges, stop)
    finally:
        outlet.close()


def _connect(publisher: Publisher, found: Found, edges: Edges) -> Inlet | None:
    """Open a stream and compare its channels; None when it is gone already."""
    try:
        inlet = edges.connect(found)
    except DeviceError:
        return None
    faults = differences(publisher.mapping.channels, inlet.channels)
    if faults:
        inlet.close()
        raise InputError(
            f"stream {found.label} is not the mapping's: {faults[0]}; use the tracker "
            "it was made with, or calibrate with this one"
        )
    return inlet


def _pump(
    publisher: Publisher, inlet: Inlet, outlet: Outlet, edges: Edges, stop: Stop
) -> str:
    """Map samples until the stream is lost; return how that was said."""
    if not inlet.local:
        publisher.gate.forget()
    next_sample, send, keep = inlet.next, outlet.send, edges.keep
    step, clock = publisher.step, edges.clock
    chores_s = clock() + CHORES_S
    while not stop.asked:
        try:
            got = next_sample(PULL_S)
        except DeviceError as lost:
            return str(lost)
        now_s = clock()
        row = None
        if got is not None:
            keep(got)
            stamp_s, sample = got
            row = step(stamp_s, sample, now_s)
            if row is not None:
                send(stamp_s, row)
        if row is None:
            publisher.tick(now_s)
        if publisher.news:
            _tell(edges, publisher)
        if now_s >= chores_s:
            chores_s = now_s + CHORES_S
            _chores(publisher, edges)
    return ""


def _chores(publisher: Publisher, edges: Edges) -> None:
    """Look for a newer mapping and show that this loop lives; never stop for either."""
    try:
        mapping = edges.refresh()
        if mapping is not None:
            publisher.use(mapping, edges.clock())
    except Exception as fault:  # whatever a file holds, it must not end the gaze
        text = f"the new mapping is unusable, the old one stays: {fault}"
        publisher.note(text, edges.clock())
    _tell(edges, publisher)
    _beat(publisher.facts(edges.clock()), edges)


def _beat(facts: dict[str, object], edges: Looking) -> None:
    with suppress(OSError, ValueError):
        edges.beat(facts)


def _again(
    publisher: Publisher, last: Found, lost: dict[str, float], edges: Edges, stop: Stop
) -> tuple[Inlet | None, Found]:
    """Wait for the same stream's return, and open it."""
    told, chores_s = "", edges.clock()
    failed: set[str] = set()
    while not stop:
        fitting, others = _returned(publisher, last, lost, edges)
        text = others
        # One that ended while it was being opened goes on being announced, too.
        fitting = [one for one in fitting if one.uid not in failed] or fitting
        if len(fitting) > 1:
            text = f"{len(fitting)} streams say they are {last.label}; stop all but one"
        elif fitting:
            try:
                inlet = _connect(publisher, fitting[0], edges)
            except CalibkitError as fault:
                text = str(fault)
            else:
                if inlet is not None:
                    return inlet, fitting[0]
                failed.add(fitting[0].uid)
        if text and text != told:
            told = text
            publisher.lost(text, edges.clock())
            _tell(edges, publisher)
        if edges.clock() >= chores_s:
            chores_s = edges.clock() + CHORES_S
            _chores(publisher, edges)
        edges.sleep(LOOK_S)
    return None, last


def _returned(
    publisher: Publisher, last: Found, lost: dict[str, float], edges: Edges
) -> tuple[list[Found], str]:
    """Return the streams that may be the lost one, and what is wrong with another."""
    now_s = edges.clock()
    fitting, text = [], ""
    for found in edges.found():
        # One that has just gone is still announced for a while.
        gone = now_s - lost.get(found.uid, -FORGOTTEN_S) < FORGOTTEN_S
        if gone or (found.name, found.source_id) != (last.name, last.source_id):
            continue
        try:
            check(publisher.mapping, found)
        except CalibkitError as fault:
            text = str(fault)
        else:
            fitting.append(found)
    return fitting, text


def _tell(edges: Edges, publisher: Publisher) -> None:
    for notice in publisher.told():
        with suppress(OSError, ValueError):  # a closed terminal silences nobody's gaze
            edges.tell(notice)
