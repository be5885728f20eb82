"""What a tracker is unsure of: stored as it came, left out by the protocol's threshold.

Source: contract, "Coordinates and units", missing gaze.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import invented
import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit.channels import Channel
from calibkit.fitted.mapping_live import live
from calibkit.kept.recording import Recording

PROTOCOL = """[protocol]
version = 1
name = "sure"

[data]
min_confidence = 0.6
"""


@pytest.fixture(scope="module")
def rec() -> Recording:
    """Every third sample of the left eye is rubbish, and its confidence says so."""
    plain, _ = invented.record(2, invented.NINE, kind="screen")
    n = len(plain.time)
    poor = np.arange(n) % 3 == 0
    samples = np.array(plain.samples, float)
    left = [k for k, c in enumerate(plain.channels) if c.eye == "left"]
    rng = np.random.default_rng(0)
    for k in left:
        samples[poor, k] += rng.normal(150, 200, poor.sum())
    sure = np.column_stack([np.where(poor, 0.3, 0.9), np.full(n, 0.8)])
    more = [
        Channel(label=f"{eye} sure", eye=eye, type="Confidence", unit="normalized")
        for eye in ("left", "right")
    ]
    return replace(
        plain,
        samples=np.column_stack([samples, sure]),
        channels=(*plain.channels, *more),
        protocol=PROTOCOL,
    )


def hidden(rec: Recording) -> NDArray[np.float64]:
    """The samples with NaN where the left eye is unsure."""
    samples = np.array(rec.samples, float)
    for k, channel in enumerate(rec.channels):
        if channel.eye == "left" and channel.type.startswith("Screen"):
            samples[samples[:, -2] < 0.6, k] = np.nan
    return samples


def test_the_protocol_decides_what_is_read(rec: Recording, tmp_path: Path) -> None:
    rec.save(tmp_path / "r.h5")
    read = calibkit.Recording.load(tmp_path / "r.h5")
    np.testing.assert_array_equal(read.samples, rec.samples)  # stored as it came
    mapping = calibkit.fit(read)
    gaze = mapping.apply(rec.samples)
    without = replace(rec, samples=hidden(rec), protocol="")
    want = calibkit.fit(without).apply(without.samples)
    np.testing.assert_array_equal(gaze.xy, want.xy)
    np.testing.assert_array_equal(gaze.sd, want.sd)
    np.testing.assert_array_equal(
        mapping.apply(rec.samples).xy, mapping.apply(hidden(rec)).xy
    )


def test_a_mapping_keeps_it_and_live_gaze_does_the_same(
    rec: Recording, tmp_path: Path
) -> None:
    mapping = calibkit.fit(rec)
    mapping.save(tmp_path / "m.h5")
    again = calibkit.Mapping.load(tmp_path / "m.h5")
    want = mapping.apply(rec.samples)
    np.testing.assert_array_equal(again.apply(rec.samples).xy, want.xy)
    row = live(again)
    got = np.array([row(sample) for sample in rec.samples.tolist()])
    np.testing.assert_array_equal(got, np.column_stack([want.xy, want.sd]))
    older = mapping.snapshot()
    del older["layout"]["min_confidence"]  # files from before it was kept
    assert calibkit.Mapping.from_snapshot(older).layout.min_confidence == 0.0
    older["layout"]["min_confidence"] = 7.0
    with pytest.raises(calibkit.CalibkitError):
        calibkit.Mapping.from_snapshot(older)


# Source: IEEE 754, the nearest single to 0.7 is below it, the nearest to 0.6 above.
@pytest.mark.parametrize("least", [0.6, 0.7])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_as_sure_as_asked_for_is_sure_in_either_precision(
    rec: Recording, least: float, kind: type[np.floating]
) -> None:
    samples = np.array(rec.samples, float)
    unsure = samples[:, -2] < 0.6
    samples[:, -2] = np.where(unsure, least - 0.001, least)
    rec = replace(
        rec,
        samples=samples.astype(kind),
        protocol=PROTOCOL.replace("0.6", str(least)),
    )
    mapping = calibkit.fit(rec)
    want = mapping.apply(rec.samples)
    row = live(mapping)
    got = np.array([row(sample) for sample in rec.samples.tolist()])
    np.testing.assert_array_equal(got, np.column_stack([want.xy, want.sd]))
    plain = replace(rec, protocol="")
    lost = calibkit.assess(mapping, rec).eyes["left"].loss
    all_in = calibkit.assess(calibkit.fit(plain), plain).eyes["left"].loss
    assert lost - all_in == pytest.approx(unsure.mean(), abs=0.02)


def test_unsure_samples_are_lost_in_an_assessment(rec: Recording) -> None:
    plain = replace(rec, protocol="")
    mapping = calibkit.fit(plain)
    assert mapping.layout.min_confidence == 0.0
    assert (
        "min_confidence" not in mapping.snapshot()["layout"]
    )  # ids stay what they are
    all_in = calibkit.assess(mapping, plain)
    asked = calibkit.assess(mapping, rec)  # the check's own protocol asks for more
    assert asked.eyes["left"].loss - all_in.eyes["left"].loss == pytest.approx(
        1 / 3, abs=0.02
    )
    assert asked.eyes["right"].loss == all_in.eyes["right"].loss


@pytest.mark.parametrize(
    "text", ["", "no TOML [", "data = 3", "[data]\nmin_confidence = 'much'"]
)
def test_a_protocol_that_says_nothing_lets_all_in(rec: Recording, text: str) -> None:
    assert replace(rec, protocol=text).least_confidence() == 0.0
    assert replace(rec, protocol=text).least_confidence(0.4) == 0.4


def test_asked_for_goes_before_the_protocol(rec: Recording) -> None:
    assert calibkit.fit(rec, min_confidence=0.0).layout.min_confidence == 0.0
    assert calibkit.fit(rec, min_confidence=0.85).layout.min_confidence == 0.85
