"""Pixels, millimetres and degrees, against worked examples and great circles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibkit.errors import InputError
from calibkit.geometry import (
    Setup,
    angle_between,
    angles_to_px,
    area_to_px,
    directions,
    mm_to_px,
    offset_deg,
    px_per_degree,
    px_to_angles,
    px_to_mm,
    tangent,
)

# A 1920 x 1080 screen of 0.27675 mm pitch at 650 mm: computed afresh with plain
# trigonometry (atan2 of cross and dot product), not with this module.
WORKED = Setup(
    screen_px=(1920, 1080), screen_mm=(531.36, 531.36 * 1080 / 1920), distance_mm=650
)
OFFICE = Setup(screen_px=(1920, 1080), screen_mm=(527, 296.5), distance_mm=650)

inside = st.floats(-2000, 4000, allow_nan=False)


def test_a_degree_at_the_centre_is_2_d_tan_half_a_degree() -> None:
    """Source: elementary trigonometry, 2 x 650 x tan(0.5 deg) = 11.3449 mm."""
    one_degree = 2 * 650 * math.tan(math.radians(0.5))
    assert one_degree == pytest.approx(11.3449, abs=1e-3)
    pixels = one_degree / 0.27675
    assert pixels == pytest.approx(40.993, abs=1e-2)
    a, b = (960 - pixels / 2, 540), (960 + pixels / 2, 540)
    assert angle_between(WORKED, a, b)[0] == pytest.approx(1.0, abs=1e-12)


def test_off_axis_error_is_exact_and_not_scaled_from_the_centre() -> None:
    """Source: worked example, exact 1.13432 deg where centre scaling says 1.2197."""
    exact = angle_between(WORKED, (1700, 900), (1740, 870))[0]
    assert exact == pytest.approx(1.13432, abs=1e-4)
    assert abs(exact - 1.2197) > 0.08


@pytest.mark.parametrize(
    ("a_mm", "b_mm", "degrees"),
    [
        ((0, 0), (10, 0), 0.95484),
        ((200, 100), (210, 100), 0.84585),
        ((300, 0), (310, 0), 0.75884),
        ((300, 0), (300, 10), 0.85405),
    ],
)
def test_radial_and_tangential_scale(
    a_mm: tuple[float, float], b_mm: tuple[float, float], degrees: float
) -> None:
    """Source: cos^2 and cos of the eccentricity, worked by hand for D = 600 mm."""
    setup = Setup(screen_px=(1000, 1000), screen_mm=(800, 800), distance_mm=600)
    a, b = mm_to_px(setup, a_mm), mm_to_px(setup, b_mm)
    assert angle_between(setup, a, b)[0] == pytest.approx(degrees, abs=1e-4)


@pytest.mark.parametrize(
    ("point", "degrees"),
    [((1060, 540), 2.418024638), ((0, 0), 24.945050466), ((100, 980), 22.192793797)],
)
def test_eccentricity_by_hand(point: tuple[float, float], degrees: float) -> None:
    """Source: computed by hand; the corner is not the hypotenuse of its angles."""
    found = angle_between(OFFICE, (960, 540), point)[0]
    assert found == pytest.approx(degrees, abs=1e-8)


def test_corner_is_the_angular_separation_of_the_sphere() -> None:
    """Source: Vincenty's great-circle formula, as astronomy libraries use it."""
    right, down = px_to_mm(OFFICE, (0.0, 0.0))[0]
    longitude = math.atan2(right, 650)
    latitude = math.atan2(down, math.hypot(right, 650))
    separation = math.atan2(
        math.hypot(
            math.cos(latitude) * math.sin(longitude),
            math.sin(latitude),
        ),
        math.cos(latitude) * math.cos(longitude),
    )
    exact = angle_between(OFFICE, (960, 540), (0, 0))[0]
    assert exact == pytest.approx(math.degrees(separation), abs=1e-10)
    flat = np.hypot(*px_to_angles(OFFICE, (0, 0))[0])
    assert flat - exact == pytest.approx(0.59, abs=0.01)


def test_kappa_on_the_screen() -> None:
    """Source: 600 tan 5 deg = 52.493 mm, 600 tan 1.5 deg = 15.712 mm."""
    setup = Setup(screen_px=(1000, 1000), screen_mm=(400, 400), distance_mm=600)
    mm = px_to_mm(setup, angles_to_px(setup, (5.0, 1.5)))[0]
    assert mm == pytest.approx([52.493, 15.712], abs=1e-3)


@given(inside, inside)
def test_field_angles_come_back(x: float, y: float) -> None:
    back = angles_to_px(OFFICE, px_to_angles(OFFICE, (x, y)))
    assert back[0] == pytest.approx([x, y], abs=1e-6)


@given(inside, inside, inside, inside)
def test_offset_has_the_exact_length_and_sign(
    x: float, y: float, u: float, v: float
) -> None:
    offset = offset_deg(OFFICE, (x, y), (u, v))[0]
    exact = angle_between(OFFICE, (x, y), (u, v))[0]
    assert np.hypot(*offset) == pytest.approx(exact, abs=1e-9)
    if abs(u - x) > 1 and abs(v - y) < 1e-9 and abs(y - 540) < 1e-9:
        assert np.sign(offset[0]) == np.sign(u - x)


def test_offset_points_right_and_down() -> None:
    offset = offset_deg(OFFICE, (960, 540), [(1000, 540), (960, 600)])
    assert offset[0, 0] > 0
    assert offset[0, 1] == pytest.approx(0, abs=1e-12)
    assert offset[1, 1] > 0
    assert np.isnan(offset_deg(OFFICE, (960, 540), (np.nan, 3.0))).all()
    assert offset_deg(OFFICE, (960, 540), (960, 540)) == pytest.approx(0)


@given(inside, inside)
def test_local_scale_is_the_derivative(x: float, y: float) -> None:
    here = px_to_angles(OFFICE, (x, y))
    step = 1e-4
    slope = (angles_to_px(OFFICE, here + step) - angles_to_px(OFFICE, here - step)) / (
        2 * step
    )
    assert px_per_degree(OFFICE, (x, y))[0] == pytest.approx(slope[0], rel=1e-5)


def test_another_viewing_position_moves_the_zero() -> None:
    setup = Setup(
        screen_px=(1920, 1080),
        screen_mm=(527, 296.5),
        distance_mm=650,
        eye_mm=(30, -20, 500),
    )
    foot = mm_to_px(setup, (30, -20))
    assert px_to_angles(setup, foot)[0] == pytest.approx([0, 0], abs=1e-12)
    assert directions(setup, foot)[0] == pytest.approx([0, 0, 1])


def test_the_stimulus_area_is_a_centred_fraction() -> None:
    points = area_to_px(OFFICE, [(0, 0), (1, 1), (0.5, 0.5)], (0.8, 0.5))
    assert points == pytest.approx(np.array([[192, 270], [1728, 810], [960, 540]]))


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"distance_mm": 0}, "distance_mm"),
        ({"distance_mm": math.nan}, "distance_mm"),
        ({"screen_mm": (52.0, 2.9)}, "screen_mm"),
        ({"screen_px": (1920,)}, "screen_px"),
        ({"background": (0, 0, 2)}, "background"),
        ({"eye_mm": (0, 0, -5)}, "eye_mm"),
    ],
)
def test_implausible_setups_are_refused_by_name(
    change: dict[str, object], word: str
) -> None:
    good: dict[str, object] = {
        "screen_px": (1920, 1080),
        "screen_mm": (527, 296.5),
        "distance_mm": 650,
    }
    with pytest.raises(InputError, match=word):
        Setup(**(good | change))  # type: ignore[arg-type]


def test_differences_name_the_fields() -> None:
    other = Setup(screen_px=(1920, 1080), screen_mm=(400, 225), distance_mm=655)
    assert OFFICE.differences(other) == ["screen_mm"]


def test_the_tangent_is_one_and_the_same_for_one_and_for_many() -> None:
    """Source: numpy's own tangent, within a few units in the last place."""
    angles = np.concatenate([np.radians(np.linspace(-85, 85, 20_001)), [0.0, 1e-300]])
    many = tangent(angles)
    np.testing.assert_allclose(many, np.tan(angles), rtol=3e-15, atol=0.0)
    one_by_one = [tangent(angle) for angle in angles.tolist()]
    np.testing.assert_array_equal(many, one_by_one)
    assert math.isnan(tangent(math.nan))
