"""Strangers' bytes to the ports of a stream of ours."""

from __future__ import annotations

import random
import re
import socket
import time
from contextlib import suppress

import numpy as np
import pytest

from calibkit.channels import Channel
from calibkit.streams import lsl

pytestmark = pytest.mark.live
PAIR = tuple(
    Channel(label=f"Screen{a}", eye="both", type=f"Screen{a}", unit="px") for a in "XY"
)


def test_garbage_to_our_ports() -> None:
    """300 malformed sessions, 300 datagrams, 100 half-open lines: no sample is lost."""
    outlet = lsl.GazeOutlet("plain", "calibkit-raw:garbage", PAIR, 0.0)
    (found,) = lsl.find(source_id="calibkit-raw:garbage", wait_s=10.0)
    inlet = lsl.open_gaze(found)
    port = int(re.findall(r"<v4data_port>(\d+)<", found.handle.as_xml())[0])
    service = int(re.findall(r"<v4service_port>(\d+)<", found.handle.as_xml())[0])
    rng, idle, sent, got = random.Random(6), [], 0, []
    datagrams = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heads = (b"", b"LSL:streamfeed/110\r\n", b"LSL:fullinfo", b"GET / HTTP/1.1\r\n\r\n")
    try:
        for k in range(300):
            data = rng.choice(heads) + rng.randbytes(rng.randrange(200))
            with suppress(OSError):
                line = socket.create_connection(("127.0.0.1", port), 1.0)
                line.sendall(data)
                if k % 3:
                    line.close()
                else:
                    idle.append(line)
            datagrams.sendto(data, ("127.0.0.1", service))
            outlet.push(np.array([lsl.clock()]), np.array([[float(k), 0.0]]))
            sent += 1
            got += inlet.pull(0.005).samples[:, 0].tolist()
        end_s = time.monotonic() + 5.0
        while len(got) < sent and time.monotonic() < end_s:
            got += inlet.pull(0.05).samples[:, 0].tolist()
    finally:
        for line in (*idle, datagrams):
            line.close()
    assert got == [float(k) for k in range(sent)]
    assert lsl.find(source_id="calibkit-raw:garbage", wait_s=5.0)
