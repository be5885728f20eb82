"""Streams for the publisher: a sample at a time, and nothing that a stranger can swell.

What a stream says of itself is asked for here by a plain socket, with limits on size,
depth and time: the library itself would take whatever comes into this process, which
is a person's voice.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import re
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, cast
from xml.etree import ElementTree

import numpy as np

from calibkit import errors
from calibkit.streams import lsl, lsl_feed, lsl_found, lsl_xml
from calibkit.streams.lsl_found import OURS, Found

LIMIT_BYTES = 256 * 1024
LIMIT_DEPTH = 16
STATUS = "calibkit-status:"
_PORT = re.compile(r"<v4data_port>([1-9]\d{0,4})</v4data_port>")


class LiveInlet(lsl.GazeInlet):
    """A gaze stream that is read for publishing.

    Of this machine without the library's threads, where the outlet allows (`lsl_feed`).
    """

    _feed: lsl_feed.Feed | None = None

    def __init__(self, found: Found, **options: Any) -> None:
        super().__init__(found, **options)
        self._pull: Any = None if self._feed is not None else _puller(self._inlet)
        if self._feed is not None and self._mend is None:  # a call less a sample
            self.next = self._feed.next  # type: ignore[method-assign]

    def _open(self, buffer_s: int, chunk: int, wait_s: float) -> None:
        port = _port(self.found) if self.local else None
        if port is not None and self.found.form in lsl_feed.FORMATS:
            with contextlib.suppress(ValueError):  # the library understands more
                self._feed = lsl_feed.Feed(
                    self.found, port, buffer_s=buffer_s, chunk=chunk, wait_s=wait_s
                )
                return
        super()._open(buffer_s, chunk, wait_s)

    def close(self) -> None:
        """Disconnect, and wait for nothing."""
        if self._feed is not None:
            self._feed.close()
        gone = [self._inlet, self._pull]  # what pulls holds the library's inlet too
        super().close()
        self._pull = None
        lsl_found.let_go(gone)

    def flush(self) -> int:
        """Drop what waits; a stream that is lost is told by the next pull."""
        with contextlib.suppress(Exception):
            return super().flush() if self._feed is None else self._feed.flush()
        return 0

    def next(self, wait_s: float) -> tuple[float, Sequence[float]] | None:
        """Return the next sample, or None when none came in time.

        Parameters
        ----------
        wait_s : float

        Returns
        -------
        (stamp on the local clock, numbers), or None

        Raises
        ------
        DeviceError
            The stream was lost.
        """
        got = self._feed.next(wait_s) if self._feed is not None else self._next(wait_s)
        if got is None or self._mend is None:
            return got
        return got[0], self._mend(np.asarray([got[1]], float))[0].tolist()

    def _next(self, wait_s: float) -> tuple[float, Sequence[float]] | None:
        try:
            sample, stamp_s = self._pull(wait_s)
        except Exception:
            self._guard(self._inlet.pull_sample, 0.0)  # says it in words
            return None
        return None if sample is None else (stamp_s + self._correct(), sample)

    def _more(self) -> bool:
        return self._feed is not None or super()._more()

    def _pulled(self, wait_s: float, limit: int) -> Any:
        if self._feed is None:
            return super()._pulled(wait_s, limit)
        rows: list[tuple[float, Sequence[float]]] = []
        while len(rows) < limit:
            got = self._feed.next(0.0 if rows else wait_s)
            if got is None:
                break
            rows.append(got)
        samples = np.array([sample for _, sample in rows], float)
        shape = (len(rows), self.found.channel_count)
        return samples.reshape(shape), [stamp_s for stamp_s, _ in rows]

    def _description(self, wait_s: float) -> lsl_xml.Description:
        port = _port(self.found)
        if not self.local or port is None:  # the library alone knows the way there
            return super()._description(wait_s)
        address = ("127.0.0.1", port)
        try:
            text = fetch(address, min(wait_s, 2.0))
        except (OSError, ValueError) as problem:
            raise errors.DeviceError(
                f"stream {self.found.label} does not say what it sends ({problem}); "
                "restart the tracker's program"
            ) from problem
        return lsl_xml.read(described(text), self.found.channel_count)


def _port(found: Found) -> int | None:
    """Where an outlet serves, as it announces that itself."""
    port = _PORT.search(found.handle.as_xml())
    return None if port is None else int(port.group(1))


def _puller(inlet: Any) -> Callable[[float], tuple[Any, float]]:
    """Return what pulls one sample: the library's own call, made once and kept.

    Its Python side makes five small objects for each sample, which at sixty samples a
    second costs as much as the mapping.
    """
    try:
        call, handle, sample = inlet.do_pull_sample, inlet.obj, inlet.sample
        count, error, wait = inlet.channel_count, ctypes.c_int(), ctypes.c_double()
        where, at = ctypes.byref(sample), ctypes.byref(error)
    except (AttributeError, TypeError):  # another version of the library
        return cast(Any, inlet.pull_sample)

    def pull(wait_s: float, keep: Any = inlet) -> tuple[Any, float]:
        wait.value = wait_s
        stamp_s = call(handle, where, count, wait, at)
        if error.value:
            raise OSError(error.value)
        return (sample[:], stamp_s) if stamp_s else (None, 0.0)

    return pull


def load() -> None:
    """Load the streaming library without starting any of it."""
    with contextlib.suppress(ImportError, RuntimeError, OSError):
        import pylsl

        del pylsl


def clock() -> Callable[[], float]:
    """Return the function that tells the LSL local clock of this machine."""
    pylsl = lsl._pylsl()
    # Both are CLOCK_MONOTONIC on Linux; asking the library costs ten times as much.
    before_s, told_s = time.monotonic(), pylsl.local_clock()
    if sys.platform == "linux" and before_s <= told_s <= time.monotonic():
        return time.monotonic
    library = getattr(getattr(pylsl, "lib", None), "lib", None)
    direct = getattr(library, "lsl_local_clock", None)
    read: Callable[[], float] = direct or pylsl.local_clock
    return read


def fetch(address: tuple[str, int], wait_s: float) -> bytes:
    """Ask an outlet for its whole description.

    Parameters
    ----------
    address : (host, port)
        The host by its number (IPv4).
    wait_s : float
        For all of it.

    Raises
    ------
    OSError
        It does not answer in time.
    ValueError
        It is larger than 256 KB.

    Source
    ------
    liblsl's TCP protocol: the request line "LSL:fullinfo", answered by the XML.
    """
    end_s = time.monotonic() + wait_s
    parts: list[bytes] = []
    with lsl_feed.line_to(address, wait_s) as line:
        line.sendall(b"LSL:fullinfo\r\n")
        while True:
            line.settimeout(max(end_s - time.monotonic(), 0.001))
            part = line.recv(65536)
            if not part:
                return b"".join(parts)
            parts.append(part)
            if sum(map(len, parts)) > LIMIT_BYTES:
                raise ValueError(f"its description is larger than {LIMIT_BYTES} bytes")


def described(text: bytes) -> Node:
    """Return the `<desc>` of a description; an unreadable one is a ValueError."""
    if b"<!" in text:
        raise ValueError("its description holds declarations")
    parser = ElementTree.XMLParser(target=_Shallow())
    try:
        parser.feed(text)
        root = parser.close()
    except ElementTree.ParseError as problem:
        raise ValueError(f"its description is no XML: {problem}") from None
    return Node([root]).child("desc")


class _Shallow(ElementTree.TreeBuilder):
    """A builder that refuses depth, which would cost more the deeper it goes."""

    depth = 0

    def start(self, tag: str, attrs: dict[Any, Any], /) -> ElementTree.Element:
        """Begin an element."""
        self.depth += 1
        if self.depth > LIMIT_DEPTH:
            raise ValueError("its description is nested too deeply")
        return super().start(tag, attrs)

    def end(self, tag: str, /) -> ElementTree.Element:
        """End an element."""
        self.depth -= 1
        return super().end(tag)


class Node:
    """An XML element and those of its name that follow it, as `lsl_xml` walks them."""

    def __init__(self, same: Sequence[ElementTree.Element], place: int = 0) -> None:
        self._same, self._place = same, place

    def empty(self) -> bool:
        """Whether there is none."""
        return self._place >= len(self._same)

    def child(self, name: str) -> Node:
        """Return the first child of a name."""
        return Node([] if self.empty() else self._same[self._place].findall(name))

    def next_sibling(self, name: str) -> Node:
        """Return the next of the same name."""
        del name
        return Node(self._same, self._place + 1)

    def child_value(self, name: str) -> str:
        """Return a child's text."""
        node = self.child(name)
        return "" if node.empty() else (node._same[0].text or "").strip()


class LiveOutlet(lsl.GazeOutlet):
    """The calibrated stream."""

    def __init__(self, *what: Any) -> None:
        super().__init__(*what)
        self._push: Any = _pusher(self._outlet)
        self.send = self._push  # type: ignore[method-assign,assignment]

    def send(self, stamp_s: float, row: Sequence[float]) -> None:
        """Send one row with its stamp."""
        self._push(stamp_s, row)

    def close(self) -> None:
        """Take the stream away."""
        super().close()
        vars(self).pop("send", None)
        self._push = None


def _pusher(outlet: Any) -> Callable[[float, Sequence[float]], None]:
    """Return what sends one row, as `_puller` does for the other way.

    Numbers are written to where the library reads them, so its call gets the same five
    objects for each row: to turn others into what it takes costs as much as the call.
    """
    try:
        count, handle, kind = int(outlet.channel_count), outlet.obj, outlet.value_type
        store = (ctypes.c_double * (1 + count))()  # the stamp, then the row
        first = ctypes.addressof(store)
        call = _at_once(outlet.do_push_chunk_n)
    except (AttributeError, TypeError, ValueError):
        kind = None
    if kind is not ctypes.c_double:
        return lambda stamp_s, row: cast(None, outlet.push_sample(row, stamp_s))
    view = memoryview(store).cast("B").cast("d")
    stamp, numbers = ctypes.c_void_p(first), ctypes.c_void_p(first + 8)
    length, through = ctypes.c_ulong(count), ctypes.c_int(1)

    def push(stamp_s: float, row: Sequence[float], keep: Any = outlet) -> None:
        view[0], k = stamp_s, 0
        for value in row:
            k += 1
            view[k] = value
        if k != count:
            raise ValueError(f"a row has {k} numbers instead of {count}")
        call(handle, numbers, length, stamp, through)

    return push


def _at_once(push: Any) -> Any:
    """Return the library's call for a chunk as one that keeps the interpreter.

    It waits for nothing, and giving the interpreter away and taking it again costs
    more than it does.
    """
    address = ctypes.cast(push, ctypes.c_void_p).value
    if not address:
        raise ValueError("the library's call has no address")
    return ctypes.PYFUNCTYPE(None)(address)


class StatusOutlet:
    """What a publisher does, for other programs: one JSON object a sample.

    Type `Status`, one text channel, rate 0, source_id `calibkit-status:` and the
    input's. `event` is "state" (`state` and `text` in words, when something changed) or
    "alive" (each second, from the loop that sends the gaze).
    """

    def __init__(self, found: Found) -> None:
        pylsl = lsl._pylsl()
        info = pylsl.StreamInfo(
            f"{found.name}-status",
            "Status",
            1,
            pylsl.IRREGULAR_RATE,
            pylsl.cf_string,
            STATUS + found.source_id.removeprefix(OURS),
        )
        self._outlet = pylsl.StreamOutlet(info, max_buffered=60)

    def push(self, facts: Mapping[str, Any], time_s: float) -> None:
        """Send facts; what is no plain JSON is left out."""
        with contextlib.suppress(TypeError, ValueError):
            text = json.dumps(facts, separators=(",", ":"), allow_nan=False)
            self._outlet.push_sample([text], time_s)

    def close(self) -> None:
        """Take the stream away."""
        self._outlet = None
