"""What a publisher that was started again opens before its mapping is loaded."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibkit.channels import Channel
from calibkit.errors import CallError
from calibkit.joined import wiring_ahead, wiring_claim
from calibkit.streams import lsl, lsl_live

pytestmark = pytest.mark.live
CHANNELS = [Channel(label="x", eye="left", type="PupilX", unit="pixels")]


def put_out(name: str) -> tuple[lsl.GazeOutlet, lsl.Found]:
    source_id = f"calibkit-raw:{name}"
    outlet = lsl.GazeOutlet(name, source_id, CHANNELS, 100.0)
    (found,) = lsl.find("Gaze", source_id, 10.0)
    return outlet, found


def calibrated(found: lsl.Found) -> tuple[lsl.Found, ...]:
    return lsl.find("Gaze", f"calibkit:{found.source_id}", 1.0, calibrated=True)


def read_before(home: Path, found: lsl.Found) -> None:
    handle = wiring_claim.claim(home, found, 1)
    wiring_claim.remember(handle, found, 1)
    os.close(handle)


def begun(
    name: str, home: Path, *, before: bool
) -> tuple[lsl.GazeOutlet, lsl.Found, wiring_ahead.Streams]:
    """Put out a stream, and start a publisher that may have read it before."""
    outlet, found = put_out(name)
    if before:
        read_before(home, found)
    streams = wiring_ahead.Streams(found.source_id, home, 2, lambda text: None)
    return outlet, found, streams


def test_the_stream_that_was_read_before_is_opened_at_once(tmp_path: Path) -> None:
    outlet, found, streams = begun("ahead", tmp_path, before=True)
    (ours,) = calibrated(found)
    assert ours.channel_count == 7
    streams.settled()
    assert streams.known(found)
    assert wiring_claim.was_read(tmp_path, found)  # for the next, if this one dies now
    with pytest.raises(CallError, match="process 2 publishes"):
        wiring_claim.claim(tmp_path, found, 3)
    out, inlet = streams.outlet(found), streams.connect(found)
    assert [f.uid for f in calibrated(found)] == [ours.uid]  # the same, not a second
    outlet.push(np.array([lsl.clock()]), np.array([[7.0]]))
    got = inlet.next(5.0)
    assert got is not None
    assert list(got[1]) == [7.0]
    inlet.close()
    out.close()
    outlet.close()


def test_what_waited_while_the_rest_loaded_is_not_sent(tmp_path: Path) -> None:
    outlet, found, streams = begun("waiting", tmp_path, before=True)
    assert calibrated(found)
    end_s = time.monotonic() + 10
    while not outlet.have_consumers() and time.monotonic() < end_s:
        time.sleep(0.01)
    streams.settled()
    outlet.push(np.array([lsl.clock()]), np.array([[1.0]]))
    time.sleep(0.2)
    inlet = streams.connect(found)
    outlet.push(np.array([lsl.clock()]), np.array([[2.0]]))
    got = inlet.next(5.0)
    assert got is not None
    assert list(got[1]) == [2.0]
    inlet.close()
    outlet.close()


def test_a_stream_that_nobody_read_is_not_opened(tmp_path: Path) -> None:
    outlet, found, streams = begun("new", tmp_path, before=False)
    assert calibrated(found) == ()
    streams.settled()
    assert not streams.known(found)
    assert not outlet.have_consumers()
    outlet.close()


def test_one_status_stream_tells_of_the_input_that_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An input that does not fit has one too, and its lock is free for another."""
    made: list[lsl.Found] = []

    class Told:
        def __init__(self, found: lsl.Found) -> None:
            made.append(found)
            self.found = found

    monkeypatch.setattr(lsl_live, "StatusOutlet", Told)
    outlet, found, streams = begun("told", tmp_path, before=False)
    other = replace(found, uid="another")
    streams.settled()
    streams.claim(found)
    streams.outlet(found).close()
    streams.unfit(found)
    assert made == [found]
    os.close(wiring_claim.claim(tmp_path, found, 3))
    streams.unfit(other)
    assert made == [found, other]
    assert [vars(told)["found"] for told in streams.status] == [other]
    streams.status.clear()
    streams.unfit(other)
    assert made == [found, other, other]
    outlet.close()
