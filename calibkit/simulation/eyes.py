"""A person's two eyes as bodies: corneas, pupils, turning, and what a camera sees.

Head axes are the world's when the head is straight: x right, y down, z backwards, so
that the person looks along -z; the origin lies midway between the turning centres.
Arrays hold both eyes, left then right: vectors (3, 2, n), constants (3, 2, 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibkit.simulation import optics
from calibkit.simulation.desks import Desk
from calibkit.simulation.optics import Array, dot, rotate, turn

AHEAD = np.array([0.0, 0.0, -1.0]).reshape(3, 1, 1)

# A reflex further out than this (mm from the axis) falls on the white of the eye.
_CLEAR_CORNEA_MM = 5.6
_AIM_ROUNDS = 5
_RIM = np.radians([0.0, 90.0, 180.0, 270.0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Eyes:
    """The bodies of both eyes, left then right.

    Parameters
    ----------
    centre_mm : array (3, 2, 1)
        Turning centres in the head.
    kappa_deg : array (2, 2)
        Per eye, how far the visual axis lies to the nose and above the optical one.
    axes_mm : array (3, 2, 1)
        Half axes of the corneal ellipsoids; the third is the optical axis.
    spin_deg : array (2,)
        Turn of the flat meridian about the optical axis.
    apex_mm, pupil_depth_mm : array (2,)
        Apex in front of the turning centre; pupil behind the apex.
    slide_mm : array (2, 2)
        Per eye, shift of the pupil's centre to the right and down, per millimetre of
        diameter: the pupil-size artefact.
    power : array (2, 1)
        Spectacle lenses, dioptres; 0 is none.
    lens_mm, lens_axis : array (3, 2, 1)
        Their centres in the head and unit axes.
    """

    centre_mm: Array
    kappa_deg: Array
    axes_mm: Array
    spin_deg: Array
    apex_mm: Array
    pupil_depth_mm: Array
    slide_mm: Array
    power: Array
    lens_mm: Array
    lens_axis: Array

    @cached_property
    def optical(self) -> Array:
        """Optical axes (3, 2, 1) while the visual axes look straight ahead."""
        nasal = np.radians(self.kappa_deg[:, 0]) * (1, -1)
        up = np.radians(self.kappa_deg[:, 1])
        # The left eye's nose lies to the right: its optical axis points left of
        # where it looks, the right eye's to the right; both below.
        right, down = -np.tan(nasal), np.tan(up)
        return optics.unit(np.stack([right, down, -np.ones(2)])[:, :, None])

    @cached_property
    def knot_mm(self) -> Array:
        """Distance (2, 1) from turning centre to the centre of corneal curvature.

        The visual axis passes through it, as in the usual simplified eye.
        """
        radius = np.sqrt(self.axes_mm[0] * self.axes_mm[1]) ** 2 / self.axes_mm[2]
        knot: Array = self.apex_mm[:, None] - radius
        return knot

    @cached_property
    def frame(self) -> Array:
        """Rotations (3, 3, 2, 1) from the ellipsoid's axes to the head, eyes ahead."""
        spin = np.radians(self.spin_deg)
        c, s, none = np.cos(spin), np.sin(spin), np.zeros(2)
        basis = np.array([[c, s, none], [-s, c, none], [none, none, none - 1]])
        turned = [
            turn(AHEAD, self.optical, basis[i].reshape(3, 2, 1)) for i in range(3)
        ]
        return np.stack(turned, axis=1)


@dataclass(frozen=True, kw_only=True, eq=False)
class Pose:
    """Where head and eyes are, a sample at a time.

    Parameters
    ----------
    head_mm : array (3, n)
        Origin of the head in the world.
    turn_deg : array (3, n)
        Pitch, yaw and roll of the head.
    aim_mm : array (3, 2, n)
        What each eye looks at, in the world.
    pupil_mm : array (2, n)
        Diameters.
    """

    head_mm: Array
    turn_deg: Array
    aim_mm: Array
    pupil_mm: Array

    @cached_property
    def rotation(self) -> Array:
        """Rotations (3, 3, 1, n) from the head to the world."""
        return optics.head_rotation(*self.turn_deg)[:, :, None, :]


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """Camera pictures of both eyes, pixels: (2, 2, n) are x, y by eye by sample.

    Parameters
    ----------
    pupil : array (2, 2, n)
    reflexes : array (2, 2, l, n)
        One for each light; NaN off the cornea.
    diameter : array (2, n)
    """

    pupil: Array
    reflexes: Array
    diameter: Array


def into_head(pose: Pose, world: Array) -> Array:
    """World points (3, 2, n) in the head's axes."""
    away = world - pose.head_mm[:, None, :]
    return rotate(optics.turned_back(pose.rotation), away)


def into_world(pose: Pose, head: Array) -> Array:
    """Head points (3, 2, n) in the world's axes."""
    return rotate(pose.rotation, head) + pose.head_mm[:, None, :]


def through_lens(eyes: Eyes, point: Array) -> Array:
    """Where a point of the head's axes seems to be from behind the spectacles."""
    if not np.any(eyes.power):
        return point
    return optics.seen_through(eyes.lens_mm, eyes.lens_axis, eyes.power, point)


def look(eyes: Eyes, seen: Array) -> Array:
    """Turn the eyes by Listing's law until the visual axes meet what is seen.

    Parameters
    ----------
    eyes : Eyes
    seen : array (3, 2, n)
        In the head's axes, as seen through any spectacles.

    Returns
    -------
    array (3, 2, n)
        Unit vectors along the visual axes.
    """
    sight = optics.unit(seen - eyes.centre_mm)
    for _ in range(_AIM_ROUNDS):
        knot = eyes.centre_mm + eyes.knot_mm * turn(AHEAD, sight, eyes.optical)
        sight = optics.unit(seen - knot)
    return sight


def ellipsoid_mm(eyes: Eyes) -> Array:
    """Height (2,) of the ellipsoid's centre above the turning centre."""
    height: Array = eyes.apex_mm - eyes.axes_mm[2, :, 0]
    return height


def into_eye(eyes: Eyes, sight: Array, point: Array) -> Array:
    """Head points (3, 2, n) in the axes of the turned ellipsoid."""
    straight = turn(sight, AHEAD, point - eyes.centre_mm)
    local = rotate(optics.turned_back(eyes.frame), straight)
    local[2] -= ellipsoid_mm(eyes)[:, None]
    return local


def out_of_eye(eyes: Eyes, sight: Array, point: Array) -> Array:
    """Points (3, 2, n) of the turned ellipsoid in the head's axes."""
    raised = point.copy()
    raised[2] += ellipsoid_mm(eyes)[:, None]
    return eyes.centre_mm + turn(AHEAD, sight, rotate(eyes.frame, raised))


def pupil_rim(eyes: Eyes, pupil_mm: Array) -> Array:
    """Four points (3, 2, 4, n) of the pupil's rim in the ellipsoid's axes."""
    # The artefact counts from a 4 mm pupil, which lies on the optical axis.
    slide = eyes.slide_mm.T[:, :, None] * (pupil_mm - 4.0)
    spin = np.radians(eyes.spin_deg)[:, None]
    x = np.cos(spin) * slide[0] + np.sin(spin) * slide[1]
    y = -np.sin(spin) * slide[0] + np.cos(spin) * slide[1]
    depth = eyes.axes_mm[2, :, 0] - eyes.pupil_depth_mm
    half = pupil_mm[:, None, :] / 2
    rim_x = x[:, None, :] + half * np.cos(_RIM)[:, None]
    rim_y = y[:, None, :] + half * np.sin(_RIM)[:, None]
    return np.stack([rim_x, rim_y, 0 * rim_x + depth[:, None, None]])


def picture(eyes: Eyes, desk: Desk, pose: Pose, sight: Array) -> View:
    """Take the camera's picture of pupils and reflexes.

    Parameters
    ----------
    eyes : Eyes
    desk : Desk
    pose : Pose
    sight : array (3, 2, n)
        From `look`.

    Returns
    -------
    View
    """
    n = pose.head_mm.shape[1]
    count = len(desk.lights_mm)
    outside = _outside(eyes, pose, sight, (desk.camera_mm, *desk.lights_mm))
    camera, lights = outside[:, :, :n], outside[:, :, n:]
    mirror = optics.reflect(eyes.axes_mm, lights, np.tile(camera, (1, 1, count)))
    rim = pupil_rim(eyes, pose.pupil_mm).reshape(3, 2, -1)
    border = optics.refract(eyes.axes_mm, rim, np.tile(camera, (1, 1, 4)))
    spots = np.concatenate([mirror, border], axis=-1)
    seen = _photograph(eyes, desk, pose, sight, spots).reshape(2, 2, -1, n)
    reflexes, rim_px = seen[:, :, :count], seen[:, :, count:]
    off = mirror[0] ** 2 + mirror[1] ** 2 > _CLEAR_CORNEA_MM**2
    reflexes = np.where(off.reshape(2, count, n), np.nan, reflexes)
    return View(pupil=_middle(rim_px), reflexes=reflexes, diameter=_diameter(rim_px))


def _repeated(pose: Pose, sight: Array, times: int) -> tuple[Pose, Array]:
    """Return pose and sight for `times` points a sample, one block after another."""
    wide = Pose(
        head_mm=np.tile(pose.head_mm, (1, times)),
        turn_deg=np.tile(pose.turn_deg, (1, times)),
        aim_mm=pose.aim_mm,
        pupil_mm=pose.pupil_mm,
    )
    return wide, np.tile(sight, (1, 1, times))


def _outside(
    eyes: Eyes, pose: Pose, sight: Array, world: Sequence[tuple[float, float, float]]
) -> Array:
    """Return fixed world points (3, 2, k * n) in the turned ellipsoid's axes."""
    n = sight.shape[-1]
    wide, sights = _repeated(pose, sight, len(world))
    points = np.repeat(np.array(world).T[:, None, :], n, axis=2)
    return into_eye(eyes, sights, through_lens(eyes, into_head(wide, points)))


def _photograph(
    eyes: Eyes, desk: Desk, pose: Pose, sight: Array, spots: Array
) -> Array:
    """Return pixels (2, 2, k * n) of points on the corneas, through any spectacles."""
    wide, sights = _repeated(pose, sight, spots.shape[-1] // sight.shape[-1])
    head = out_of_eye(eyes, sights, spots)
    if np.any(eyes.power):
        point = np.reshape(desk.camera_mm, (3, 1, 1)) + np.zeros_like(head)
        seen_from = through_lens(eyes, into_head(wide, point))
        head = optics.meet_plane(eyes.lens_mm, eyes.lens_axis, head, seen_from)
    return desk.project(into_world(wide, head))


def _middle(rim: Array) -> Array:
    return (rim[:, :, 0] + rim[:, :, 1] + rim[:, :, 2] + rim[:, :, 3]) / 4


def _diameter(rim: Array) -> Array:
    a, b = rim[:, :, 0] - rim[:, :, 2], rim[:, :, 1] - rim[:, :, 3]
    return (np.hypot(a[0], a[1]) + np.hypot(b[0], b[1])) / 2


def kappa_of(eyes: Eyes, sight: Array) -> NDArray[np.float64]:
    """Angle (2, n) in degrees between visual and optical axes of the turned eyes."""
    optical = turn(AHEAD, sight, eyes.optical)
    return np.degrees(np.arccos(np.clip(dot(optical, sight), -1, 1)))
