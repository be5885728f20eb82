"""Samples of an outlet on this machine, read by the loop that maps them.

The library reads them in a thread of its own, which wakes another for each sample: at
sixty a second that costs as much as the mapping, and it is one more that may wait for a
processor. Only what was seen to work is read so: an outlet of the usual protocol, by
its own test samples; any other is left to the library.

Source: liblsl's data_receiver.cpp, tcp_server.cpp and sample.cpp (protocol 1.10).
"""

from __future__ import annotations

import contextlib
import math
import socket
import struct
import sys
import time
from typing import Any

from calibkit.errors import DeviceError
from calibkit.streams.lsl_found import Found

# Of each number format: how `struct` names it, and where its test samples begin.
FORMATS: dict[str, tuple[Any, int]] = {
    "float32": ("f", 0),
    "double64": ("d", 16777217),
    "int32": ("i", 65537),
    "int16": ("h", 257),
    "int8": ("b", 1),
    "int64": ("q", 2147483649),
}
ORDERS = {"little": "1234", "big": "4321"}
TEST_SAMPLES, TEST_STAMP_S = (4, 2), 123456.789
DEDUCED, STAMPED = 1, 2  # a sample's first byte: whether a stamp follows
IRREGULAR_HZ = 100  # what the library keeps room for where no rate is told
HEAD_BYTES = 16 * 1024
AT_ONCE_BYTES = 4096
MOST_WAITING = 100_000  # samples that are dropped at once; who sends more never ends


def line_to(address: tuple[str, int], wait_s: float) -> socket.socket:
    """Connect to a numeric address; what looks up names loads its alphabets first.

    Raises
    ------
    OSError
        Nobody is there, or does not answer in time.
    """
    line = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        line.settimeout(wait_s)
        line.connect(address)
    except BaseException:
        line.close()
        raise
    return line


class Feed:
    """One connection to an outlet.

    Parameters
    ----------
    found : Found
    port : int
        Where the outlet serves its samples on this machine.
    buffer_s : int
        The outlet keeps samples so long for a reader that does not take them.
    chunk : int
        Samples at a time; 0 leaves that to the outlet.
    wait_s : float

    Raises
    ------
    DeviceError
        The outlet has gone, or does not answer in time.
    ValueError
        It speaks, but not as it is understood here.
    """

    __slots__ = (
        *("_deduced", "_here", "_interval_s", "_left", "_line", "_lost", "_numbers"),
        *("_receive", "_room", "_size", "_stamp", "_stamp_s", "_stamped", "_wait_s"),
    )

    def __init__(
        self, found: Found, port: int, *, buffer_s: int, chunk: int, wait_s: float
    ) -> None:
        kind, first = FORMATS[found.form]
        self._lost = (
            f"stream {found.label} was lost; check that the tracker's program runs"
        )
        self._stamped = struct.Struct(f"=Bd{found.channel_count}{kind}")
        self._deduced = struct.Struct(f"=B{found.channel_count}{kind}")
        self._size = self._stamped.size
        # Where samples are received, and the parts of one that comes alone.
        self._room = bytearray(max(AT_ONCE_BYTES, self._size))
        one = memoryview(self._room)[: self._size]
        self._stamp = one[1:9].cast("d")
        self._numbers: Any = one[9:].cast(kind)
        self._interval_s = 1.0 / found.rate if found.rate > 0 else 0.0
        self._left, self._here = b"", 0  # what was read and from where it is not used
        self._stamp_s, self._wait_s = 0.0, math.nan
        room = buffer_s * (found.rate if found.rate > 0 else IRREGULAR_HZ)
        size = struct.calcsize(f"={kind}")
        request = _request(found, size, round(room) + 1, chunk)
        try:
            self._line = line_to(("127.0.0.1", port), wait_s)
        except OSError as problem:
            raise DeviceError(self._lost) from problem
        self._receive = self._line.recv_into
        if sys.platform == "linux":
            # Or each sample is acknowledged by a packet of its own, as it is read.
            self._line.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 0)
        try:
            self._agree(request, found, first, wait_s)
        except BaseException:
            self.close()
            raise

    def _agree(self, request: bytes, found: Found, first: int, wait_s: float) -> None:
        """Ask for the samples, and see by two of them that they are understood."""
        end_s = time.monotonic() + wait_s
        try:
            self._line.sendall(request)
            while (stop := self._left.find(b"\r\n\r\n")) < 0:
                if len(self._left) > HEAD_BYTES:
                    raise ValueError("it does not come to an end")
                self._more(end_s)
            _check(self._left[:stop].decode("ascii", "replace"), found.uid, self._lost)
            self._left = self._left[stop + 4 :]
            while len(self._left) < len(TEST_SAMPLES) * self._size:
                self._more(end_s)
        except TimeoutError as problem:
            raise DeviceError(
                f"stream {found.label} does not answer; check that the tracker's "
                "program runs and that nothing blocks its port"
            ) from problem
        except OSError as problem:
            raise DeviceError(self._lost) from problem
        for offset in TEST_SAMPLES:
            tag, stamp_s, *values = self._stamped.unpack_from(self._left, self._here)
            self._use(self._size)
            wanted = [(-1) ** k * (first + offset + k) for k in range(len(values))]
            if (tag, stamp_s, values) != (STAMPED, TEST_STAMP_S, wanted):
                raise ValueError("its test samples are others")

    def _more(self, end_s: float | None = None) -> None:
        """Read what has come behind what is left; an end is a DeviceError."""
        if end_s is not None:
            self._line.settimeout(max(end_s - time.monotonic(), 0.001))
        count = self._receive(self._room)
        if not count:
            raise DeviceError(self._lost)
        read = bytes(self._room[:count])
        self._left, self._here = self._left[self._here :] + read, 0

    def next(self, wait_s: float) -> tuple[float, list[float]] | None:
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
        try:
            if self._left or wait_s != self._wait_s:
                return self._odd(wait_s)
            count = self._receive(self._room)
            if count != self._size or self._room[0] != STAMPED:
                self._left = bytes(self._room[:count])
                return self._odd(wait_s)
        except OSError as problem:
            self._silence(problem)
            return None
        # As nearly always: one sample, and nothing else.
        self._stamp_s = stamp_s = self._stamp[0]
        return (stamp_s, self._numbers.tolist()) if stamp_s else None

    def _odd(self, wait_s: float) -> tuple[float, list[float]] | None:
        """Take a sample of several or of parts, with or without a stamp."""
        if wait_s != self._wait_s:
            self._patience(wait_s)
        if not self._left:
            self._more()
        while True:
            rest = len(self._left) - self._here
            tag = self._left[self._here]
            if tag not in (DEDUCED, STAMPED):  # whatever follows, it is no sample
                raise DeviceError(self._lost)
            form = self._stamped if tag == STAMPED else self._deduced
            if rest >= form.size:
                break
            self._more()
        _, *fields = form.unpack_from(self._left, self._here)
        self._use(form.size)
        stamped = tag == STAMPED
        self._stamp_s = fields.pop(0) if stamped else self._stamp_s + self._interval_s
        return (self._stamp_s, fields) if self._stamp_s else None

    def _use(self, count: int) -> None:
        self._here += count
        if self._here == len(self._left):
            self._left, self._here = b"", 0

    def _silence(self, problem: OSError) -> None:
        """Nothing came in time, or the stream was lost."""
        if not isinstance(problem, BlockingIOError | TimeoutError):
            raise DeviceError(self._lost) from problem

    def _patience(self, wait_s: float) -> None:
        """Have each read wait so long: by one system call, where there is one."""
        self._wait_s = wait_s
        if sys.platform != "linux" or wait_s < 1e-6:
            self._line.settimeout(wait_s)
            return
        whole = int(wait_s)
        span = struct.pack("@ll", whole, int((wait_s - whole) * 1e6))
        self._line.settimeout(None)
        self._line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, span)

    def flush(self) -> int:
        """Drop what waits; return how many samples that were."""
        count = 0
        while count < MOST_WAITING and self.next(0.0) is not None:
            count += 1
        return count

    def close(self) -> None:
        """Disconnect."""
        with contextlib.suppress(OSError):
            self._line.close()


def _request(found: Found, size: int, room: int, chunk: int) -> bytes:
    lines = (
        f"LSL:streamfeed/110 {found.uid}",
        f"Native-Byte-Order: {ORDERS[sys.byteorder]}",
        "Endian-Performance: 0",
        "Has-IEEE754-Floats: 1",
        "Supports-Subnormals: 1",
        f"Value-Size: {size}",
        "Data-Protocol-Version: 110",
        f"Max-Buffer-Length: {room}",
        f"Max-Chunk-Length: {chunk}",
    )
    return "".join(f"{line}\r\n" for line in (*lines, "")).encode("ascii", "replace")


def _check(head: str, uid: str, lost: str) -> None:
    """See whether an answer is one that is understood."""
    first, *lines = head.split("\r\n")
    words = first.split()
    if len(words) < 2 or not words[0].startswith("LSL/"):
        raise ValueError(f"it begins with {first:.40}")
    if words[1] == "404":  # the port is another outlet's by now
        raise DeviceError(lost)
    said = {
        name.strip().lower(): value.strip()
        for name, _, value in (line.partition(":") for line in lines)
    }
    wanted = {
        "uid": uid,
        "byte-order": ORDERS[sys.byteorder],
        "data-protocol-version": "110",
    }
    if words[1] != "200" or any(said.get(k) != v for k, v in wanted.items()):
        raise ValueError(f"it is {head[:200]!r}")
