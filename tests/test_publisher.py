"""The publisher's core: every row is one mapping applied to one fresh sample."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.live import filters
from calibkit.live.publisher import Output, Publisher, differences
from calibkit.live.publisher_gate import Gate
from calibkit.live.publisher_output import OUTPUT

CHANNELS = tuple(
    Channel(label=f"{kind}{axis}", eye="left", type=f"{kind}{axis}", unit="px")
    for kind in ("Pupil", "Reflex")
    for axis in "XY"
)

WANTED = tuple(f"{c.eye} {c.type}" for c in CHANNELS)


@dataclass(frozen=True)
class Answer:
    xy: NDArray[np.float64]
    sd: NDArray[np.float64]


@dataclass
class Straight:
    """A mapping simple enough to be recomputed by hand."""

    id: int = 7
    gain: float = 2.0
    channels: tuple[str, ...] = field(default=WANTED)

    def apply(self, samples: NDArray[np.float64]) -> Answer:
        xy = self.gain * (samples[:, :2] - samples[:, 2:4])
        return Answer(xy, np.where(np.isfinite(xy), 5.0, np.nan))


class Broken(Straight):
    def apply(self, samples: NDArray[np.float64]) -> Answer:
        raise ValueError("no")


def feed(publisher: Publisher, stamps: list[float], now: float) -> Output:
    samples = np.column_stack([stamps, stamps, np.ones((len(stamps), 2))])
    return publisher.feed(np.array(stamps), samples.astype(float), now)


def test_rows_equal_the_mapping_exactly() -> None:
    rng, mapping = np.random.default_rng(1), Straight()
    publisher = Publisher(mapping)
    samples = rng.normal(500, 100, (400, 4))
    times = 10 + np.arange(400) / 250
    outs = [
        publisher.feed(times[k : k + 5], samples[k : k + 5], times[k + 4])
        for k in range(0, 400, 5)
    ]
    rows = np.concatenate([out.rows for out in outs])
    want = mapping.apply(samples)
    np.testing.assert_array_equal(rows[:, :2], want.xy)
    np.testing.assert_array_equal(rows[:, 2:4], want.sd)
    np.testing.assert_array_equal(rows[:, 4], 1)
    np.testing.assert_array_equal(rows[:, 5], np.arange(400))
    np.testing.assert_array_equal(rows[:, 6], 7)
    np.testing.assert_array_equal(np.concatenate([o.time for o in outs]), times)


def test_output_is_the_contracts_channel_list() -> None:
    # Source: contract, "Streams": the order of the published channels.
    names = ["ScreenX", "ScreenY", "sd_x", "sd_y", "valid", "sequence", "mapping"]
    assert [channel.type for channel in OUTPUT] == names
    assert [channel.label for channel in OUTPUT] == names


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(
            st.floats(allow_nan=True, allow_infinity=True, width=32),
            min_size=4,
            max_size=4,
        ),
        min_size=1,
        max_size=20,
    )
)
def test_where_valid_all_is_finite_and_else_nothing_is_said(
    rows: list[list[float]],
) -> None:
    with np.errstate(all="ignore"):
        out = Publisher(Straight()).feed(
            np.arange(len(rows)) / 100, np.array(rows), (len(rows) - 1) / 100
        )
    assert len(out.rows) == len(rows)
    valid = out.rows[:, 4] == 1
    assert np.isfinite(out.rows[valid]).all()
    assert np.isnan(out.rows[~valid, :4]).all()
    assert set(out.rows[:, 4]) <= {0.0, 1.0}


class Unsure(Straight):
    """Says where, but for some rows not how surely."""

    def apply(self, samples: NDArray[np.float64]) -> Answer:
        found = super().apply(samples)
        return Answer(found.xy, np.where(samples[:, :1] > 1.0, np.inf, found.sd))


def test_a_place_without_its_sd_is_not_valid() -> None:
    out = Publisher(Unsure()).feed(
        np.arange(4) / 100, np.array([[0.5, 1, 0, 0], [2.0, 1, 0, 0]] * 2), 0.03
    )
    assert out.rows[:, 4].tolist() == [1, 0, 1, 0]
    assert np.isnan(out.rows[1::2, :4]).all()
    assert np.isfinite(out.rows[::2]).all()


def test_repeated_and_backward_samples_are_dropped() -> None:
    publisher = Publisher(Straight())
    out = feed(publisher, [1.0, 1.01, 1.01, 1.005, 1.02], 1.02)
    assert out.time.tolist() == [1.0, 1.01, 1.02]
    assert out.rows[:, 5].tolist() == [0, 1, 2]
    assert publisher.gate.counts.repeated == 2


def test_backlog_of_a_frozen_tracker_is_dropped() -> None:
    # As measured with a stopped and continued sender: old samples come in a burst.
    publisher = Publisher(Straight())
    for k in range(100):
        feed(publisher, [k * 0.004], k * 0.004 + 0.002)
    stamps = [0.4 + k * 0.004 for k in range(750)]  # three seconds, all at once
    out = feed(publisher, stamps, 3.402)
    assert out.time.min() > 3.402 - 0.160
    assert out.time.max() == pytest.approx(3.396)
    assert publisher.gate.counts.stale > 700


def test_a_backlog_that_is_worked_off_slowly_is_no_new_clock() -> None:
    publisher = Publisher(Straight())
    for k in range(100):
        feed(publisher, [k * 0.004], k * 0.004 + 0.002)
    late = []
    for k in range(1000):  # three seconds late at first, four times as fast as life
        stamp, now = 0.4 + k * 0.004, 3.4 + k * 0.001
        if len(feed(publisher, [stamp], now).time):
            late.append(now - stamp)
    assert late
    assert max(late) < 0.002 + 0.150 + 1e-9


def test_a_slow_streams_own_delay_is_no_reason_to_drop() -> None:
    publisher = Publisher(Straight())
    kept = [len(feed(publisher, [k / 30], k / 30 + 0.4).time) for k in range(90)]
    assert sum(kept) == 90


@pytest.mark.parametrize("jump_s", [-3600.0, 3600.0])
def test_a_clock_jump_silences_for_less_than_half_a_second(jump_s: float) -> None:
    # Source: the requirement "gap at most 500 ms whenever a tracker is alive".
    publisher = Publisher(Straight())
    arrivals = []
    for k in range(1000):
        now = 10_000 + k * 0.004
        stamp = now - 0.003 + (jump_s if k >= 500 else 0.0)
        if len(feed(publisher, [stamp], now).time):
            arrivals.append(now)
    assert np.diff(arrivals).max() < 0.5
    assert publisher.gate.jumps == 1


@pytest.mark.parametrize("ahead_s", [0.4, 3600.0])
def test_one_stray_stamp_far_ahead_costs_one_sample(ahead_s: float) -> None:
    """Requirement: no sample older than 150 ms passes, and gaze goes on (no source)."""
    gate = Gate()
    stray = {200, 400, 401 + 200}
    taken = []
    for k in range(800):
        now = 1000.0 + k / 60
        taken.append(gate.accept(now - 0.003 + (ahead_s if k in stray else 0.0), now))
    assert set(np.flatnonzero(~np.array(taken))) == stray
    assert (gate.jumps, gate.counts.unstamped) == (0, len(stray))


def test_two_stamps_far_ahead_are_the_clocks() -> None:
    gate = Gate()
    times = 1000.0 + np.arange(200) / 60
    jump = np.where(np.arange(200) < 100, 0.0, 3600.0)
    taken = [gate.accept(t - 0.003 + j, t) for t, j in zip(times, jump, strict=True)]
    assert list(np.flatnonzero(~np.array(taken))) == [100]
    assert gate.jumps == 1


@pytest.mark.parametrize("behind_s", [0.0, 0.01, 0.09, 0.14])
def test_gaze_of_a_late_twin_stays_in_order(behind_s: float) -> None:
    """Requirements: in order; gap at most 500 ms whenever a tracker is alive.

    A second outlet, whose samples stay late by what is still no other clock.
    """
    gate, sent, arrived = Gate(), [], []
    for k in range(300):
        now = 1000.0 + k / 60
        if k == 100:
            gate.renew()
        stamp = now - (0.003 if k < 100 else 0.3 + behind_s)
        if gate.accept(stamp, now):
            sent.append(stamp)
            arrived.append(now)
    assert (np.diff(sent) > 0).all()
    assert np.diff(arrived).max() < 0.5
    assert len(sent) > 260


def test_stamp_that_is_no_number_is_dropped_and_counted() -> None:
    publisher = Publisher(Straight())
    assert len(feed(publisher, [math.nan, math.inf, -math.inf], 1.0).time) == 0
    assert publisher.gate.counts.unstamped == 3


def test_wall_clock_stamps_are_told() -> None:
    # Seen in the wild: senders that stamp with the time of day.
    out = feed(Publisher(Straight()), [1_700_000_000.0], 50.0)
    assert len(out.time) == 1
    assert "differ from this computer's LSL clock" in out.notices[0].text


def test_states_are_told_once_each() -> None:
    publisher = Publisher(Straight())
    publisher.found("stream a", 0.0)
    states = [n.state for n in feed(publisher, [1.0], 1.0).notices]
    publisher.tick(1.2)
    states += [n.state for n in feed(publisher, [1.19], 1.2).notices]
    for now in (1.5, 1.6):
        publisher.tick(now)
    states += [n.state for n in publisher.told()]
    states += [n.state for n in feed(publisher, [1.7], 1.7).notices]
    publisher.lost("gone", 1.8)
    states += [n.state for n in publisher.told()]
    assert states == ["waiting", "running", "stale", "running", "lost"]


def test_a_mapping_that_fails_says_nothing_and_never_stops() -> None:
    publisher = Publisher(Broken())
    out = feed(publisher, [1.0, 1.1], 1.1)
    assert np.isnan(out.rows[:, :4]).all()
    assert (out.rows[:, 4] == 0).all()
    assert any("could not be mapped" in n.text for n in out.notices)


def test_swap_of_mappings_is_whole() -> None:
    publisher = Publisher(Straight())
    feed(publisher, [1.0], 1.0)
    publisher.use(Straight(id=8, gain=3.0), 1.05)
    out = feed(publisher, [1.1], 1.1)
    assert out.rows[0, 6] == 8
    assert out.rows[0, 0] == pytest.approx(3.0 * (1.1 - 1.0))
    assert out.rows[0, 5] == 1


def test_swap_to_another_trackers_mapping_is_refused() -> None:
    publisher = Publisher(Straight())
    publisher.use(Straight(id=8, channels=WANTED[:2]), 1.0)
    assert "refused" in publisher.told()[0].text
    assert publisher.mapping.id == 7


def test_differences_name_the_channel() -> None:
    assert differences(WANTED, CHANNELS) == []
    swapped = (CHANNELS[1], CHANNELS[0], *CHANNELS[2:])
    assert "channel 1 is left PupilY" in differences(WANTED, swapped)[0]
    assert "3 channels" in differences(WANTED, CHANNELS[:3])[0]


def test_labels_and_letter_case_do_not_matter() -> None:
    other = tuple(
        Channel(label="any", eye=c.eye.upper(), type=c.type.lower(), unit="")
        for c in CHANNELS
    )
    assert differences(WANTED, other) == []


def test_filter_smooths_positions_and_leaves_sd_and_missing() -> None:
    plain, smooth = (
        Publisher(Straight()),
        Publisher(Straight(), filters.named("one-euro", 40.0)),
    )
    rng = np.random.default_rng(4)
    samples = rng.normal(500, 5, (200, 4))
    samples[50] = np.nan
    times = np.arange(200) / 100
    raw = plain.feed(times, samples, times[-1]).rows
    # One chunk is as many: fed sample by sample.
    got = np.concatenate(
        [
            smooth.feed(times[k : k + 1], samples[k : k + 1], times[k]).rows
            for k in range(200)
        ]
    )
    assert np.nanstd(got[20:, 0]) < 0.6 * np.nanstd(raw[20:, 0])
    np.testing.assert_array_equal(got[:, 2:], raw[:, 2:])
    assert np.isnan(got[50, :2]).all()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-0.05, 0.4), st.floats(-1.0, 1.0)), min_size=1, max_size=60
    ),
    st.integers(1, 5),
)
def test_order_and_one_row_a_sample_hold_for_any_stamps(
    steps: list[tuple[float, float]], size: int
) -> None:
    publisher, now, out = Publisher(Straight()), 0.0, []
    for step, offset in steps:
        now += abs(step)
        stamps = [now + offset + k * 0.001 for k in range(size)]
        out.append(feed(publisher, stamps, now))
    counts = publisher.gate.counts
    total = counts.accepted + counts.stale + counts.repeated + counts.unstamped
    sequence = np.concatenate([o.rows[:, 5] for o in out])
    assert total == size * len(steps)
    np.testing.assert_array_equal(sequence, np.arange(counts.accepted))
    # Back in time only where the stream's clock is taken to have jumped.
    stamps_out = np.concatenate([o.time for o in out])
    assert (np.diff(stamps_out) <= 0).sum() <= publisher.gate.jumps


def test_delay_is_the_running_median() -> None:
    # Source: numpy.median as reference.
    gate, rng = Gate(), np.random.default_rng(2)
    ages = rng.uniform(0.01, 0.1, 301)
    for k, age in enumerate(ages):
        assert gate.accept(k - age, float(k))
    assert gate.delay_s == pytest.approx(np.median(ages[-101:]))


def test_another_outlets_clock_is_told_from_lateness_at_once() -> None:
    """A tracker whose clock is an hour ahead dies; the next one's is right again."""
    gate = Gate()
    for k in range(50):
        assert gate.accept(4600.0 + k / 100, 1000.0 + k / 100 + 0.001)
    gate.renew()
    assert not gate.accept(4599.0, 1001.0 + 0.5)  # late by a second: of no other clock
    assert gate.accept(1001.5, 1001.502)
    assert gate.accept(1001.51, 1001.512)
    assert not gate.accept(1001.52, 1011.52)  # the same outlet from here on
    assert gate.jumps == 1
