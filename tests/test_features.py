"""Channels to features: the contract's order, units and missing rule."""

from __future__ import annotations

import invented
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from calibkit import channels as words
from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.fitted import features
from calibkit.geometry import px_to_angles

SETUP = invented.SETUP


def plan(kind: str) -> features.Layout:
    made = features.layout(invented.channels(kind))
    return features.with_covariates(made, ())


def test_two_reflexes_cancel_place_and_distance() -> None:
    """Pupil minus the reflexes' midpoint, by their distance: contract, Streams."""
    one = np.array([[310.0, 244.0, 300.0, 240.0, 310.0, 240.0] * 2])
    moved = 1.3 * one + np.tile([40.0, -25.0], 6)
    first = features.read(plan("pupil-reflex"), one, SETUP).xy
    second = features.read(plan("pupil-reflex"), moved, SETUP).xy
    assert first[0, 0] == pytest.approx([0.5, 0.4])
    assert second == pytest.approx(first)


@pytest.mark.parametrize(
    ("unit", "value"),
    [
        ("pixels", (480.0, 810.0)),
        ("normalized", (0.25, 0.75)),
        ("mm", (132.75, 224.25)),
    ],
)
def test_screen_units_become_the_same_degrees(
    unit: str, value: tuple[float, float]
) -> None:
    chans = tuple(
        Channel(label=axis, eye="both", type=f"Screen{axis}", unit=unit)
        for axis in "XY"
    )
    found = features.read(features.layout(chans), np.array([value]), SETUP).xy[0, 0]
    assert found == pytest.approx(px_to_angles(SETUP, [480.0, 810.0])[0])


def test_directions_become_degrees() -> None:
    """A direction 10 degrees right and 5 down, whatever its length or z's sign."""
    flat = np.tan(np.radians([10.0, 5.0]))
    row = np.array([[*flat, 1.0, *(2.0 * flat), -2.0]])
    found = features.read(plan("direction"), row, SETUP).xy[:, 0]
    assert found == pytest.approx(np.array([[10.0, 5.0], [10.0, 5.0]]))


@settings(max_examples=60, deadline=None)
@given(
    arrays(
        float,
        (6, 4),
        elements=st.one_of(
            st.sampled_from([0.0, -1.0, np.nan, np.inf, 1e6, -4000.0]),
            st.floats(-3000, 5000),
        ),
    )
)
def test_missing_is_the_contracts_rule(samples: NDArray[np.float64]) -> None:
    """Screen streams: the same samples are missing as `channels.missing` says."""
    chans = invented.channels("screen")
    found = features.read(plan("screen"), samples, SETUP).xy
    gone = words.missing(samples, chans, SETUP)
    for row, eye in enumerate(("left", "right")):
        assert (~np.isfinite(found[row, :, 0]) == gone[eye]).all()


def test_one_zero_is_data_and_all_zero_is_missing() -> None:
    samples = np.array([[0.0, 500.0, 0.0, 0.0], [-1.0, -1.0, 700.0, -1.0]])
    found = features.read(plan("screen"), samples, SETUP).xy
    assert np.isfinite(found[..., 0]).tolist() == [[True, False], [False, True]]


def test_a_lost_pupil_alone_loses_the_eye() -> None:
    """A camera that keeps its reflexes and writes (0, 0) for the pupil."""
    row = np.array([[0.0, 0.0, 300.0, 240.0, 310.0, 240.0] * 2])
    assert np.isnan(features.read(plan("pupil-reflex"), row, SETUP).xy).all()


def test_confidence_counts_only_when_asked() -> None:
    chans = (
        *invented.channels("screen", ("left",)),
        Channel(label="c", eye="left", type="Confidence", unit="normalized"),
    )
    made = features.layout(chans)
    rows = np.array([[500.0, 400.0, 0.2], [500.0, 400.0, 0.9]])
    assert np.isfinite(features.read(made, rows, SETUP).xy).all()
    kept = features.read(made, rows, SETUP, 0.5).xy[0, :, 0]
    assert np.isfinite(kept).tolist() == [False, True]


def test_covariates_are_grouped_and_extra_is_named() -> None:
    chans = (
        *invented.channels("screen"),
        Channel(label="yaw", eye="both", type="HeadYaw", unit="degrees"),
        Channel(label="dl", eye="left", type="Diameter", unit="mm"),
        Channel(label="dr", eye="right", type="Diameter", unit="mm"),
        Channel(label="odd", eye="", type="Temperature", unit="C"),
    )
    made = features.layout(chans, extra=("odd",))
    assert made.covariates == ("HeadYaw", "Diameter", "odd")
    assert made.groups == ("head", "diameter", "extra")
    row = np.array([[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]])
    found = features.read(made, row, SETUP).extra[:, 0]
    assert found.tolist() == [[5.0, 6.0, 8.0], [5.0, 7.0, 8.0]]


def test_refusals_name_the_value() -> None:
    chans = invented.channels("screen", ("left",))
    with pytest.raises(InputError, match="right"):
        features.layout(chans, eyes="right")
    with pytest.raises(InputError, match="'nose'"):
        features.layout(chans, extra=("nose",))
    with pytest.raises(InputError, match="HeadX"):
        features.layout(
            (Channel(label="h", eye="both", type="HeadX", unit="mm"),), extra=()
        )
    with pytest.raises(ValueError, match="2 columns"):
        features.read(features.layout(chans), np.zeros((3, 5)), SETUP)


@pytest.mark.parametrize(
    ("signature", "words"),
    [
        (
            ("left:degrees", "right:degrees"),
            "gaze positions or directions (left and right)",
        ),
        (("left:pupil-reflex:6",), "pupil and two reflexes (left)"),
        (
            ("left:pupil-reflex:4:px", "right:pupil-reflex:6"),
            "pupil and reflex in px (left), pupil and two reflexes (right)",
        ),
        (("both:pupil:2:mm",), "pupil in mm (both)"),
        (("odd",), " (odd)"),
    ],
)
def test_features_are_named_as_an_operator_knows_them(
    signature: tuple[str, ...], words: str
) -> None:
    assert features.said(signature) == words
