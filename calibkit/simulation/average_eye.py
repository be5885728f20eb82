"""The tracker that answers in screen coordinates, taking every eye for the average.

It knows its desk and about how far away each eye is. From reflexes and pupil it works
out the centre of the cornea, the optical axis and where the visual axis meets the
screen, with the average person's constants. What is off is the person's own kappa,
radius, pupil depth, corneal shape, spectacles.
"""

from __future__ import annotations

import numpy as np

from calibkit.channels import Channel
from calibkit.geometry import mm_to_px
from calibkit.simulation import optics
from calibkit.simulation.bodies import PUPIL_MM, RADIUS_MM, average_eyes
from calibkit.simulation.desks import Desk
from calibkit.simulation.eyes import AHEAD, View
from calibkit.simulation.optics import Array, dot, turn, unit

POSITION_SD_MM = 2.0
_POSITION_QUICK_MM = 0.3
DIAMETER_SD_MM = 0.03
# Finer than the raw tracker's: such a device smooths its features before it answers.
STEADIER = 0.8


def channels(screen_unit: str) -> tuple[Channel, ...]:
    """Per eye: gaze on the screen, the eye's position and its pupil's diameter."""
    return tuple(
        Channel(label=f"{eye}_{name}", eye=eye, type=kind, unit=unit)
        for eye in ("left", "right")
        for name, kind, unit in (
            ("screen_x", "ScreenX", screen_unit),
            ("screen_y", "ScreenY", screen_unit),
            ("position_x", "PositionX", "mm"),
            ("position_y", "PositionY", "mm"),
            ("position_z", "PositionZ", "mm"),
            ("diameter", "Diameter", "mm"),
        )
    )


def noise_sd() -> tuple[Array, Array]:
    """Position and diameter of both eyes (8,): white and slow parts, crawling part."""
    quick = [_POSITION_QUICK_MM] * 6 + [DIAMETER_SD_MM] * 2
    return np.array(quick), np.array([POSITION_SD_MM] * 6 + [0.0] * 2)


def _rays(desk: Desk, px: Array) -> Array:
    """Unit vectors (3, ...) in the world from the camera through pixels (2, ...)."""
    x = (px[0] - desk.size_px[0] / 2) / desk.focal_px
    y = (px[1] - desk.size_px[1] / 2) / desk.focal_px
    ahead = unit(np.stack([x, y, np.ones_like(x)]))
    return optics.rotate(optics.turned_back(desk.axes), ahead)


def _sphere(ray: Array, start: Array, radius: float) -> Array:
    """First point at which rays meet spheres round the origin, (3, ...)."""
    along = dot(ray, start)
    inside = along * along - dot(start, start) + radius * radius
    return start + (-along - np.sqrt(np.maximum(inside, 0.0))) * ray


def corneal_centres(desk: Desk, view: View, range_mm: Array) -> Array:
    """Centre of the average cornea (3, 2, n) that would show these reflexes.

    Parameters
    ----------
    desk : Desk
    view : View
    range_mm : array (2, n)
        From the camera to the reflex.
    """
    camera = np.reshape(desk.camera_mm, (3, 1, 1))
    centres = []
    for k, light in enumerate(desk.lights_mm):
        spot = camera + range_mm * _rays(desk, view.reflexes[:, :, k])
        to_light = unit(np.reshape(light, (3, 1, 1)) - spot)
        centres.append(spot - RADIUS_MM * unit(to_light + unit(camera - spot)))
    return np.mean(centres, axis=0)


def gaze_mm(desk: Desk, view: View, range_mm: Array) -> Array:
    """Where the average eye would look (2, 2, n), mm from the screen's centre."""
    camera = np.reshape(desk.camera_mm, (3, 1, 1))
    centre = corneal_centres(desk, view, range_mm)
    ray = _rays(desk, view.pupil)
    spot = _sphere(ray, camera - centre, RADIUS_MM)
    inner = optics.bend_inward(-ray, unit(spot))
    pupil = _sphere(-inner, spot, PUPIL_MM)
    optical = unit(pupil)
    sight = optical
    average = average_eyes().optical
    for _ in range(4):
        sight = unit(sight + optical - turn(AHEAD, sight, average))
    reach = -centre[2] / sight[2]
    return centre[:2] + reach * sight[:2]


def samples(
    desk: Desk, view: View, eye_mm: Array, diameter_mm: Array, screen_unit: str
) -> Array:
    """Rows (n, 12) of the stream, in channel order.

    Parameters
    ----------
    desk : Desk
    view : View
        With its noise.
    eye_mm : array (3, 2, n)
        Where the tracker takes the eyes to be, in the world.
    diameter_mm : array (2, n)
    screen_unit : {"pixels", "normalized"}
    """
    away = eye_mm - np.reshape(desk.camera_mm, (3, 1, 1))
    at_mm = gaze_mm(desk, view, np.sqrt(dot(away, away)))
    size = np.array(desk.setup.screen_px, float)
    rows = []
    for eye in (0, 1):
        px = mm_to_px(desk.setup, at_mm[:, eye].T)
        shown = px / size if screen_unit == "normalized" else px
        rows += [shown, eye_mm[:, eye].T, diameter_mm[eye][:, None]]
    return np.concatenate(rows, axis=1)
