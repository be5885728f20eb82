"""What is read from a stream, and what counts as missing.

Types and eyes: XDF wiki, "Gaze Meta-Data" (content type of Lab Streaming Layer).
"""

from __future__ import annotations

import numpy as np
import pytest

from calibkit.channels import (
    Channel,
    confidence_column,
    covariate_columns,
    feature_sources,
    missing,
    plain_unit,
    screen_px,
)
from calibkit.geometry import Setup

SETUP = Setup(screen_px=(1000, 500), screen_mm=(400, 200), distance_mm=600)


def channels(*specs: str, unit: str = "pixels") -> tuple[Channel, ...]:
    """Make channels from "eye Type" words."""
    return tuple(
        Channel(label=spec, eye=spec.split()[0], type=spec.split()[1], unit=unit)
        for spec in specs
    )


def test_pupil_with_reflexes_comes_before_everything() -> None:
    stream = channels(
        "left ScreenX",
        "left ScreenY",
        "left ReflexX",
        "left ReflexY",
        "left PupilX",
        "left PupilY",
        "left ReflexX",
        "left ReflexY",
    )
    source = feature_sources(stream)["left"]
    assert source.kind == "pupil-reflex"
    assert source.columns == (4, 5, 2, 3, 6, 7)


def test_order_of_kinds_is_the_contracts() -> None:
    kinds = []
    stream = channels(
        *[f"right Pupil{a}" for a in "XY"],
        *[f"right Screen{a}" for a in "XY"],
        *[f"right Direction{a}" for a in "XYZ"],
        *[f"right Reflex{a}" for a in "XY"],
    )
    while stream:
        source = feature_sources(stream).get("right")
        if source is None:
            break
        kinds.append(source.kind)
        gone = "Reflex" if source.kind == "pupil-reflex" else source.kind.title()
        stream = tuple(c for c in stream if not c.type.startswith(gone))
    assert kinds == ["pupil-reflex", "direction", "screen", "pupil"]


def test_both_is_read_only_where_no_single_eye_is() -> None:
    both = channels("both ScreenX", "both ScreenY")
    assert set(feature_sources(both)) == {"both"}
    left = channels("left ScreenX", "left ScreenY")
    assert set(feature_sources(both + left)) == {"left"}
    nameless = [
        Channel(label=axis, eye="", type=f"Screen{axis}", unit="") for axis in "XY"
    ]
    assert set(feature_sources(nameless)) == {"both"}


def test_an_x_without_its_y_is_no_source() -> None:
    assert feature_sources(channels("left ScreenX", "right ScreenY")) == {}
    assert feature_sources(()) == {}


def test_covariates_and_confidence() -> None:
    stream = channels(
        "left Diameter", "both HeadYaw", "left PositionZ", "both Confidence"
    )
    found = covariate_columns(stream)
    assert found == {"head": (1,), "position": (2,), "diameter": (0,)}
    assert confidence_column(stream, "left") == 3
    assert confidence_column(stream[:3], "left") is None
    own = (*stream, *channels("left Confidence"))
    assert confidence_column(own, "left") == 4


@pytest.mark.parametrize(
    ("unit", "plain"),
    [("Pixels", "px"), ("norm", "normalized"), ("mm", "mm"), ("a.u.", "a.u.")],
)
def test_units_are_folded(unit: str, plain: str) -> None:
    assert plain_unit(unit) == plain


def test_screen_units_become_pixels() -> None:
    for unit, value in [
        ("pixels", (250, 125)),
        ("normalized", 0.25),
        ("mm", (100, 50)),
    ]:
        stream = channels("left ScreenX", "left ScreenY", unit=unit)
        samples = np.broadcast_to(np.asarray(value, float), (1, 2))
        source = feature_sources(stream)["left"]
        assert screen_px(samples, source, SETUP)[0] == pytest.approx([250, 125])


@pytest.mark.parametrize(
    ("sample", "gone"),
    [
        ((0, 0), True),
        ((-1, -1), True),
        ((0, 100), False),
        ((-1, 0), False),
        ((np.nan, 100), True),
        ((np.inf, 100), True),
        ((2001, 100), True),
        ((1999, 100), False),
        ((500, -501), True),
        ((500, -499), False),
    ],
)
def test_missing_follows_the_contract(sample: tuple[float, float], gone: bool) -> None:
    """Source: contract, "missing gaze": one zero coordinate is data."""
    stream = channels("left ScreenX", "left ScreenY")
    assert missing(np.array([sample], float), stream, SETUP)["left"][0] == gone


def test_raw_pixels_have_no_screen_to_leave() -> None:
    stream = channels("left PupilX", "left PupilY")
    far = np.array([[1e5, -1e5], [0, 0], [0, 7]], float)
    assert missing(far, stream, SETUP)["left"].tolist() == [False, True, False]


def test_declared_sentinels_replace_the_default() -> None:
    stream = channels("left ScreenX", "left ScreenY")
    samples = np.array([[-999, -999], [0, 0]], float)
    found = missing(samples, stream, SETUP, sentinels=(-999,))["left"]
    assert found.tolist() == [True, False]
