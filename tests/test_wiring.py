"""The live loops on a virtual clock, with streams that exist only in memory."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibkit import errors
from calibkit.channels import Channel
from calibkit.joined import (
    wiring,
    wiring_claim,
    wiring_publish,
    wiring_record,
    wiring_source,
    wiring_unfit,
)
from calibkit.joined.wiring_stop import Pace, Stop, stopping
from calibkit.live.publisher import Publisher
from calibkit.live.publisher_output import Notice
from calibkit.streams.lsl_found import Chunk, Found

Array = NDArray[np.float64]
CHANNELS = tuple(
    Channel(label=axis, eye="left", type=f"Pupil{axis}", unit="px") for axis in "XY"
)
TRACKER = Found(
    name="tracker",
    source_id="t-1",
    kind="Gaze",
    host="here",
    channel_count=2,
    rate=250.0,
    text=False,
    uid="u1",
)


class Clock:
    """Time that passes only in sleeps, and by a little in each look at it."""

    def __init__(self, tick_s: float = 0.0) -> None:
        self.now_s, self.tick_s = 1000.0, tick_s

    def __call__(self) -> float:
        self.now_s += self.tick_s
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert seconds >= 0
        self.now_s += seconds


@dataclass
class Sink:
    times: list[float] = field(default_factory=list)
    rows: list[list[float]] = field(default_factory=list)
    at: list[float] = field(default_factory=list)
    clock: Callable[[], float] = lambda: 0.0
    closed: bool = False

    def push(self, time_s: Array, samples: Array) -> None:
        self.times += time_s.tolist()
        self.rows += samples.tolist()
        self.at += [self.clock()] * len(time_s)

    def send(self, stamp_s: float, row: Sequence[float]) -> None:
        self.push(np.array([stamp_s]), np.array([row]))

    def close(self) -> None:
        self.closed = True


# Pace.


def test_pace_never_drifts() -> None:
    clock = Clock()
    pace = Pace(0.01, clock, lambda s: clock.sleep(s + 0.003))  # each wait is late
    at = [pace.wait() for _ in range(1000)]
    assert at[-1] - 1000.0 == pytest.approx(10.0, abs=0.004)


def test_pace_starts_again_after_a_long_halt() -> None:
    clock = Clock()
    pace = Pace(0.01, clock, clock.sleep)
    pace.wait()
    clock.now_s += 60.0
    pace.wait()
    before = clock.now_s
    pace.wait()
    assert clock.now_s - before == pytest.approx(0.01)


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_sigterm_becomes_a_flag_and_the_old_handler_returns() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with stopping() as stop:
        assert not stop
        os.kill(os.getpid(), signal.SIGTERM)
        assert stop
    assert signal.getsignal(signal.SIGTERM) is before


# A simulated person.


class Life:
    def __init__(self, start_s: float) -> None:
        self.done, self.seen, self.start_s = 0, list[tuple[float, Any]](), start_s

    def see(self, event: dict[str, Any], time_s: float) -> None:
        self.seen.append((time_s, event))

    def advance(self, until_s: float) -> tuple[Array, Array]:
        count = int((until_s - self.start_s) * 250 + 1e-6)
        index = np.arange(self.done, max(count, self.done))
        self.done = max(count, self.done)
        times = self.start_s + (index + 1) / 250
        return times, np.column_stack([times, times])


class Markers:
    """A marker stream: what was put in comes out once; it can be lost."""

    def __init__(self) -> None:
        self.waiting: list[tuple[float, dict[str, Any]]] = []
        self.gone = self.closed = False

    def pull(self) -> Sequence[tuple[float, dict[str, Any]]]:
        if self.gone:
            raise errors.DeviceError("lost")
        out, self.waiting = self.waiting, []
        return out

    def close(self) -> None:
        self.closed = True


def marker(uid: str) -> Found:
    return replace(TRACKER, kind="Markers", uid=uid, text=True, channel_count=1)


def test_simulated_person_sends_each_sample_once_in_real_time() -> None:
    clock = Clock()
    life, stop = Life(clock.now_s), Stop()
    sink = Sink(clock=clock)
    ears = wiring.Ears(tuple, lambda found: Markers())
    sent = wiring.simulate(
        life,
        sink,
        ears,
        rate_hz=250,
        clock=clock,
        sleep=clock.sleep,
        stop=stop,
        until_s=1004.0,
    )
    assert sent == len(sink.times) == 1000
    np.testing.assert_allclose(np.diff(sink.times), 1 / 250)
    late = np.array(sink.at) - sink.times
    assert late.min() > -1e-9
    assert late.max() < 0.02


def test_ears_hear_several_sessions_in_a_row() -> None:
    streams = {"a": Markers(), "b": Markers()}
    reach = [marker("a")]
    ears = wiring.Ears(lambda: reach, lambda found: streams[found.uid])
    streams["a"].waiting = [(2.0, {"event": "y"}), (1.0, {"event": "x"})]
    assert [e["event"] for _, e in ears.hear(0.0)] == ["x", "y"]
    streams["a"].gone = True
    reach.append(marker("b"))
    streams["b"].waiting = [(3.0, {"event": "z"})]
    heard = ears.hear(1.0)
    assert [e["event"] for _, e in heard] == ["z"]
    assert streams["a"].closed
    assert ears.count == 1
    ears.hear(2.0)
    assert ears.count == 1  # the dead one is still announced, and not tried again
    ears.close()
    assert streams["b"].closed


def test_ears_survive_a_stream_that_does_not_open() -> None:
    def fail(found: Found) -> Markers:
        raise errors.DeviceError("no answer")

    ears = wiring.Ears(lambda: [marker("a")], fail)
    assert ears.hear(0.0) == []
    assert ears.hear(1.0) == []


# Replay.


def played(times: Array, **options: Any) -> tuple[Sink, Array]:
    clock = Clock()
    sink = Sink(clock=clock)
    samples = np.column_stack([times, -times])
    wiring.replay(
        times, samples, sink, clock=clock, sleep=clock.sleep, stop=Stop(), **options
    )
    return sink, samples


def test_replay_keeps_samples_gaps_and_pace() -> None:
    times = 50 + np.concatenate([np.arange(100), np.arange(200, 300)]) / 100
    sink, samples = played(times)
    np.testing.assert_array_equal(sink.rows, samples)
    np.testing.assert_allclose(np.diff(sink.times), np.diff(times), atol=1e-9)
    late = np.array(sink.at) - sink.times
    assert late.min() >= -1e-9
    assert late.max() < 0.02


def test_fast_replay_sends_all_at_once_with_stamps_in_the_past() -> None:
    times = np.arange(500) / 100
    sink, samples = played(times, fast=True)
    np.testing.assert_array_equal(sink.rows, samples)
    np.testing.assert_allclose(np.diff(sink.times), 0.01, atol=1e-9)
    assert sink.times[-1] <= sink.at[0] == 1000.0


def test_looped_replay_goes_on_in_order_until_stopped() -> None:
    clock, stop, times = Clock(), Stop(), np.arange(10) / 100
    sink = Sink(clock=clock)

    def sleep(seconds: float) -> None:
        clock.sleep(seconds)
        stop.asked = clock.now_s > 1001.0

    wiring.replay(
        times, times[:, None], sink, clock=clock, sleep=sleep, stop=stop, loop=True
    )
    assert len(sink.times) > 80
    assert (np.diff(sink.times) > 0).all()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 5), max_size=30))
def test_replay_of_any_stamps_sends_every_sample(stamps: list[float]) -> None:
    sink, _ = played(np.array(stamps))
    assert len(sink.times) == len(stamps)
    assert (np.diff(sink.times) >= 0).all()


@pytest.mark.timeout(20)
@pytest.mark.parametrize("stamp", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("fast", [False, True])
def test_replay_does_not_wait_for_a_sample_without_a_time(
    stamp: float, fast: bool
) -> None:
    """Source: reliability.md, NEVER (19): every wait has a limit; bad input 56."""
    times = np.arange(100) / 100
    times[::2] = stamp
    sink, samples = played(times, fast=fast)
    np.testing.assert_array_equal(sink.rows, samples[1::2])
    np.testing.assert_allclose(np.diff(sink.times), 0.02, atol=1e-9)
    sink, _ = played(np.full(5, stamp), fast=fast)
    assert not len(sink.times)


def test_replay_id_is_never_our_calibrated_prefix() -> None:
    assert (
        wiring.replay_id("calibkit-raw:simulate-x") == "calibkit-raw:replay-simulate-x"
    )
    assert wiring.replay_id("") == "calibkit-raw:replay-recording"


# Publishing.


@dataclass(frozen=True)
class Answer:
    xy: Array
    sd: Array


@dataclass
class Double:
    id: int = 5
    channels: tuple[str, ...] = ("left PupilX", "left PupilY")

    def apply(self, samples: Array) -> Answer:
        return Answer(2 * samples, np.ones_like(samples))


class Inlet:
    """A tracker at 100 Hz that dies at a time, if at all."""

    local = True

    def __init__(self, clock: Clock, dies_s: float, channels: Any = CHANNELS) -> None:
        self.clock, self.dies_s, self.channels = clock, dies_s, channels
        self.closed, self.ahead_s = False, 0.0
        self.waiting: list[float] = []  # stamps of what came while it was opened

    def flush(self) -> None:
        self.waiting.clear()

    def pull(self, wait_s: float = 0.0) -> Chunk:
        self.clock.sleep(min(wait_s, 0.01))
        if self.clock.now_s >= self.dies_s:
            raise errors.DeviceError("stream tracker was lost")
        stamp = np.array([self.clock.now_s + self.ahead_s - 0.002])
        return Chunk(time_raw=stamp, samples=np.ones((1, 2)), correction_s=0.0)

    def next(self, wait_s: float) -> tuple[float, Sequence[float]]:
        if self.waiting:
            return self.waiting.pop(0), [1.0, 1.0]
        chunk = self.pull(wait_s)
        return float(chunk.time_raw[0]), chunk.samples[0].tolist()

    def close(self) -> None:
        self.closed = True


@dataclass
class World:
    """Streams by the time from which they are there, and what was told."""

    clock: Clock
    reach: dict[str, tuple[float, float, Found, Any]] = field(default_factory=dict)
    told: list[Notice] = field(default_factory=list)
    sink: Sink = field(default_factory=Sink)
    opened: list[str] = field(default_factory=list)
    stop: Stop = field(default_factory=Stop)
    end_s: float = 1010.0
    mappings: list[Any] = field(default_factory=list)

    def add(self, found: Found, start_s: float, end_s: float, chans: Any = CHANNELS):  # type: ignore[no-untyped-def]
        self.reach[found.uid] = (start_s, end_s, found, chans)

    def found(self) -> Sequence[Found]:
        now = self.clock.now_s
        self.stop.asked = now > self.end_s
        # A dead stream is announced for one more second, as the real resolver does.
        return [f for a, b, f, _ in self.reach.values() if a <= now < b + 1.0]

    def connect(self, found: Found) -> Inlet:
        _, end_s, _, chans = self.reach[found.uid]
        if self.clock.now_s >= end_s:
            raise errors.DeviceError("does not answer")
        self.opened.append(found.uid)
        return Inlet(self.clock, min(end_s, self.end_s), chans)

    def outlet(self, found: Found) -> Sink:
        self.sink.clock = self.clock
        return self.sink

    def tell(self, notice: Notice) -> None:
        self.told.append(notice)

    def refresh(self) -> Any:
        new = self.mappings.pop(0) if self.mappings else None
        if isinstance(new, Exception):
            raise new
        return new

    def edges(self) -> wiring_publish.Edges:
        return wiring_publish.Edges(
            found=self.found,
            connect=self.connect,
            outlet=self.outlet,
            clock=self.clock,
            sleep=self.clock.sleep,
            tell=self.tell,
            refresh=self.refresh,
        )

    def publish(self, mapping: Any = None) -> Publisher:
        publisher = Publisher(mapping or Double())
        first = wiring_publish.wait_for_stream(self.edges(), self.stop)
        assert first is not None
        wiring_publish.publish(publisher, first, self.edges(), self.stop)
        return publisher

    def states(self) -> list[str]:
        return [notice.state for notice in self.told]


def world(**changes: Any) -> World:
    return World(clock=Clock(), **changes)


def test_publishing_survives_a_restart_of_the_tracker() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1005.0, 1e9)
    here.publish()
    assert here.opened == ["u1", "u2"]
    assert here.states() == ["waiting", "running", "lost", "waiting", "running", "lost"]
    sequence = [row[5] for row in here.sink.rows]
    assert sequence == list(range(len(sequence)))
    gaps = np.diff(here.sink.at)
    assert gaps.max() < 2.5
    assert np.sort(gaps)[-2] < 0.05
    assert here.sink.closed


def test_only_the_same_stream_takes_the_place_of_a_lost_one() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2", source_id="t-2"), 1003.5, 1e9)
    here.publish()
    assert here.opened == ["u1"]


def test_a_return_with_other_channels_is_refused_and_said_once() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2", channel_count=3), 1003.5, 1e9)
    here.publish()
    assert here.opened == ["u1"]
    assert sum("has 3 channels" in n.text for n in here.told) == 1


def test_a_return_with_swapped_channels_is_refused() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1003.5, 1e9, CHANNELS[::-1])
    here.publish()
    assert any("channel 1 is left PupilY" in n.text for n in here.told)
    assert max(here.sink.at) < 1003.5


def test_a_wrong_stream_of_the_name_does_not_stand_in_the_way() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2", channel_count=3), 1003.1, 1e9)
    here.add(replace(TRACKER, uid="u3"), 1003.2, 1e9)
    here.publish()
    assert here.opened == ["u1", "u3"]
    assert np.diff(here.sink.at).max() < 0.5


def test_trackers_that_die_one_after_the_other_are_not_taken_for_twins() -> None:
    here = world()
    for k in range(4):
        begin, end = 1001.0 * (k > 0) + 0.8 * k, 1001.5 + 0.8 * k
        found = replace(TRACKER, uid=f"u{k}")
        here.add(found, begin, end if k < 3 else 1e9)
    here.publish()
    assert here.opened == ["u0", "u1", "u2", "u3"]
    assert np.diff(here.sink.at).max() < 0.5  # the trackers' own pauses are 0.3 s


def test_a_tracker_that_dies_while_it_is_opened_is_no_twin_of_the_next() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1003.2, 1003.2)
    here.add(replace(TRACKER, uid="u3"), 1003.3, 1e9)
    here.publish()
    assert here.opened == ["u1", "u3"]
    assert np.diff(here.sink.at).max() < 0.5  # 0.3 s of it without any tracker


def test_a_connection_that_breaks_is_made_again_to_the_same_outlet() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    breaks = [1003.0]
    plain = here.connect

    def connect(found: Found) -> Inlet:
        inlet = plain(found)
        inlet.dies_s = breaks.pop() if breaks else here.end_s
        return inlet

    publisher = Publisher(Double())
    edges = replace(here.edges(), connect=connect)
    wiring_publish.publish(publisher, TRACKER, edges, here.stop)
    assert here.opened == ["u1", "u1"]
    assert max(here.sink.at) > 1009.0


def test_a_clock_that_is_put_right_by_a_restart_costs_no_gaze() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1003.1, 1e9)
    plain = here.connect

    def connect(found: Found) -> Inlet:
        inlet = plain(found)
        inlet.ahead_s = 3600.0 if found.uid == "u1" else 0.0
        return inlet

    edges = replace(here.edges(), connect=connect)
    wiring_publish.publish(Publisher(Double()), TRACKER, edges, here.stop)
    assert here.opened == ["u1", "u2"]
    assert np.diff(here.sink.at).max() < 0.2  # 0.1 s of it without any tracker


def test_twins_at_the_return_are_not_chosen_between() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1003.5, 1e9)
    here.add(replace(TRACKER, uid="u3"), 1003.5, 1e9)
    here.publish()
    assert here.opened == ["u1"]
    assert any("2 streams say they are" in n.text for n in here.told)


def test_two_candidates_at_the_start_are_refused() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    here.add(replace(TRACKER, uid="u2", source_id="t-2"), 1000.1, 1e9)
    with pytest.raises(errors.CallError, match="--stream"):
        wiring_publish.wait_for_stream(here.edges(), here.stop)


def test_of_several_streams_the_mappings_own_is_read_else_the_one_read_before() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    other = replace(TRACKER, uid="u2", source_id="t-2")
    here.add(other, 1000.0, 1e9)

    def found(**which: Any) -> Found | None:
        return wiring_publish.wait_for_stream(here.edges(), here.stop, **which)

    assert found(made_with="t-2") == other
    assert found(known=lambda one: one.uid == "u2") == other
    assert found(made_with=TRACKER.source_id, known=lambda one: one.uid == "u2") == (
        TRACKER
    )
    with pytest.raises(errors.CallError, match="--stream"):
        found(made_with="t-3", known=lambda one: True)
    here.add(replace(TRACKER, uid="u3", source_id="t-2"), 1000.0, 1e9)
    with pytest.raises(errors.CallError, match="--stream"):
        found(made_with="t-2")


def test_several_streams_are_waited_out_where_a_service_manager_would_loop() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    here.add(replace(TRACKER, uid="u2", source_id="t-2"), 1000.0, 1003.0)
    beats: list[dict[str, object]] = []
    told: list[str] = []
    edges = replace(here.edges(), beat=beats.append)
    found = wiring_publish.wait_for_stream(
        edges, here.stop, several=lambda seen, text: told.append(text)
    )
    assert found == TRACKER
    assert here.clock.now_s >= 1003.0
    assert len(told) == 1
    assert "--stream" in told[0]
    assert [beat.get("text") for beat in beats] == [None, *told * 3]
    late = world()
    late.add(TRACKER, 1000.0, 1e9)
    late.add(replace(TRACKER, uid="u2", source_id="t-2"), 1000.0, 1e9)
    with pytest.raises(errors.CallError, match="--stream"):
        wiring_publish.wait_for_stream(
            late.edges(), late.stop, wait_s=2.0, several=lambda seen, text: None
        )
    assert late.clock.now_s == pytest.approx(1002.0, abs=0.1)


def test_calibrated_gaze_is_refused_as_input() -> None:
    here = world()
    with pytest.raises(errors.CallError, match="calibrated already"):
        wiring_publish.wait_for_stream(here.edges(), here.stop, source_id="calibkit:t")


def test_waiting_ends_with_status_4_and_stopping_with_nothing() -> None:
    here = world()
    with pytest.raises(errors.DeviceError):
        wiring_publish.wait_for_stream(here.edges(), here.stop, wait_s=2.0)
    assert here.clock.now_s == pytest.approx(1002.0, abs=0.1)
    assert wiring_publish.wait_for_stream(here.edges(), here.stop) is None
    assert here.clock.now_s == pytest.approx(1010.0, abs=0.1)


def test_what_came_while_a_stream_was_opened_is_not_passed_on() -> None:
    """Source: the requirement, no gaze older than 150 ms beyond its own delay."""
    here = world()
    here.add(TRACKER, 1000.0, 1002.0)
    here.add(replace(TRACKER, uid="u2"), 1003.0, 1e9)

    def slowly(found: Found) -> Inlet:
        inlet = here.connect(found)
        begun_s = here.clock.now_s
        here.clock.sleep(0.55)
        inlet.waiting = [begun_s + 0.01 * k for k in range(55)]
        return inlet

    edges = replace(here.edges(), connect=slowly)
    wiring_publish.publish(Publisher(Double()), TRACKER, edges, here.stop)
    assert here.opened == [TRACKER.uid, "u2"]
    assert len(here.sink.rows) > 100
    assert (np.array(here.sink.at) - here.sink.times).max() < 0.02


def test_another_trackers_stream_is_refused_at_the_start() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9, CHANNELS[::-1])
    with pytest.raises(errors.InputError, match="use the tracker"):
        here.publish()
    assert here.sink.closed
    narrow = Double(channels=("left PupilX",))
    with pytest.raises(errors.InputError, match=r"2 channels but .* for 1"):
        here.publish(narrow)


def test_an_unfit_mapping_is_waited_out() -> None:
    here = world(
        mappings=[None, errors.InputError("the file is damaged"), Double(id=6)]
    )
    beats: list[dict[str, object]] = []
    comes_s = [float("inf")]
    edges = replace(
        here.edges(),
        beat=beats.append,
        found=lambda: [TRACKER] if here.clock.now_s >= comes_s[0] else [],
    )
    fault = errors.InputError("it is for another stream")
    unfit = wiring_unfit.Unfit(edges, here.stop, 100.0, here.refresh)
    new = unfit.another(fault)
    assert new is not None
    assert new.id == 6
    assert [beat["state"] for beat in beats] == ["waiting"] * 3
    assert [n.text.split(";")[0] for n in here.told] == [
        "it is for another stream",
        "the file is damaged",
    ]
    # Nobody puts another into use: the stream is tried again, and in the end given up.
    began_s = here.clock.now_s
    assert unfit.another(fault) is None
    assert here.clock.now_s - began_s == pytest.approx(wiring_unfit.AGAIN_S, abs=0.3)
    late = wiring_unfit.Unfit(edges, here.stop, 2.0, here.refresh)
    with pytest.raises(errors.InputError, match="another stream"):
        late.another(fault)
    # One that comes meanwhile may be the right one.
    began_s = here.clock.now_s
    comes_s[0] = began_s + 1.0
    assert unfit.another(fault) is None
    assert here.clock.now_s - began_s == pytest.approx(1.1, abs=0.2)
    here.stop.ask()
    assert unfit.another(fault) is None


def test_a_newer_mapping_is_taken_over_and_a_bad_one_is_not() -> None:
    here = world(
        mappings=[
            errors.InputError("the file is damaged"),
            Double(id=6),
            Double(id=9, channels=("left PupilX",)),
        ]
    )
    here.add(TRACKER, 1000.0, 1e9)
    publisher = here.publish()
    assert publisher.mapping.id == 6
    assert {row[6] for row in here.sink.rows} == {5.0, 6.0}
    texts = " | ".join(n.text for n in here.told)
    assert "the file is damaged" in texts
    assert "refused" in texts


def test_a_closed_terminal_does_not_stop_the_gaze() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    edges = replace(here.edges(), tell=_broken)
    wiring_publish.publish(Publisher(Double()), TRACKER, edges, here.stop)
    assert len(here.sink.rows) > 100


def _broken(notice: Notice) -> None:
    raise BrokenPipeError


def test_only_one_process_publishes_a_stream(tmp_path: Path) -> None:
    held = wiring_claim.claim(tmp_path, TRACKER, os.getpid())
    code = (
        "import sys; from pathlib import Path\n"
        "from calibkit.joined import wiring_claim\n"
        "from types import SimpleNamespace\n"
        "from calibkit.errors import CallError\n"
        "found = SimpleNamespace(source_id=sys.argv[2])\n"
        "try: wiring_claim.claim(Path(sys.argv[1]), found, 1)\n"
        "except CallError as problem: print(problem)\n"
    )

    def other(source_id: str) -> str:
        command = [sys.executable, "-c", code, str(tmp_path), source_id]
        return subprocess.run(command, capture_output=True, text=True).stdout

    assert f"process {os.getpid()} publishes 't-1' already" in other("t-1")
    assert other("t-2") == ""
    wiring_claim.remember(held, TRACKER, os.getpid())
    assert f"process {os.getpid()} publishes 't-1' already" in other("t-1")
    assert wiring_claim.was_read(tmp_path, TRACKER)
    assert not wiring_claim.was_read(tmp_path, replace(TRACKER, uid="u2"))
    assert not wiring_claim.was_read(tmp_path, replace(TRACKER, source_id="t-2"))
    os.close(held)
    assert other("t-1") == ""


def test_a_stream_that_was_read_before_is_taken_at_once_unless_there_are_two() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    looking = here.edges()
    first = wiring_publish.wait_for_stream(looking, here.stop, known=lambda f: True)
    assert first == TRACKER
    assert here.clock.now_s < 1000.1
    here.add(replace(TRACKER, uid="u2", source_id="t-2"), 1000.0, 1e9)
    with pytest.raises(errors.CallError):
        wiring_publish.wait_for_stream(looking, here.stop, known=lambda f: True)


# Sources that outlive a loss, and recording.


def steady(here: World) -> wiring_source.Steady:
    return wiring_source.Steady(
        here.connect(TRACKER),
        TRACKER,
        found=here.found,
        connect=here.connect,
        clock=here.clock,
    )


class Log:
    def __init__(self) -> None:
        self.times: list[float] = []
        self.rows: list[Any] = []
        self.events: list[str] = []
        self.paths: list[Any] = []
        self.clocks: list[float] = []

    def gaze(self, time: Array, samples: Array, time_raw: Array) -> None:
        self.times += time.tolist()

    def target(self, row: Sequence[Any]) -> None:
        self.rows.append(tuple(row))

    def path_rows(self, rows: Array) -> None:
        self.paths.append(rows.tolist())

    def event(self, time_s: float, text: str) -> None:
        self.events.append(text)

    def clock(self, time_s: float, correction_s: float) -> None:
        self.clocks.append(correction_s)


def recorded(here: World, markers: Markers | None = None) -> Log:
    log = Log()
    source = markers or Markers()
    ears = wiring.Ears(lambda: [marker("m")], lambda found: source)
    wiring_record.record(
        steady(here),
        ears,
        log,
        clock=here.clock,
        sleep=here.clock.sleep,
        stop=here.stop,
        until_s=1008.0,
    )
    return log


def test_recording_goes_on_after_a_loss_and_notes_it() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1005.0, 1e9)
    log = recorded(here)
    assert any("was lost" in text for text in log.events)
    assert any("is back" in text for text in log.events)
    assert len(log.times) == pytest.approx(600, abs=10)
    assert log.clocks == [0.0]


def test_recording_refuses_a_return_with_other_channels() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1003.0)
    here.add(replace(TRACKER, uid="u2"), 1004.0, 1e9, CHANNELS[::-1])
    log = recorded(here)
    assert sum("with other channels" in text for text in log.events) == 1
    assert max(log.times) < 1003.0


def test_markers_become_target_rows() -> None:
    # Source: contract, "Streams" (events) and "Recording file" (rows).
    here, markers = world(), Markers()
    here.add(TRACKER, 1000.0, 1e9)
    markers.waiting = [
        (1000.5, {"event": "session_start", "screen_px": [1920, 1080]}),
        (
            1001.0,
            {"event": "target_on", "id": 1, "x": 10, "y": 20, "role": "validation"},
        ),
        (1002.0, {"event": "target_off", "id": 1}),
        (1002.0, {"event": "target_on", "id": 2, "role": "??", "advance": "key"}),
        (1002.5, {"event": "target_path", "id": 2, "x": 1.0, "y": 2.0}),
        (1002.6, {"event": "target_path", "id": 2, "x": None, "y": 2.0}),
    ]
    log = recorded(here, markers)
    assert log.rows[0] == (1001.0, 1002.0, 10.0, 20.0, "validation", "timer", 1)
    onset, offset, x, _, role, advance, kept = log.rows[1]
    assert (onset, role, advance, kept) == (1002.0, "calibration", "key", 1)
    assert offset == pytest.approx(1008.0, abs=0.1)
    assert np.isnan(x)
    assert log.paths == [[1002.5, 1.0, 2.0]]
    assert any("session_start" in text for text in log.events)


def test_wall_clock_stamps_are_noted_in_the_recording() -> None:
    here = world()
    here.add(TRACKER, 1000.0, 1e9)
    inlet = here.connect(TRACKER)
    pull = inlet.pull
    inlet.pull = lambda wait_s=0.0: replace(pull(wait_s), arrival_s=-1e9)  # type: ignore[method-assign]
    source = wiring_source.Steady(
        inlet, TRACKER, found=here.found, connect=here.connect, clock=here.clock
    )
    source.pull(0.01)
    source.pull(0.01)
    notes = [text for _, text in source.notes()]
    assert len(notes) == 1
    assert "time of arrival is used" in notes[0]
