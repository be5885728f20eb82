"""Which samples count, and how sure their mean is."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit.fitted import fixation, looks, segments
from calibkit.kept.recording import target_rows

Array = NDArray[np.float64]
RATE = 120.0


def row(onset: float, offset: float, advance: str = "timer") -> NDArray[np.void]:
    return target_rows([(onset, offset, 100.0, 100.0, "calibration", advance, 1)])


def see(
    signal: Array,
    targets: NDArray[np.void],
    time: Array | None = None,
    after_s: float = 0.0,
) -> looks.Sight:
    """Look at one eye's signal (n, 2)."""
    time = np.arange(len(signal)) / RATE if time is None else time
    none = np.empty((1, len(signal), 0))
    path = np.empty((0, 3))
    return fixation.sight(time, signal[None], none, targets, path, after_s)


def steps(*parts: tuple[float, float], seed: int = 0, noise: float = 0.1) -> Array:
    """Signal that stays at a height for some seconds, then jumps to the next."""
    rng = np.random.default_rng(seed)
    heights = np.concatenate([np.full(round(s * RATE), h) for h, s in parts])
    signal: Array = np.column_stack([heights, 0.5 * heights])
    return signal + rng.normal(0, noise, signal.shape)


def test_latency_is_found_in_the_data() -> None:
    """The look starts where the signal has arrived, early or late."""
    for late in (0.15, 0.3, 0.6):
        found = see(steps((0.0, late), (8.0, 1.4 - late)), row(0.0, 1.4)).seen[0]
        rows = found.looks[0].rows / RATE
        assert late - 0.02 <= rows.min() <= late + 0.15
        assert rows.max() > 1.25
        assert found.looks[0].mean[0, 0] == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize("late", [0.15, 0.3, 0.6])
def test_next_to_a_jump_the_eye_is_settling_or_leaving(late: float) -> None:
    """After a saccade the eye swings for some tens of ms; a bin on each side is off."""
    signal = steps((0.0, late), (8.0, 0.7), (0.0, 0.4))
    rows = see(signal, row(0.0, late + 1.1)).seen[0].looks[0].rows / RATE
    assert rows.min() >= late + 0.03
    assert rows.max() <= late + 0.7 - 0.03


def test_a_person_who_leaves_early_is_believed_while_looking() -> None:
    found = see(steps((0.0, 0.2), (8.0, 0.6), (-5.0, 0.3)), row(0.0, 1.1)).seen[0]
    assert found.looks[0].mean[0, 0] == pytest.approx(8.0, abs=0.1)


def test_a_target_at_which_the_tracker_loses_the_eyes_is_not_the_old_place() -> None:
    """Reflexes leave the cornea at a far corner: only the time before is seen."""
    signal = steps((0.0, 0.2), (8.0, 0.9))
    signal[round(0.2 * RATE) :] = np.nan
    found = see(signal, row(0.0, 1.1)).seen[0]
    assert not found.looks
    assert found.reason == "the eyes were not still for long enough"


def test_before_the_press_counts_and_after_it_does_not() -> None:
    """advance = key: the offset is the press; the person looks away just after it."""
    signal = steps((0.0, 2.0), (8.0, 1.0), (-5.0, 0.5))
    found = see(signal, row(0.0, 3.0, "key")).seen[0]
    assert found.looks[0].mean[0, 0] == pytest.approx(8.0, abs=0.1)
    assert found.looks[0].rows.max() < 3.0 * RATE
    assert found.looks[0].rows.min() >= 1.5 * RATE


def test_before_a_press_the_later_look_is_likelier_the_one_that_was_meant() -> None:
    """Common practice, no source: an operator presses when they see the person look."""
    signal = steps((0.0, 1.2), (-5.0, 0.7), (8.0, 0.6))
    look = see(signal, row(0.0, 2.5, "key")).seen[0].looks[0]
    assert look.mean[0, 0] == pytest.approx(8.0, abs=0.1)


def test_a_press_without_an_onset_after_it_still_has_a_window() -> None:
    """Onset after the press (a file made elsewhere): the time before it counts."""
    assert fixation.window(row(5.0, 3.0, "key")[0]) == (1.5, 3.0)
    assert fixation.window(row(1.0, 3.0, "timer")[0]) == (1.0, 3.0)


def test_a_glide_that_a_key_ends_counts_from_its_start() -> None:
    # Source: contract, /targets: x and y are NaN while it moves, whatever ends it.
    glide = target_rows([(5.0, 35.0, np.nan, np.nan, "calibration", "key", 1)])
    assert fixation.window(glide[0]) == (5.0, 35.0)


def test_eyes_are_still_there_when_a_timed_target_has_gone() -> None:
    """No saccade starts within 0.1 s (express saccades: Fischer & Ramsperger 1984)."""
    signal = steps((0.0, 0.4), (8.0, 0.35), (-5.0, 0.5))
    found = see(signal, row(0.0, 0.6), after_s=fixation.AFTER_S)
    look = found.seen[0].looks[0]
    assert 0.65 * RATE < look.rows.max() < 0.75 * RATE
    assert look.mean[0, 0] == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize("advance", ["key", "gaze"])
def test_what_comes_after_a_press_or_a_look_does_not_count(advance: str) -> None:
    """Only a timer may cut a look short; who ends a target goes on elsewhere."""
    signal = steps((0.0, 0.4), (8.0, 1.6))
    look = see(signal, row(0.0, 1.5, advance), after_s=0.3).seen[0].looks[0]
    assert look.rows.max() < 1.5 * RATE


def test_the_look_that_ended_a_target_counts_and_not_a_longer_one_before() -> None:
    """Common practice, no source: by gaze, a target ends with a look at it."""
    signal = steps((0.0, 0.2), (-5.0, 1.2), (8.0, 0.9))
    look = see(signal, row(0.0, 2.3, "gaze")).seen[0].looks[0]
    assert look.mean[0, 0] == pytest.approx(8.0, abs=0.1)
    look = see(signal, row(0.0, 2.3, "timer")).seen[0].looks[0]
    assert look.mean[0, 0] == pytest.approx(-5.0, abs=0.1)


def test_a_landing_that_falls_short_is_no_look() -> None:
    """A short target: the corrected place counts, though the landing lasted longer.

    A second saccade mends what is some 10 % short, 0.1 to 0.2 s later: Becker & Fuchs
    1969, Vision Research 9:1247 (from memory).
    """
    for seed in range(5):
        signal = steps((0.0, 0.2), (7.2, 0.25), (8.0, 0.4), seed=seed)
        look = see(signal, row(0.0, 0.6)).seen[0].looks[0]
        assert look.mean[0, 0] == pytest.approx(8.0, abs=0.15)


def test_a_glance_away_is_no_correction() -> None:
    """As far again as the way there: the longer stay counts, before it or after it."""
    signal = steps((0.0, 0.2), (8.0, 0.35), (0.0, 0.3))
    look = see(signal, row(0.0, 0.7)).seen[0].looks[0]
    assert look.mean[0, 0] == pytest.approx(8.0, abs=0.15)


def test_blinks_and_their_edges_are_left_out() -> None:
    """The lid pulls the signal down before and after the gap."""
    signal = steps((8.0, 1.5))
    gap = slice(round(0.7 * RATE), round(0.85 * RATE))
    edge = round(0.03 * RATE)
    signal[gap.start - edge : gap.stop + edge, 1] += 3.0
    signal[gap] = np.nan
    look = see(signal, row(0.0, 1.5)).seen[0].looks[0]
    assert look.mean[0] == pytest.approx([8.0, 4.0], abs=0.06)


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (np.full((120, 2), np.nan), "no eye was seen"),
        (np.zeros((0, 2)), "nothing was recorded"),
    ],
)
def test_nothing_to_see_is_said(signal: Array, reason: str) -> None:
    found = see(signal, row(0.0, 1.0)).seen[0]
    assert not found.looks
    assert reason in found.reason


def test_mean_of_correlated_noise_is_less_sure() -> None:
    """AR(1) with coefficient phi: the variance of a mean is (1 + phi)/(1 - phi) larger.

    Source: Bayley & Hammersley 1946, J. R. Stat. Soc. Suppl. 8:184.
    """
    rng = np.random.default_rng(5)
    phi, count = 0.7, 40
    targets = target_rows(
        [(k, k + 1.0, 0.0, 0.0, "calibration", "timer", 1) for k in range(count)]
    )
    noise = np.zeros((round(count * RATE), 2))
    for k in range(1, len(noise)):
        noise[k] = phi * noise[k - 1] + rng.normal(0, 0.1, 2)
    found = see(noise, targets)
    assert found.correlation == pytest.approx((1 + phi) / (1 - phi), rel=0.2)
    means = np.array([s.looks[0].mean[0] for s in found.seen if s.looks])
    stated = [
        looks.mean_covariance(s.looks[0], found.spread, found.correlation)[0, 0]
        for s in found.seen
        if s.looks
    ]
    assert np.mean(stated) == pytest.approx(float(np.var(means)), rel=0.5)
    assert np.mean(stated) > 3 * 0.1**2 / (1 - phi**2) / RATE


@pytest.mark.parametrize("rate", [30.0, 60.0, 250.0, 500.0])
def test_every_rate_finds_the_same_look(rate: float) -> None:
    rng = np.random.default_rng(6)
    time = np.arange(round(1.2 * rate)) / rate
    signal = np.where(time[:, None] < 0.25, [0.0, 0.0], [7.0, -3.0])
    signal = signal + rng.normal(0, 0.15, signal.shape)
    look = see(signal, row(0.0, 1.2), time).seen[0].looks[0]
    assert look.mean[0] == pytest.approx([7.0, -3.0], abs=0.15)


def test_a_glide_is_cut_into_blocks() -> None:
    """A target that moves gives many looks, with the times of their samples."""
    time = np.arange(600) / RATE
    path = np.column_stack([time, 100 * time, 50 * time])
    signal = np.column_stack([time, 0.5 * time])
    targets = target_rows([(0.0, 5.0, np.nan, np.nan, "calibration", "timer", 1)])
    none = np.empty((1, 600, 0))
    found = fixation.sight(time, signal[None], none, targets, path).seen[0]
    assert len(found.looks) >= 17
    # Pursuit begins after a reaction: what comes before it follows nothing.
    first = min(look.rows.min() for look in found.looks) / RATE
    assert fixation.GLIDE_REACTION_S <= first < fixation.GLIDE_REACTION_S + 0.02
    assert all(look.path_time is not None for look in found.looks)
    # Following a target is no noise: nothing is left off a straight line.
    assert max(float(np.trace(look.spread)) for look in found.looks) < 1e-12


def test_stretches_split_where_the_signal_jumps() -> None:
    """Plain recomputation: the best of all single splits, by brute force."""
    rng = np.random.default_rng(7)
    signal = np.concatenate([np.zeros(9), np.full(14, 6.0)])[:, None]
    signal = signal + rng.normal(0, 1.0, signal.shape)
    found = segments.stretches(signal, np.ones(1))

    def squares(part: Array) -> float:
        return float(np.sum((part - part.mean()) ** 2))

    brute = min(
        range(1, len(signal)), key=lambda k: squares(signal[:k]) + squares(signal[k:])
    )
    assert found == [(0, brute), (brute, len(signal))]


def test_noise_alone_is_not_split() -> None:
    """White noise has no jumps: at most one in a hundred records is cut."""
    rng = np.random.default_rng(8)
    cut = sum(
        len(segments.stretches(rng.normal(size=(25, 2)), np.ones(2))) > 1
        for _ in range(200)
    )
    assert cut <= 2
