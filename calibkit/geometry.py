"""Screen pixels, millimetres and degrees of visual angle.

Pixels have their origin at the screen's top-left corner, x to the right, y down.
Millimetres count from the screen's centre, right and down. The viewing position lies
on the normal through the centre unless the set-up gives `eye_mm`.

Two kinds of angle, never to be mixed: *field angles* (h, v) locate a point and can be
turned back into pixels; the *angle between* two lines of sight says how far apart two
points look and is exact off-axis, where the hypotenuse of field angles is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit.errors import InputError

Array = NDArray[np.float64]
Number = TypeVar("Number", float, NDArray[np.float64])


@dataclass(frozen=True, kw_only=True)
class Setup:
    """The screen, and where it is seen from.

    Parameters
    ----------
    screen_px : pair of int
        Width and height in pixels.
    screen_mm : pair of float
        Width and height of the picture in millimetres.
    distance_mm : float
        From the eyes to the screen, along its normal.
    background : three floats, 0-1
        Red, green and blue of the background.
    eye_mm : three floats, optional
        Viewing position: right, down and towards the viewer, from the screen's
        centre; its third value takes the place of `distance_mm`.

    Raises
    ------
    InputError
        When a value is not finite, not positive or not plausible.
    """

    screen_px: tuple[int, int]
    screen_mm: tuple[float, float]
    distance_mm: float
    background: tuple[float, float, float] = (0.5, 0.5, 0.5)
    eye_mm: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        px = _numbers("screen_px", self.screen_px, 2, 1, 100_000)
        mm = _numbers("screen_mm", self.screen_mm, 2, 10, 20_000)
        distance = _numbers("distance_mm", (self.distance_mm,), 1, 10, 20_000)
        background = _numbers("background", self.background, 3, 0, 1)
        object.__setattr__(self, "screen_px", tuple(round(v) for v in px))
        object.__setattr__(self, "screen_mm", mm)
        object.__setattr__(self, "distance_mm", distance[0])
        object.__setattr__(self, "background", background)
        if self.eye_mm is not None:
            eye = _numbers("eye_mm", self.eye_mm, 3, -20_000, 20_000)
            if eye[2] < 10:
                raise InputError(
                    f"eye_mm has {eye[2]:g} mm towards the viewer; give the distance "
                    "from the screen's plane to the eyes, at least 10 mm"
                )
            object.__setattr__(self, "eye_mm", eye)

    @property
    def viewpoint_mm(self) -> tuple[float, float, float]:
        """Right, down and towards the viewer, from the screen's centre."""
        return self.eye_mm or (0.0, 0.0, self.distance_mm)

    def differences(self, other: Setup, tolerance: float = 0.02) -> list[str]:
        """Name the fields in which another set-up differs by more than `tolerance`."""
        found = []
        for name in ("screen_px", "screen_mm", "distance_mm"):
            mine = np.atleast_1d(np.asarray(getattr(self, name), float))
            theirs = np.atleast_1d(np.asarray(getattr(other, name), float))
            if np.any(np.abs(mine - theirs) > tolerance * np.abs(mine)):
                found.append(name)
        return found


SETUP_FIELDS = tuple(field.name for field in fields(Setup))


def _numbers(
    name: str, value: Sequence[float], count: int, low: float, high: float
) -> tuple[float, ...]:
    try:
        numbers = tuple(float(v) for v in np.asarray(value, float).ravel())
    except (TypeError, ValueError):
        numbers = ()
    if len(numbers) != count:
        raise InputError(f"{name} needs {count} number(s), not {value!r}")
    if not all(math.isfinite(v) and low <= v <= high for v in numbers):
        shown = " x ".join(f"{v:g}" for v in numbers)
        raise InputError(f"{name} is {shown}; it must lie between {low:g} and {high:g}")
    return numbers


def _points(xy: ArrayLike) -> Array:
    points = np.asarray(xy, float)
    return points[None, :] if points.ndim == 1 else points


def px_to_mm(setup: Setup, xy: ArrayLike) -> Array:
    """Turn screen pixels into millimetres from the screen's centre.

    Parameters
    ----------
    setup : Setup
    xy : array (n, 2), px

    Returns
    -------
    array (n, 2), mm, right and down
    """
    size = np.asarray(setup.screen_px, float)
    return (_points(xy) / size - 0.5) * np.asarray(setup.screen_mm)


def mm_to_px(setup: Setup, mm: ArrayLike) -> Array:
    """Turn millimetres from the screen's centre into pixels, (n, 2) each."""
    size = np.asarray(setup.screen_px, float)
    return (_points(mm) / np.asarray(setup.screen_mm) + 0.5) * size


def px_to_angles(setup: Setup, xy: ArrayLike) -> Array:
    """Turn screen pixels into field angles: horizontal and vertical, separately.

    Parameters
    ----------
    setup : Setup
    xy : array (n, 2), px

    Returns
    -------
    array (n, 2), degrees: atan2(right, depth) and atan2(down, depth)
    """
    right, down, depth = setup.viewpoint_mm
    return np.degrees(np.arctan2(px_to_mm(setup, xy) - (right, down), depth))


def angles_to_px(setup: Setup, hv: ArrayLike) -> Array:
    """Turn field angles (n, 2) in degrees back into screen pixels (n, 2)."""
    right, down, depth = setup.viewpoint_mm
    # 89 degrees is far beyond any screen; a tangent past 90 would come back mirrored.
    flat = np.clip(_points(hv), -89.0, 89.0)
    return mm_to_px(setup, np.tan(np.radians(flat)) * depth + (right, down))


def tangent(angle: Number) -> Number:
    """Tangent of angles below a right one, by arithmetic alone.

    The usual ones differ in their last bit between one number and many, and between
    processors; sums and quotients do not. Within 2e-15 of the value up to 85 degrees.

    Parameters
    ----------
    angle : float or array, radians

    Returns
    -------
    float or array

    Source
    ------
    Lambert's continued fraction of half the angle (DLMF 4.25.1), then the tangent of
    the double angle (DLMF 4.21.28).
    """
    half = 0.5 * angle
    square = half * half
    below = 11.0 - square / (13.0 - square / (15.0 - square / 17.0))
    below = 5.0 - square / (7.0 - square / (9.0 - square / below))
    t = half / (1.0 - square / (3.0 - square / below))
    return (t + t) / (1.0 - t * t)


def px_per_degree(setup: Setup, xy: ArrayLike) -> Array:
    """Local scale of the field angles: pixels per degree of h and of v.

    Parameters
    ----------
    setup : Setup
    xy : array (n, 2), px

    Returns
    -------
    array (n, 2), px per degree
    """
    depth = setup.viewpoint_mm[2]
    slope = np.cos(np.radians(px_to_angles(setup, xy))) ** -2
    pitch = np.asarray(setup.screen_mm) / np.asarray(setup.screen_px, float)
    return slope * depth * math.radians(1.0) / pitch


def _sight(setup: Setup, xy: ArrayLike) -> Array:
    right, down, depth = setup.viewpoint_mm
    flat = px_to_mm(setup, xy) - (right, down)
    return np.column_stack([flat, np.full(len(flat), depth)])


def directions(setup: Setup, xy: ArrayLike) -> Array:
    """Unit vectors (n, 3) from the viewing position: right, down, into the screen."""
    sight = _sight(setup, xy)
    unit: Array = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    return unit


def _cross(a: Array, b: Array) -> Array:
    """Cross products (n, 3), as `np.cross` to the bit, in less than half its time."""
    (ax, ay, az), (bx, by, bz) = a.T, b.T
    return np.column_stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def angle_between(setup: Setup, a_px: ArrayLike, b_px: ArrayLike) -> Array:
    """Exact angle between the lines of sight to two points.

    Parameters
    ----------
    setup : Setup
    a_px, b_px : array (n, 2), px

    Returns
    -------
    array (n,), degrees

    Notes
    -----
    atan2(|a x b|, a . b), which stays exact for small angles, where the arccosine of
    the dot product does not.
    """
    a, b = _sight(setup, a_px), _sight(setup, b_px)
    across = np.linalg.norm(_cross(a, b), axis=1)
    return np.degrees(np.arctan2(across, np.sum(a * b, axis=1)))


def offset_deg(setup: Setup, target_px: ArrayLike, gaze_px: ArrayLike) -> Array:
    """Signed offset of gaze from target, as seen by the person.

    Parameters
    ----------
    setup : Setup
    target_px, gaze_px : array (n, 2), px

    Returns
    -------
    array (n, 2), degrees, right and down positive. Its length is exactly
    `angle_between`; its direction is that of the gaze in the plane square to the line
    of sight to the target.
    """
    target, gaze = directions(setup, target_px), directions(setup, gaze_px)
    right = _cross(np.array([[0.0, 1.0, 0.0]]), target)
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    down = _cross(target, right)
    flat = np.column_stack([np.sum(gaze * right, axis=1), np.sum(gaze * down, axis=1)])
    length = np.linalg.norm(flat, axis=1, keepdims=True)
    heading = np.divide(flat, length, out=np.zeros_like(flat), where=length > 0)
    heading[np.isnan(flat)] = np.nan
    return heading * angle_between(setup, target_px, gaze_px)[:, None]


def area_to_px(setup: Setup, points: ArrayLike, span: float | Sequence[float]) -> Array:
    """Turn fractions of the stimulus area, a centred part of the screen, into pixels.

    Parameters
    ----------
    setup : Setup
    points : array (n, 2)
        (0, 0) top-left to (1, 1) bottom-right of the area.
    span : float or pair of float, 0-1
        The area's share of the screen's width and height.
    """
    share = np.broadcast_to(np.asarray(span, float), (2,))
    size = np.asarray(setup.screen_px, float)
    return (0.5 + (_points(points) - 0.5) * share) * size
