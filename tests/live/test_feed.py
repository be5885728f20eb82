"""Samples read without the library's threads are those that the library reads."""

from __future__ import annotations

import numpy as np
import pytest

from calibkit.channels import Channel
from calibkit.errors import DeviceError
from calibkit.streams import lsl, lsl_feed, lsl_live

pytestmark = pytest.mark.live
ROWS = [[1.0, -2.0, 3.0], [127.0, -128.0, 0.0], [-1.0, 5.0, 7.0]]
REAL = [[0.1, -1e-30, 3e30], [np.inf, -np.inf, 1 / 3], [np.nan, -0.0, 7.0]]


def put_out(form: str) -> tuple[object, lsl.Found]:
    """An outlet of three channels in a number format, by the library alone."""
    pylsl = lsl._pylsl()
    source_id = f"test-feed-{form}"
    kind = getattr(pylsl, f"cf_{form}")
    info = pylsl.StreamInfo(f"feed {form}", "Gaze", 3, 200.0, kind, source_id)
    outlet = pylsl.StreamOutlet(info)
    (found,) = lsl.find("Gaze", source_id, 10.0)
    return outlet, found


@pytest.mark.parametrize("form", list(lsl_feed.FORMATS))
def test_every_number_format_reads_as_by_the_library(form: str) -> None:
    """Source: liblsl itself, which reads the same outlet beside."""
    outlet, found = put_out(form)
    assert found.form == form
    ours = lsl_live.LiveInlet(found, describe=False, buffer_s=5, chunk=1)
    assert ours._feed is not None
    other = lsl.GazeInlet(found, describe=False)
    rows = np.array(REAL if form in ("float32", "double64") else ROWS)
    whole = rows if form in ("float32", "double64") else rows.astype(int)
    for k, row in enumerate(whole.tolist()):
        outlet.push_sample(row, 10.0 + k)  # type: ignore[attr-defined]
    outlet.push_chunk(whole.tolist(), 20.0)  # type: ignore[attr-defined]
    times, samples = [], []
    for _ in range(6):
        got = ours.next(2.0)
        assert got is not None
        times.append(got[0])
        samples.append(got[1])
    chunk = other.pull(2.0)
    while len(chunk.time) < 6:
        more = other.pull(2.0)
        chunk = lsl.Chunk(
            time_raw=np.concatenate([chunk.time_raw, more.time_raw]),
            samples=np.concatenate([chunk.samples, more.samples]),
            correction_s=0.0,
        )
    # Of a chunk the last has the stamp; the library deduces the others' at the sender.
    np.testing.assert_array_equal(times, chunk.time_raw)
    np.testing.assert_array_equal(np.array(samples, float), chunk.samples)
    wanted = rows.astype("float32") if form == "float32" else rows
    np.testing.assert_array_equal(np.array(samples[:3], float), wanted)
    other.close()
    ours.close()


def test_a_stream_that_ends_is_lost_and_a_new_reader_gets_nothing_old() -> None:
    channels = [Channel(label="x", eye="left", type="PupilX", unit="pixels")]
    outlet = lsl.GazeOutlet("ends", "test-feed-ends", channels, 100.0)
    (found,) = lsl.find("Gaze", "test-feed-ends", 10.0)
    first = lsl_live.LiveInlet(found, buffer_s=5, chunk=1)
    assert first.channels == tuple(channels)
    outlet.push(np.array([lsl.clock()]), np.array([[1.0]]))
    assert first.next(2.0) is not None
    second = lsl_live.LiveInlet(found, buffer_s=5, chunk=1)
    outlet.push(np.array([lsl.clock()]), np.array([[2.0]]))
    chunk = second.pull(2.0)
    assert chunk.samples.tolist() == [[2.0]]
    assert second.pull().samples.shape == (0, 1)
    outlet.close()
    for one in (first, second):
        with pytest.raises(DeviceError, match="was lost"):
            [one.next(0.1) for _ in range(50)]
        one.close()


def test_what_the_feed_does_not_understand_the_library_reads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(*what: object, **how: object) -> None:
        raise ValueError("it is another protocol")

    monkeypatch.setattr(lsl_feed, "Feed", refuse)
    outlet, found = put_out("double64")
    inlet = lsl_live.LiveInlet(found, describe=False, buffer_s=5, chunk=1)
    outlet.push_sample([1.0, 2.0, 3.0], 5.0)  # type: ignore[attr-defined]
    got = inlet.next(5.0)
    assert got is not None
    assert (got[0], list(got[1])) == (5.0, [1.0, 2.0, 3.0])
    inlet.close()
