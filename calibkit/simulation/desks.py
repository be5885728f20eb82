"""Where screen, camera and lights stand. One desk, many people.

World axes are those of `geometry`: millimetres from the screen's centre, x right,
y down, z towards the viewer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import CallError
from calibkit.geometry import Setup
from calibkit.simulation.optics import Array, rotate

TRACKERS = ("pupil-reflex", "screen", "webcam")
RATES_HZ = {"pupil-reflex": 250.0, "screen": 60.0, "webcam": 30.0}

_SCREENS_PX = ((1920, 1080), (1920, 1200), (2560, 1440), (1280, 1024), (3840, 2160))


@dataclass(frozen=True, kw_only=True)
class Desk:
    """A set-up with the tracker's camera and lights.

    Parameters
    ----------
    setup : Setup
    camera_mm : three floats
        The pinhole; for a webcam the one above the screen.
    lights_mm : pairs of three floats
    focal_px : float
        Focal length in camera pixels.
    size_px : pair of int
        The camera image.
    """

    setup: Setup
    camera_mm: tuple[float, float, float]
    lights_mm: tuple[tuple[float, float, float], ...]
    focal_px: float
    size_px: tuple[int, int]

    @cached_property
    def axes(self) -> Array:
        """Rotation (3, 3, 1, 1) from world to camera, which looks at the eyes."""
        right, down, depth = self.setup.viewpoint_mm
        ahead = np.array([right, down, depth]) - self.camera_mm
        ahead /= math.sqrt(float(ahead @ ahead))
        # The image's x runs along the world's, so that a picture is not mirrored
        # against the screen; trackers differ here and a mapping must not care.
        across = np.array([1.0, 0.0, 0.0]) - ahead[0] * ahead
        across /= math.sqrt(float(across @ across))
        axes = np.stack([across, np.cross(ahead, across), ahead])
        return axes[:, :, None, None]

    def project(self, world: Array) -> Array:
        """Pinhole picture (2, 2, n), camera pixels, of world points (3, 2, n), mm."""
        x, y, z = rotate(self.axes, world - np.reshape(self.camera_mm, (3, 1, 1)))
        centre = np.array(self.size_px, float) / 2
        return np.stack(
            [centre[0] + self.focal_px * x / z, centre[1] + self.focal_px * y / z]
        )


def desk_for(setup: Setup, tracker: str) -> Desk:
    """Stand the usual camera at a given screen.

    Parameters
    ----------
    setup : Setup
    tracker : one of TRACKERS

    Returns
    -------
    Desk
        Camera below the screen with a light at either side, or a webcam above it.

    Raises
    ------
    CallError
        For an unknown tracker.
    """
    check_tracker(tracker)
    return _desk(setup, tracker, np.zeros(6))


def desk(seed: int, tracker: str = "pupil-reflex") -> Desk:
    """Draw a desk: a screen of 19 to 27 inch, 500 to 750 mm away, and its camera.

    Parameters
    ----------
    seed : int
        The geometry's own seed; it has nothing to do with any person's.
    tracker : one of TRACKERS

    Returns
    -------
    Desk

    Raises
    ------
    CallError
        For an unknown tracker.
    """
    check_tracker(tracker)
    rng = np.random.default_rng([0xDE5C, seed])
    px = _SCREENS_PX[int(rng.integers(len(_SCREENS_PX)))]
    diagonal = rng.uniform(19, 27) * 25.4
    mm = diagonal / math.hypot(*px) * np.array(px, float)
    distance = float(rng.uniform(500, 750))
    setup = Setup(
        screen_px=px,
        screen_mm=(round(float(mm[0]), 1), round(float(mm[1]), 1)),
        distance_mm=round(distance),
    )
    return _desk(setup, tracker, rng.uniform(-1, 1, 6))


def check_tracker(tracker: str) -> None:
    """Refuse an unknown kind of tracker, naming the known ones."""
    if tracker not in TRACKERS:
        raise CallError(
            f"there is no simulated tracker {tracker!r}; choose one of "
            f"{', '.join(TRACKERS)}"
        )


def _desk(setup: Setup, tracker: str, vary: NDArray[np.float64]) -> Desk:
    half = setup.screen_mm[1] / 2
    if tracker == "webcam":
        camera = (15 * vary[0], -half - 12 + 4 * vary[1], 5 + 5 * vary[2])
        focal = 1280 / (2 * math.tan(math.radians(33 + 3 * vary[3])))
        return _stand(setup, camera, (), focal, (1280, 720))
    camera = (10 * vary[0], half + 35 + 15 * vary[1], 45 + 25 * vary[2])
    apart = 150 + 60 * vary[3]
    lights = tuple(
        (camera[0] + side * apart, camera[1] - 5 + 10 * vary[4], camera[2])
        for side in (-1, 1)
    )
    # The sharpness of a remote tracker: some 6 pixels a millimetre at the eye.
    focal = (6.0 + 1.2 * vary[5]) * setup.viewpoint_mm[2]
    return _stand(setup, camera, lights, focal, (1600, 1200))


def _stand(
    setup: Setup,
    camera: tuple[float, ...],
    lights: tuple[tuple[float, ...], ...],
    focal_px: float,
    size_px: tuple[int, int],
) -> Desk:
    def three(v: tuple[float, ...]) -> tuple[float, float, float]:
        return (float(v[0]), float(v[1]), float(v[2]))

    return Desk(
        setup=setup,
        camera_mm=three(camera),
        lights_mm=tuple(three(light) for light in lights),
        focal_px=float(focal_px),
        size_px=size_px,
    )
