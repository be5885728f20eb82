"""Rays on a cornea: reflection, refraction, thin lens, rotation, pinhole.

Vectors are arrays (3, ...), x, y, z first and a sample in each place of the rest, here
written (3, n). Every step is elementwise: a sample's figures then do not depend on how
many others are worked out with it.

The cornea is an ellipsoid with its centre at the origin and half axes along x, y, z.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

INDEX = 1.3375
"""Keratometric index of cornea and aqueous together (literature, from memory)."""

# Each round of `reflect` shrinks the error some 70-fold, each of `refract` some 7-fold,
# a leap to where two steps point some 50-fold; these counts leave residuals below
# 1e-9 at the widest gaze angles and through spectacles.
_REFLECT_ROUNDS = 7
_REFRACT_ROUNDS = 9
_LEAPS = (2, 5)


def dot(a: Array, b: Array) -> Array:
    """Scalar products (n,) of columns."""
    out: Array = np.add.reduce(a * b)
    return out


def unit(a: Array) -> Array:
    """Columns scaled to length one."""
    out: Array = a / np.sqrt(dot(a, a))
    return out


def touch(axes: Array, normal: Array) -> Array:
    """Point of the ellipsoid whose outward normal is along `normal`.

    Parameters
    ----------
    axes : array (3, 1), mm
        Half axes.
    normal : array (3, n)
        Any length.

    Returns
    -------
    array (3, n), mm
    """
    squared = axes * axes
    pushed = squared * normal
    out: Array = pushed / np.sqrt(dot(normal, pushed))
    return out


def reflect(axes: Array, light: Array, camera: Array) -> Array:
    """Find where an ellipsoid mirrors a light into a camera.

    Parameters
    ----------
    axes : array (3, 1), mm
    light, camera : array (3, n), mm

    Returns
    -------
    array (3, n), mm
        Points whose normal halves the angle between the rays to light and camera.

    Notes
    -----
    The normal lies along the sum of the two unit rays; both are far away, so putting
    the point back where the normal is that sum converges at once.
    """
    point = touch(axes, unit(light) + unit(camera))
    for _ in range(_REFLECT_ROUNDS):
        point = touch(axes, unit(light - point) + unit(camera - point))
    return point


def bend_inward(ray: Array, normal: Array, index: float = INDEX) -> Array:
    """Refract a ray from air into the eye.

    Parameters
    ----------
    ray : array (3, n)
        Unit vectors from the surface *towards* the source in air.
    normal : array (3, n)
        Outward unit normals.
    index : float

    Returns
    -------
    array (3, n)
        Unit vectors that point outward along the inner ray, so that the light itself
        travels against them.

    Notes
    -----
    Snell's law in vector form: index * inner - ray is along the normal.
    """
    cos_air = dot(ray, normal)
    cos_eye = np.sqrt(1.0 - (1.0 - cos_air * cos_air) / index**2)
    out: Array = ray / index + (cos_eye - cos_air / index) * normal
    return out


def leave(axes: Array, start: Array, ray: Array) -> Array:
    """Point where a ray from inside the ellipsoid meets it, (3, n)."""
    scaled, heading = start / axes, ray / axes
    a, b = dot(heading, heading), dot(scaled, heading)
    c = dot(scaled, scaled) - 1.0
    out: Array = start + (np.sqrt(b * b - a * c) - b) / a * ray
    return out


def refract(axes: Array, inside: Array, camera: Array, index: float = INDEX) -> Array:
    """Find where the ray from a point inside to a camera leaves the ellipsoid.

    Parameters
    ----------
    axes : array (3, 1), mm
    inside : array (3, n), mm
        Points of the pupil.
    camera : array (3, n), mm
    index : float

    Returns
    -------
    array (3, n), mm
        Points of the surface where Snell's law holds.

    Notes
    -----
    The inner ray that a guess would need is sent out again from the inner point. Its
    turn follows the guess only weakly (by (1 - 1 / index) * depth / radius), so the
    rounds shrink the error steadily, by nearly the same factor each: twice, two steps
    give the factor and with it the end of the series (Aitken).
    """
    squared = axes * axes
    point = leave(axes, inside, unit(camera - inside))
    last = point
    for number in range(_REFRACT_ROUNDS):
        inner = bend_inward(unit(camera - point), unit(point / squared), index)
        step = leave(axes, inside, inner) - point
        point = point + step
        if number in _LEAPS:
            factor = dot(step, last) / (dot(last, last) + 1e-300)
            point = point + step * (factor / (1.0 - factor))
        last = step
    return point


def turn(a: Array, b: Array, x: Array) -> Array:
    """Turn `x` by the shortest rotation that takes unit vector `a` to `b` (Listing)."""
    both = a + b
    out: Array = x - dot(both, x) / (1.0 + dot(a, b)) * both + 2.0 * dot(a, x) * b
    return out


def rotate(matrix: Array, x: Array) -> Array:
    """Turn vectors (3, ...) by rotations (3, 3, ...), elementwise."""
    out: Array = matrix[:, 0] * x[0] + matrix[:, 1] * x[1] + matrix[:, 2] * x[2]
    return out


def turned_back(matrix: Array) -> Array:
    """The inverse of rotations (3, 3, ...)."""
    return matrix.swapaxes(0, 1)


def head_rotation(pitch_deg: Array, yaw_deg: Array, roll_deg: Array) -> Array:
    """Rotations (3, 3, n): roll about z first, then pitch about x, then yaw about y."""
    p, y, r = np.radians(pitch_deg), np.radians(yaw_deg), np.radians(roll_deg)
    cp, sp, cy, sy, cr, sr = (f(v) for v in (p, y, r) for f in (np.cos, np.sin))
    return np.array(
        [
            [cy * cr + sy * sp * sr, -cy * sr + sy * sp * cr, sy * cp],
            [cp * sr, cp * cr, -sp],
            [-sy * cr + cy * sp * sr, sy * sr + cy * sp * cr, cy * cp],
        ]
    )


def seen_through(lens: Array, normal: Array, power: Array, point: Array) -> Array:
    """Image of a point in an ideal thin lens.

    Parameters
    ----------
    lens : array (3, 1), mm
        The lens's centre.
    normal : array (3, 1)
        Unit vector along its axis.
    power : array (1,), dioptres
        0 leaves everything where it is.
    point : array (3, n), mm
        Not in the focal plane.

    Returns
    -------
    array (3, n), mm
        The point from which the rays of `point` seem to come on the lens's other side:
        1 / image = power + 1 / object, along the ray through the centre.
    """
    away = point - lens
    # Object in front at depth d: vergence -1/d; image vergence power - 1/d.
    depth = np.abs(dot(away, normal)) / 1000.0
    out: Array = lens + away / (1.0 - power * depth)
    return out


def meet_plane(lens: Array, normal: Array, start: Array, end: Array) -> Array:
    """Where the line from `start` to `end` crosses the plane of a lens, (3, n)."""
    along = end - start
    share = dot(lens - start, normal) / dot(along, normal)
    out: Array = start + share * along
    return out
