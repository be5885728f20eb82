"""The webcam: iris within the eye's corners, lids, the head's pose, and much noise.

What a landmark program would find is worked out from turning eyeballs in a turning
head; its own mistakes (jitter of the corners, lids that pull the iris, poses that are
off) are added to it. Their sizes follow a feasibility test on one photograph: about 1
degree a frame across, 2 to 3 down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.simulation.desks import Desk
from calibkit.simulation.eyes import AHEAD, Eyes, Pose, into_world
from calibkit.simulation.optics import Array, turn

IRIS_MM = 5.9
_IRIS_BEHIND_APEX_MM = 2.6

HEAD = ("HeadYaw", "HeadPitch", "HeadRoll", "HeadScale", "HeadX", "HeadY")


@dataclass(frozen=True, kw_only=True, eq=False)
class Face:
    """Where a program would put the landmarks of one person's face.

    Parameters
    ----------
    corners_mm : array (3, 2, 2)
        By axis, eye and corner (screen-left, screen-right), from the turning centres.
    lid_mm : array (2, 2)
        Per eye, heights of upper and lower lid over the turning centre.
    pull : float
        Share of the iris's height that is really the middle of its visible part.
    pose_gain, pose_bias_deg : arrays (3,)
        The pose program's answer: gain and offset of yaw, pitch, roll.
    """

    corners_mm: Array
    lid_mm: Array
    pull: float
    pose_gain: Array
    pose_bias_deg: Array


def draw_face(rng: np.random.Generator, droop: float) -> Face:
    """Draw a face; figures from memory of the anatomy of lids and corners."""
    corners = np.zeros((3, 2, 2))
    corners[0] = np.array([[-16.0, 14.0], [-14.0, 16.0]]) + rng.normal(0, 0.8)
    corners[0] += rng.normal(0, 0.45, (2, 2))
    corners[1] = 0.5 + rng.normal(0, 0.7) + rng.normal(0, 0.45, (2, 2))
    corners[2] = np.array([[-6.0, -9.0], [-9.0, -6.0]]) + rng.normal(0, 0.8, (2, 2))
    upper = 4.4 * (1 - droop) + rng.normal(0, 0.4) + rng.normal(0, 0.15, 2)
    lower = -5.2 + rng.normal(0, 0.3) + rng.normal(0, 0.15, 2)
    return Face(
        corners_mm=corners,
        lid_mm=np.column_stack([upper, lower]),
        pull=float(rng.uniform(0.25, 0.6)),
        pose_gain=rng.normal(0.95, 0.06, 3),
        pose_bias_deg=rng.normal(0, [3.0, 5.0, 1.0]),
    )


def channels() -> tuple[Channel, ...]:
    """Per eye the iris and the lids' opening; the head; one confidence."""
    eyes = tuple(
        Channel(label=f"{eye}_{name}", eye=eye, type=kind, unit="normalized")
        for eye in ("left", "right")
        for name, kind in (
            ("iris_x", "PupilX"),
            ("iris_y", "PupilY"),
            ("opening", "Openness"),
        )
    )
    head = tuple(
        Channel(
            label=name.lower(),
            eye="both",
            type=name,
            unit="degrees" if name in HEAD[:3] else "normalized",
        )
        for name in HEAD
    )
    confidence = Channel(
        label="confidence", eye="both", type="Confidence", unit="normalized"
    )
    return (*eyes, *head, confidence)


def noise_sd() -> tuple[Array, Array]:
    """Standard deviations (13,) of white and slow noise, in channel order."""
    white = [0.003, 0.006, 0.01] * 2 + [0.4, 0.5, 0.2, 0.004, 0.001, 0.001, 0.02]
    slow = [0.0035, 0.007, 0.01] * 2 + [0.5, 0.7, 0.25, 0.004, 0.001, 0.001, 0.02]
    return np.array(white), np.array(slow)


def doubt(samples: Array, lid: Array, gone: NDArray[np.bool_]) -> Array:
    """Answer half-shut lids with doubt, shut or lost eyes (2, n) not at all."""
    samples[gone[0], 0:3] = np.nan
    samples[gone[1], 3:6] = np.nan
    samples[:, -1] = np.clip(samples[:, -1] - 0.8 * lid, 0.0, 1.0)
    return samples


def samples(
    eyes: Eyes, face: Face, desk: Desk, pose: Pose, sight: Array, lid: Array
) -> Array:
    """Rows (n, 13) of the stream without noise.

    Parameters
    ----------
    eyes : Eyes
    face : Face
    desk : Desk
    pose : Pose
    sight : array (3, 2, n)
    lid : array (n,)
        How far the lids are shut, 0-1.
    """
    iris = _iris(eyes, sight)
    iris_shown, opening = _lidded(eyes, face, iris, lid)
    spots = [iris_shown + eyes.centre_mm]
    for corner in (0, 1):
        place = (eyes.centre_mm[:, :, 0] + face.corners_mm[:, :, corner])[:, :, None]
        spots.append(place + 0.0 * iris)
    shown, left, right = (desk.project(into_world(pose, spot)) for spot in spots)
    across, width = right - left, np.hypot(*(right - left))
    across = across / width
    off = (shown - (left + right) / 2) / width
    x = off[0] * across[0] + off[1] * across[1]
    y = off[1] * across[0] - off[0] * across[1]
    wide_mm = np.hypot(*(face.corners_mm[:2, :, 1] - face.corners_mm[:2, :, 0]))
    rows = [np.stack([x[e], y[e], opening[e] / wide_mm[e]], axis=1) for e in (0, 1)]
    return np.concatenate([*rows, _head(face, desk, pose, left, right)], axis=1)


def _iris(eyes: Eyes, sight: Array) -> Array:
    """Centre of the iris (3, 2, n) from the turning centres, in the head's axes."""
    reach = (eyes.apex_mm - _IRIS_BEHIND_APEX_MM)[:, None]
    iris: Array = reach * turn(AHEAD, sight, eyes.optical)
    return iris


def _lidded(eyes: Eyes, face: Face, iris: Array, lid: Array) -> tuple[Array, Array]:
    """Iris as it shows between the lids, and the opening (2, n) in mm."""
    # The upper lid follows the gaze up and down, the lower one less.
    height = -iris[1]
    upper = face.lid_mm[:, :1] + 0.7 * height
    lower = face.lid_mm[:, 1:] + 0.35 * height
    upper = upper - lid * 0.85 * (upper - lower)
    top = np.minimum(height + IRIS_MM, upper)
    bottom = np.maximum(height - IRIS_MM, lower)
    seen = (1 - face.pull) * height + face.pull * (top + bottom) / 2
    shown = iris.copy()
    shown[1] = -seen
    return shown, upper - lower


def _head(face: Face, desk: Desk, pose: Pose, left: Array, right: Array) -> Array:
    """Yaw, pitch, roll, scale, x, y and confidence (n, 7), as a program finds them."""
    pitch, yaw, roll = pose.turn_deg
    angles = np.stack([yaw, pitch, roll], axis=1) * face.pose_gain + face.pose_bias_deg
    middle = (left + right) / 2
    apart = np.hypot(*(middle[:, 1] - middle[:, 0]))
    size = np.array(desk.size_px, float)
    centre = (middle[:, 0] + middle[:, 1]) / 2
    place = centre.T / size
    usual = desk.focal_px * 63.0 / desk.setup.viewpoint_mm[2]
    sure = np.full(len(yaw), 0.95) - 0.004 * np.abs(yaw)
    return np.column_stack([angles, apart / usual, place, sure])
