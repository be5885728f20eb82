"""What a stranger's stream may say of itself; a worker that dies, and who is told."""

from __future__ import annotations

import ctypes
import math
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from calibkit.joined import wiring_again, wiring_status
from calibkit.streams import lsl_live, lsl_xml

HEAD = b"<?xml version='1.0'?><info><name>a</name><desc>"
TAIL = b"</desc></info>"
Address = tuple[str, int]
CHANNELS = (
    b"<channels><channel><label>x</label><eye>left</eye><type>ScreenX</type>"
    b"<unit>px</unit></channel><channel><label/><type>ScreenY</type></channel></channels>"
    b"<setup><screen_px>1920 1080</screen_px></setup>"
)


@pytest.fixture
def answering() -> Iterator[
    Callable[[Callable[[socket.socket], None]], tuple[str, int]]
]:
    """A server that answers one caller as it is told to."""
    open_sockets: list[socket.socket] = []

    def start(answer: Callable[[socket.socket], None]) -> tuple[str, int]:
        server = socket.create_server(("127.0.0.1", 0))
        open_sockets.append(server)

        def work() -> None:
            line, _ = server.accept()
            with line:
                try:
                    assert line.recv(100) == b"LSL:fullinfo\r\n"
                    answer(line)
                except OSError:
                    return

        threading.Thread(target=work, daemon=True).start()
        return ("127.0.0.1", server.getsockname()[1])

    yield start
    for one in open_sockets:
        one.close()


def test_a_description_is_read(answering: Callable[..., Address]) -> None:
    address = answering(lambda line: line.sendall(HEAD + CHANNELS + TAIL))
    text = lsl_live.fetch(address, 2.0)
    found = lsl_xml.read(lsl_live.described(text), 3)
    assert [c.type for c in found.channels] == ["ScreenX", "ScreenY", ""]
    assert found.channels[1].label == "channel 2"
    assert found.setup == {"screen_px": (1920.0, 1080.0)}


def test_a_huge_description_is_cut_off(
    answering: Callable[..., Address],
) -> None:
    def answer(line: socket.socket) -> None:
        while True:
            line.sendall(b"<a/>" * 10_000)

    with pytest.raises(ValueError, match="larger than"):
        lsl_live.fetch(answering(answer), 5.0)


@pytest.mark.parametrize("drip", [b"", b"<"])
def test_a_slow_or_silent_outlet_is_not_waited_for(
    drip: bytes, answering: Callable[..., Address]
) -> None:
    def answer(line: socket.socket) -> None:
        for _ in range(100):
            line.sendall(drip)
            time.sleep(0.05)

    begin_s = time.monotonic()
    with pytest.raises(OSError, match="timed out"):
        lsl_live.fetch(answering(answer), 0.3)
    assert time.monotonic() - begin_s < 1.0


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (b"<a>" * 60_000 + b"</a>" * 60_000, "too deeply"),
        (b"<!DOCTYPE a [<!ENTITY b 'c'>]><info>&b;</info>", "declarations"),
        (b"<info><desc>", "no XML"),
        (b"", "no XML"),
        (b"\xff\xfe\x00", "no XML"),
    ],
    ids=["deep", "entities", "torn", "empty", "no text"],
)
def test_what_is_no_description_is_said_in_words(text: bytes, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        lsl_live.described(text)


def test_a_description_without_desc_says_nothing() -> None:
    node = lsl_live.described(b"<info><name>a</name></info>")
    assert not lsl_xml.read(node, 2).described


# Who is told.


def test_another_version_of_the_library_serves_too() -> None:
    """Its plain calls, where the parts that the short way needs are not there."""

    class Other:
        def pull_sample(self, wait_s: float) -> tuple[list[float], float]:
            return [wait_s], 5.0

        def push_sample(self, row: list[float], stamp_s: float) -> None:
            sent.append((row, stamp_s))

    sent: list[tuple[list[float], float]] = []
    assert lsl_live._puller(Other())(0.25) == ([0.25], 5.0)
    lsl_live._pusher(Other())(7.0, [1.0, 2.0])
    assert sent == [([1.0, 2.0], 7.0)]


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no such sockets")
@pytest.mark.parametrize("prefix", ["", "@"])
def test_the_service_manager_is_told(prefix: str, tmp_path: Path) -> None:
    """Source: sd_notify(3); "@" stands for the first NUL of an abstract name."""
    if prefix and sys.platform != "linux":
        pytest.skip("abstract names are Linux's")
    name = str(tmp_path / "notify") if not prefix else f"@calibkit-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if prefix else name)
        manager.settimeout(2.0)
        tell = wiring_status.service({"NOTIFY_SOCKET": name})
        tell("READY=1")
        assert manager.recv(100) == b"READY=1"
        manager.setblocking(False)
        for _ in range(10_000):  # nobody reads: the gaze goes on
            tell("WATCHDOG=1")
    tell("WATCHDOG=1")
    wiring_status.service({})("READY=1")


WORKER = """
import os, signal, sys, time
from calibkit.joined import wiring_again
from calibkit.joined.wiring_stop import stopping
with stopping() as stop:
    status = wiring_again.again_and_again(lambda text: print(text, flush=True))
    if status is None:
        print("worker", os.getpid(), flush=True)
        while not stop:
            time.sleep(0.01)
        sys.exit(int(sys.argv[1]))
    print("end", status, flush=True)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks and ends with its parent")
def test_a_worker_that_is_killed_comes_back_until_told_to_stop() -> None:
    parent = subprocess.Popen(
        [sys.executable, "-c", WORKER, "0"], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    pids = []
    for number in (signal.SIGKILL, signal.SIGSEGV):
        pids.append(int(parent.stdout.readline().split()[1]))
        os.kill(pids[-1], number)
        assert f"signal {int(number)}; started again" in parent.stdout.readline()
    pids.append(int(parent.stdout.readline().split()[1]))
    assert len(set(pids)) == 3
    parent.terminate()
    assert parent.stdout.readline() == "end 0\n"
    assert parent.wait(10) == 0
    parent.stdout.close()


LOADING = """
import os, signal, sys, time
from calibkit.joined import wiring_again
parent, loaded = os.getpid(), []
wiring_again.READY_S = float(sys.argv[2])
def load(ended):
    loaded.append(os.getpid() == parent)
    raise ImportError("what cannot be loaded stops nothing")
if wiring_again.again_and_again(lambda text: None, load) is None:
    print(loaded, flush=True)
    time.sleep(float(sys.argv[1]))
    os.kill(os.getpid(), signal.SIGKILL) if len(loaded) < 2 else sys.exit(0)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks")
@pytest.mark.parametrize(
    ("lives_s", "ready_s", "loads"),
    [("0", "60", ["[]", "[]", "[]"]), ("1.2", "0", ["[]", "[True]", "[True]"])],
)
def test_the_parent_loads_once_beside_a_worker_that_lives(
    lives_s: str, ready_s: str, loads: list[str]
) -> None:
    """Gaze is waited for when it died at once: the next one loads for itself.

    The times are far apart, so that a busy machine changes nothing.
    """
    with subprocess.Popen(
        [sys.executable, "-c", LOADING, lives_s, ready_s],
        stdout=subprocess.PIPE,
        text=True,
    ) as parent:
        assert parent.stdout is not None
        try:
            said = [parent.stdout.readline().strip() for _ in range(3)]
        finally:
            parent.terminate()
    assert said == loads


LOADING_LONG = """
import os, signal, sys, time
from calibkit.joined import wiring_again
told = []
def load(ended):
    told.append(ended())
    print("loading", flush=True)
    while not ended():
        time.sleep(0.01)
    return len(told) > 1
if wiring_again.again_and_again(lambda text: None, load) is None:
    print("worker", os.getpid(), told, flush=True)
    time.sleep(60)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks")
def test_a_worker_that_dies_while_the_parent_loads_is_started_again_at_once() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", LOADING_LONG], stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdout is not None
        said = []
        try:
            for _ in range(2):
                # Which of the two writes first is the machine's affair.
                loading, words = sorted(parent.stdout.readline() for _ in range(2))
                assert loading == "loading\n"
                said.append(words.split(maxsplit=2))
                os.kill(int(said[-1][1]), signal.SIGKILL)
            said.append(parent.stdout.readline().split(maxsplit=2))
        finally:
            parent.terminate()
    assert [words[2].strip() for words in said] == ["[]", "[False]", "[False, False]"]


@pytest.mark.skipif(sys.platform != "linux", reason="ends with its parent")
def test_a_worker_ends_with_its_parent_and_its_own_status_is_final() -> None:
    parent = subprocess.Popen(
        [sys.executable, "-c", WORKER, "3"], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    worker = int(parent.stdout.readline().split()[1])
    os.kill(worker, signal.SIGTERM)
    assert parent.stdout.readline() == "end 3\n"
    parent.wait(10)
    parent.stdout.close()
    parent = subprocess.Popen(
        [sys.executable, "-c", WORKER, "3"], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    assert parent.stdout.readline().startswith("worker")
    parent.kill()
    parent.wait()
    assert parent.stdout.read() == ""  # its end closes the pipe
    parent.stdout.close()


INTERRUPTED = """
import os, signal, sys, time
from calibkit.joined import wiring_again
from calibkit.joined.wiring_stop import stopping
head = os.getpid()
try:
    with stopping() as stop:
        status = wiring_again.again_and_again(lambda text: print(text, flush=True))
        if status is None:
            print("worker", os.getpid(), flush=True)
            while not stop:
                time.sleep(0.01)
            print("told", flush=True)
            sys.exit(0)
        print("end", status, flush=True)
except KeyboardInterrupt:
    print("head" if os.getpid() == head else "worker", "interrupted", flush=True)
    sys.exit(130)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="forks")
@pytest.mark.parametrize("whom", ["head", "all"])
def test_an_interrupt_ends_both_whether_or_not_the_worker_hears_it(whom: str) -> None:
    """Source: contract, exit statuses: 130 interrupted; `kill -INT` names one process,
    a terminal's Ctrl-C its whole group (POSIX, General Terminal Interface)."""
    head = subprocess.Popen(
        [sys.executable, "-c", INTERRUPTED],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert head.stdout is not None
    worker = int(head.stdout.readline().split()[1])
    if whom == "all":
        os.killpg(head.pid, signal.SIGINT)
        wanted = {"worker interrupted", "end 130"}
    else:
        os.kill(head.pid, signal.SIGINT)
        wanted = {"told", "head interrupted"}
    said, _ = head.communicate(timeout=20)
    assert set(said.splitlines()) == wanted
    assert head.returncode == (0 if whom == "all" else 130)
    with pytest.raises(ProcessLookupError):
        os.kill(worker, 0)


def test_a_worker_is_forked_only_where_no_thread_runs() -> None:
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    thread.start()
    try:
        assert not wiring_again.possible()
    finally:
        stop.set()
        thread.join()


def test_a_row_is_sent_with_its_stamp_by_the_librarys_call_for_chunks() -> None:
    """Source: liblsl's lsl/outlet.h, lsl_push_chunk_dtnp: numbers, count, stamps."""
    sent: list[object] = []
    doubles = ctypes.POINTER(ctypes.c_double)

    def library(
        handle: int, numbers: Any, count: int, stamps: Any, through: int
    ) -> None:
        sent.append((handle, numbers[:count], stamps[0], through))

    form = ctypes.PYFUNCTYPE(
        None, ctypes.c_void_p, doubles, ctypes.c_ulong, doubles, ctypes.c_int
    )

    class Outlet:
        obj, channel_count, value_type = ctypes.c_void_p(77), 3, ctypes.c_double
        do_push_chunk_n = form(library)

    push = lsl_live._pusher(Outlet())
    push(2.5, [1.0, math.nan, 7])
    push(3.5, [0.25, -1e300, -0.0])
    with pytest.raises(ValueError, match="2 numbers instead of 3"):
        push(4.5, [1.0, 2.0])
    with pytest.raises(IndexError):
        push(5.5, [1.0, 2.0, 3.0, 4.0])
    assert str(sent) == str(
        [(77, [1.0, math.nan, 7.0], 2.5, 1), (77, [0.25, -1e300, -0.0], 3.5, 1)]
    )


def test_an_outlet_of_other_numbers_is_left_to_the_library() -> None:
    sent: list[object] = []

    class Outlet:
        obj, channel_count, value_type = ctypes.c_void_p(77), 1, ctypes.c_float
        do_push_chunk_n = ctypes.PYFUNCTYPE(None)(lambda: sent.append("raw"))

        def push_sample(self, row: list[float], stamp_s: float) -> None:
            sent.append((row, stamp_s))

    lsl_live._pusher(Outlet())(1.5, [2.0])
    assert sent == [([2.0], 1.5)]
