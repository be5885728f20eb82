"""What an outlet may answer to a reader of its samples, and what it may send.

Source of the protocol: liblsl 1.16, tcp_server.cpp and sample.cpp. Real outlets are in
tests/live/test_feed.py.
"""

from __future__ import annotations

import math
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from calibkit.errors import DeviceError
from calibkit.streams import lsl_feed
from calibkit.streams.lsl_found import Found

UID = "2323677e-1c64-4fe5-923b-dd79b20b3574"
HEAD = (
    f"LSL/110 200 OK\r\nUID: {UID}\r\nByte-Order: {{order}}\r\n"
    "Suppress-Subnormals: 0\r\nData-Protocol-Version: 110\r\n\r\n"
)
ORDER = {"little": "1234", "big": "4321"}[sys.byteorder]
GOOD = HEAD.format(order=ORDER).encode()
# assign_test_pattern in sample.cpp: from 16777217 + 4 and + 2, every other negative.
PATTERN = struct.pack("=Bddd", 2, 123456.789, 16777221.0, -16777222.0) + struct.pack(
    "=Bddd", 2, 123456.789, 16777219.0, -16777220.0
)
FOUND = Found(
    name="a",
    source_id="a",
    kind="Gaze",
    host="here",
    channel_count=2,
    rate=100.0,
    text=False,
    uid=UID,
    form="double64",
)
Answer = Callable[[socket.socket, str], None]
Serve = Callable[[Answer], int]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """An outlet that answers one reader as it is told to; returns its port."""
    servers: list[socket.socket] = []

    def start(answer: Answer) -> int:
        server = socket.create_server(("127.0.0.1", 0))
        servers.append(server)

        def work() -> None:
            line, _ = server.accept()
            with line:
                asked = b""
                while not asked.endswith(b"\r\n\r\n"):
                    asked += line.recv(4096)
                try:
                    answer(line, asked.decode())
                except OSError:
                    return

        threading.Thread(target=work, daemon=True).start()
        return int(server.getsockname()[1])

    yield start
    for server in servers:
        server.close()


def feed(port: int, wait_s: float = 2.0) -> lsl_feed.Feed:
    return lsl_feed.Feed(FOUND, port, buffer_s=5, chunk=1, wait_s=wait_s)


def sample(stamp_s: float, *values: float) -> bytes:
    return struct.pack("=Bddd", 2, stamp_s, *values)


def deduced(*values: float) -> bytes:
    return struct.pack("=Bdd", 1, *values)


def taken(one: lsl_feed.Feed, count: int) -> list[tuple[float, tuple[float, ...]]]:
    """So many samples, or as many as come in two seconds."""
    rows: list[tuple[float, tuple[float, ...]]] = []
    end_s = time.monotonic() + 2.0
    while len(rows) < count and time.monotonic() < end_s:
        got = one.next(0.05)
        if got is not None:
            rows.append((got[0], tuple(got[1])))
    return rows


@pytest.mark.parametrize("step", [1, 7, 10_000])
def test_samples_are_read_however_their_bytes_come(serve: Serve, step: int) -> None:
    asked: list[str] = []
    text = GOOD + PATTERN + sample(5.0, 1.5, -2.0) + deduced(3.0, math.inf)
    text += deduced(4.0, 0.0) + sample(5.5, 1e-310, -1e300)

    def answer(line: socket.socket, request: str) -> None:
        asked.append(request)
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for at in range(0, len(text), step):
            line.sendall(text[at : at + step])
            if step < 1000:
                time.sleep(0.0002)
        time.sleep(2.0)

    one = feed(serve(answer))
    assert taken(one, 4) == [
        (5.0, (1.5, -2.0)),
        (5.01, (3.0, math.inf)),  # 100 a second
        (5.02, (4.0, 0.0)),
        (5.5, (1e-310, -1e300)),
    ]
    assert one.next(0.01) is None
    one.close()
    assert asked[0].startswith(f"LSL:streamfeed/110 {UID}\r\n")
    assert "\r\nValue-Size: 8\r\n" in asked[0]
    assert "\r\nMax-Buffer-Length: 501\r\nMax-Chunk-Length: 1\r\n" in asked[0]


@pytest.mark.parametrize(
    "text",
    [
        b"HTTP/1.1 200 OK\r\n\r\n",
        b"LSL/110 505 Version not supported\r\n\r\n",
        GOOD.replace(b"Version: 110", b"Version: 100") + PATTERN,
        GOOD.replace(ORDER.encode(), b"2134") + PATTERN,
        GOOD.replace(UID.encode(), b"another") + PATTERN,
        GOOD + PATTERN[:-1] + b"\x00",
        GOOD + PATTERN[25:] + PATTERN[:25],
        b"x" * 40_000,
        b"\xff\x00\r\n\r\n",
    ],
    ids=["http", "505", "1.00", "order", "uid", "value", "pattern", "endless", "odd"],
)
def test_what_is_not_understood_is_left_to_the_library(
    serve: Serve, text: bytes
) -> None:
    def answer(line: socket.socket, request: str) -> None:
        line.sendall(text)
        time.sleep(1.0)

    with pytest.raises(ValueError, match="it"):
        feed(serve(answer))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"LSL/110 404 Not found\r\n\r\n", "was lost"),  # the port is another's by now
        (b"", "was lost"),
        (GOOD, "was lost"),
        (GOOD + PATTERN[:30], "was lost"),
    ],
    ids=["another", "nothing", "head", "torn"],
)
def test_an_outlet_that_has_gone_is_lost(serve: Serve, text: bytes, words: str) -> None:
    with pytest.raises(DeviceError, match=words):
        feed(serve(lambda line, request: line.sendall(text)))


def test_a_port_that_nobody_serves_is_lost() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(DeviceError, match="was lost"):
        feed(port)


@pytest.mark.parametrize("drip", [b"", b"x"])
def test_a_silent_or_slow_outlet_is_not_waited_for(serve: Serve, drip: bytes) -> None:
    def answer(line: socket.socket, request: str) -> None:
        for _ in range(100):
            line.sendall(drip)
            time.sleep(0.05)

    begin_s = time.monotonic()
    with pytest.raises(DeviceError, match="does not answer"):
        feed(serve(answer), wait_s=0.3)
    assert time.monotonic() - begin_s < 2.0


@pytest.mark.parametrize("rest", [b"", b"\x02abc", b"\x00" * 100, b"\x03" * 9])
def test_an_end_or_garbage_among_samples_is_a_loss(serve: Serve, rest: bytes) -> None:
    text = GOOD + PATTERN + sample(5.0, 1.0, 2.0) + rest
    one = feed(serve(lambda line, request: line.sendall(text)))
    assert taken(one, 1) == [(5.0, (1.0, 2.0))]
    with pytest.raises(DeviceError, match="was lost"):
        taken(one, 1)
    one.close()


def test_what_waits_is_dropped_up_to_the_middle_of_a_sample(serve: Serve) -> None:
    go_on = threading.Event()
    last = sample(9.0, 9.0, 9.0)

    def answer(line: socket.socket, request: str) -> None:
        many = b"".join(sample(1.0 + k, k, k) for k in range(6000))  # many reads
        line.sendall(GOOD + PATTERN + many + last[:11])
        go_on.wait(5.0)
        line.sendall(last[11:])
        time.sleep(1.0)

    one = feed(serve(answer))
    time.sleep(0.2)
    assert one.flush() == 6000
    assert one.next(0.01) is None
    go_on.set()
    assert taken(one, 1) == [(9.0, (9.0, 9.0))]
    one.close()
    with pytest.raises(DeviceError, match="was lost"):
        one.next(0.01)
