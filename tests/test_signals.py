"""The signal check's figures and words."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from calibkit import simulation
from calibkit.channels import Channel, missing
from calibkit.geometry import Setup
from calibkit.judged import quality
from calibkit.live import signals, signals_head, signals_measure, signals_words
from calibkit.live.signals_facts import Head, Place, Signal

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.5), distance_mm=600.0)


def channel(kind: str, eye: str = "both", unit: str = "") -> Channel:
    return Channel(label=f"{eye}{kind}", eye=eye, type=kind, unit=unit)


SCREEN = (channel("ScreenX", unit="pixels"), channel("ScreenY", unit="pixels"))
EYES_MM = tuple(
    channel(f"Position{axis}", eye, "mm") for eye in ("left", "right") for axis in "XYZ"
)


def eyes_at(x: float, y: float, z: float, *, mirrored: bool = False) -> np.ndarray:
    side = -1.0 if mirrored else 1.0
    row = [side * (x - 31.5), y, z, side * (x + 31.5), y, z]
    gaze = np.random.default_rng(0).normal([960, 540], 5, (300, 2))
    return np.column_stack([gaze, np.tile(row, (300, 1))])


def judged(samples: np.ndarray, channels: tuple[Channel, ...] = SCREEN) -> Signal:
    time = np.arange(len(samples)) / 60.0
    return signals.judge(time, samples, channels, SETUP, nominal_rate=60.0)


def about(signal: Signal, name: str) -> list[str]:
    return [f.words + " " + f.move for f in signal.findings if f.about == name]


def test_white_noise_has_the_published_ratio_and_size() -> None:
    """Source: Niehorster et al. 2020: RMS-S2S / STD is the root of 2 for white noise;
    1 degree at the centre is 40.993 px there (literature.md check 2, computed)."""
    setup = Setup(
        screen_px=(1920, 1080),
        screen_mm=(1920 * 0.27675, 1080 * 0.27675),
        distance_mm=650,
    )
    gaze = np.random.default_rng(1).normal([960, 540], 0.5 * 40.993, (50_000, 2))
    rms, sd = signals_measure.noise(np.arange(50_000) / 1000.0, gaze, setup)
    assert sd == pytest.approx(0.5 * math.sqrt(2), rel=0.02)
    assert rms / sd == pytest.approx(math.sqrt(2), rel=0.02)


def test_noise_of_all_windows_at_once_is_that_of_each_by_its_definition() -> None:
    """Source: the definitions in `quality`, window by window."""
    rng = np.random.default_rng(3)
    time = np.arange(500) / 250.0
    gaze = rng.normal([1700, 200], [4, 9], (500, 2)) + 30 * time[:, None]
    windows = gaze[:496].reshape(-1, 62, 2)
    each = [
        (
            quality.sample_to_sample_deg(SETUP, part),
            quality.spread_deg(quality.covariance_deg2(SETUP, part)),
        )
        for part in windows
    ]
    found = signals_measure.noise(time, gaze, SETUP)
    assert found == pytest.approx(tuple(np.median(each, axis=0)), rel=1e-9)


def test_eye_movements_are_no_noise() -> None:
    """Plain recomputation: the same noise with a saccade every 1.2 s."""
    rng = np.random.default_rng(2)
    still = rng.normal([960, 540], 3, (3000, 2))
    moving = still + np.repeat(rng.uniform(-400, 400, (10, 2)), 300, axis=0)
    time = np.arange(3000) / 250.0
    assert signals_measure.noise(time, moving, SETUP)[1] == pytest.approx(
        signals_measure.noise(time, still, SETUP)[1], rel=0.1
    )


def test_rate_gaps_and_jitter_by_plain_count() -> None:
    """Plain recomputation: 1,000 samples at 100 Hz of which 50 are taken out."""
    rng = np.random.default_rng(3)
    keep = np.ones(1000, bool)
    keep[rng.choice(np.arange(1, 999), 50, replace=False)] = False
    time = np.arange(1000)[keep] / 100.0
    found = signals_measure.rate(time, 100.0)
    assert found.absent == pytest.approx(50 / 999, abs=1e-9)
    assert found.measured_hz == pytest.approx(949 / 9.99)
    shaky = np.arange(5000) / 100.0 + rng.normal(0, 0.0005, 5000)
    # An interval is the difference of two stamps: the root of 2 times their spread.
    assert signals_measure.rate(shaky).jitter_s == pytest.approx(
        0.0005 * math.sqrt(2), rel=0.1
    )


def test_repeated_and_backward_stamps_are_counted() -> None:
    found = signals_measure.rate(np.array([0.0, 0.1, 0.1, 0.05, 0.2]), 0.0)
    assert (found.repeated, found.backward) == (1, 1)


@pytest.mark.parametrize(
    ("x", "z", "axis", "says"),
    [
        (0.0, 720.0, "distance", "Move 12 cm closer"),
        (0.0, 480.0, "distance", "Move 12 cm farther away"),
        (80.0, 600.0, "side", "Move 8 cm to the left"),
        (-80.0, 600.0, "side", "Move 8 cm to the right"),
    ],
)
def test_it_says_which_way_to_move(x: float, z: float, axis: str, says: str) -> None:
    signal = judged(eyes_at(x, 0.0, z), SCREEN + EYES_MM)
    assert says in about(signal, f"head, {axis}")[0]


def test_a_mirrored_camera_is_known_by_the_order_of_the_eyes() -> None:
    signal = judged(eyes_at(80.0, 0, 600.0, mirrored=True), SCREEN + EYES_MM)
    assert "Move 8 cm to the left" in about(signal, "head, side")[0]


def test_one_eye_alone_tells_no_side() -> None:
    samples = eyes_at(0.0, 0.0, 600.0)
    samples[:, 5:8] = np.nan
    signal = judged(samples, SCREEN + EYES_MM)
    assert not about(signal, "head, side")
    assert "right (off by 0 cm)" in about(signal, "head, distance")[0]


def test_two_pupils_in_one_picture_tell_the_distance() -> None:
    """Pinhole: the eyes' distance in the picture is inverse to the head's."""
    channels = tuple(
        channel(kind, eye, "pixels")
        for eye in ("left", "right")
        for kind in ("PupilX", "PupilY")
    )
    rows = np.tile([600.0, 500, 978, 500], (100, 1))
    rows += np.random.default_rng(0).normal(0, 1, rows.shape)
    near = rows.copy()
    near[:, [0, 2]] += [-19, 19]
    usual = signals_head.axes(rows, channels, SETUP)["distance"]
    now = signals_head.axes(near, channels, SETUP)["distance"]
    found = signals.place("distance", now, float(np.median(usual.values)))
    assert found.off == pytest.approx(378 / 416 - 1, abs=0.01)
    far = replace(found, limit=0.05)
    (said,) = signals_words.head(Head(
        told=("distance",), places=(far,),
        moves_mm=math.nan, moves_share=math.nan, moves_deg=math.nan,
    ))  # fmt: skip
    assert said.words.startswith("The head is 9% of the distance closer")
    assert said.move.startswith("Move 9% of the distance farther away, or move")


@pytest.mark.parametrize("tracker", simulation.TRACKERS)
def test_simulated_people_have_a_good_signal(tracker: str) -> None:
    person = simulation.person(tracker=tracker, seed=3)
    time, samples = person.begin(0.0).advance(5.0)
    signal = signals.judge(
        time, samples, person.channels, person.setup, nominal_rate=person.nominal_rate
    )
    assert not signal.lost
    assert len(signal.eyes) == 2
    assert not [f for f in signal.findings if f.level == "poor"]
    assert signal.head.still is not None


def test_a_blind_eye_is_told_and_one_is_enough() -> None:
    kinds = [k for k, t in simulation.KINDS.items() if t.blind_eye]
    person = simulation.person(kind=kinds[0], seed=1)
    time, samples = person.begin(0.0).advance(4.0)
    signal = signals.judge(time, samples, person.channels, person.setup)
    assert sum(eye.samples == 0 for eye in signal.eyes) == 1
    assert not signal.lost
    assert any("One eye is enough" in f.move for f in signal.findings)


def test_nothing_at_all_is_told_too() -> None:
    signal = judged(np.empty((0, 2)))
    assert signal.lost
    assert "Start the tracker" in " ".join(about(signal, "stream"))
    assert "anyway" in signals_words.summary(signal)


def test_a_stream_without_metadata_says_how_to_name_its_channels() -> None:
    bare = (channel(""), channel(""), channel(""))
    signal = judged(np.ones((50, 3)), bare)
    assert "Name them" in " ".join(about(signal, "stream"))
    assert "--draft" in " ".join(find.move for find in signal.findings)
    # It is not the eyes: a session with such a stream is refused (run_live).
    said = signals_words.summary(signal)
    assert "channels are named" in said
    assert "anyway" not in said


def test_without_a_setup_noise_is_relative_and_said_so() -> None:
    rows = np.random.default_rng(0).normal(0.5, 0.01, (200, 2))
    normalized = tuple(channel(k, unit="normalized") for k in ("ScreenX", "ScreenY"))
    signal = signals.judge(np.arange(200) / 60, rows, normalized, None)
    assert signal.eyes[0].noise_unit == "of the screen"
    assert signal.eyes[0].sd == pytest.approx(0.01 * math.sqrt(2), rel=0.15)


def test_calibrated_gaze_gives_degrees() -> None:
    person = simulation.person(seed=2)
    time, samples = person.begin(0.0).advance(3.0)
    gaze = np.random.default_rng(0).normal([960, 540], 20, (len(time), 2))
    signal = signals.judge(time, samples, person.channels, SETUP, gaze_px=gaze)
    assert signal.gaze_deg[1] > 0.5
    assert any("degrees" in f.words for f in signal.findings if "noise" in f.about)


@given(st.floats(-400, 400), st.sampled_from(signals_head.PLACES), st.booleans())
def test_bars_have_one_width_and_the_right_side(
    off: float, axis: str, signed: bool
) -> None:
    place = Place(axis=axis, now=0, off=off, unit="mm", limit=50, signed=signed)
    drawn = re.search(r"[.#]+\|[.#]+", signals_words.bar(place))
    assert drawn is not None
    left, right = drawn.group().split("|")
    assert len(left) == len(right) == signals_words.BAR
    assert "#" not in (right if off < 0 else left)
    assert abs(off) < 5 or "#" in left + right


@settings(max_examples=150, deadline=None)
@given(
    hnp.arrays(
        float,
        st.tuples(st.integers(0, 40), st.just(8)),
        elements=st.one_of(
            st.floats(width=32), st.sampled_from([0.0, -1.0, math.nan, math.inf, 1e30])
        ),
    ),
    st.booleans(),
)
def test_whatever_comes_is_judged(samples: np.ndarray, regular: bool) -> None:
    time = np.arange(len(samples)) / 60.0 if regular else samples[:, 0].copy()
    signal = signals.judge(time, samples, SCREEN + EYES_MM, SETUP)
    assert signals_words.lines(signal)
    assert all(0 <= eye.loss <= 1 for eye in signal.eyes)


def test_no_words_blame() -> None:
    """Common practice, no source: nobody is told to hold still or do better."""
    blame = re.compile(r"\b(you|fail|wrong|bad|must|fault|error)\b", re.IGNORECASE)
    for kind in simulation.KINDS:
        person = simulation.person(kind=kind, tracker="screen", seed=5)
        time, samples = person.begin(0.0).advance(4.0)
        signal = signals.judge(time, samples, person.channels, person.setup)
        text = " ".join(signals_words.lines(signal)) + signals_words.summary(signal)
        assert not blame.search(text), text


@pytest.mark.parametrize("tracker", ["pupil-reflex", "screen", "webcam"])
def test_spread_and_loss_beside_gaze_are_those_of_the_check(tracker: str) -> None:
    """Common practice, no source: a shorter way gives the same, to the last bit."""
    person = simulation.person(tracker=tracker, seed=4)
    rec = simulation.record(person, [[960, 540]], seed=4, seconds_per_point=2.0)[0]
    rng = np.random.default_rng(4)
    samples, time = np.array(rec.samples, float), rec.time
    for worse in (0.0, 0.01, 0.2, 1.0):
        for lost in (np.nan, 0.0, -1.0, np.inf):
            samples[rng.random(len(samples)) < worse] = lost
        lacks = missing(samples, rec.channels, SETUP)
        with np.errstate(all="ignore"):
            eyes = signals_measure.eyes(time, samples, rec.channels, SETUP)
            short = signals_measure.spreads(time, samples, rec.channels, SETUP, lacks)
        assert len(eyes) == len(short) > 0
        for eye, found in zip(eyes, short, strict=True):
            wanted = [eye.eye, eye.noise_unit, eye.sd, eye.loss]
            np.testing.assert_array_equal(list(found)[:2], wanted[:2])
            np.testing.assert_array_equal(list(found)[2:], wanted[2:])
