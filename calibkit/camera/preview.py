"""What a second of pictures says about the face, the light and the distance.

Numbers only, so that nothing needs a picture to be shown or kept. Limits are common
practice, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.camera import vision
from calibkit.camera.face import Face
from calibkit.camera.rows import IRIS_MM, Lens, confidence, opening, rim

Array = NDArray[np.float64]

BRIGHT, DARK = 250, 30
_EYE_ABOVE, _EYE_BELOW = 0.6, 0.4  # of the distance between the eyes


@dataclass(frozen=True, kw_only=True)
class Glance:
    """What one frame gave.

    Parameters
    ----------
    time_s : float
    faces : int
        How many were seen; 0 leaves all that follows NaN but `brightness`.
    brightness : float
        Median grey value, 0-255: round the eyes, of the whole picture without a face.
    bright, dark : float
        Share of pixels round the eyes above 250 and below 30.
    sharpness : float
        Mean step between neighbouring pixels round the eyes over their brightness.
    apart_px, iris_px : float
        Distance of the eyes; width of the iris.
    x, y : float
        Where the face is, from -1 to 1, 0 in the middle.
    yaw_deg, pitch_deg, roll_deg : float
    opening, confidence : tuple of two floats
    """

    time_s: float
    faces: int = 0
    brightness: float = float("nan")
    bright: float = float("nan")
    dark: float = float("nan")
    sharpness: float = float("nan")
    apart_px: float = float("nan")
    iris_px: float = float("nan")
    x: float = float("nan")
    y: float = float("nan")
    yaw_deg: float = float("nan")
    pitch_deg: float = float("nan")
    roll_deg: float = float("nan")
    opening: tuple[float, float] = (float("nan"), float("nan"))
    confidence: tuple[float, float] = (0.0, 0.0)


def glance(image: vision.Image, face: Face | None, time_s: float) -> Glance:
    """Look at one frame.

    Parameters
    ----------
    image : array (h, w, 3)
        Mirrored, as the face was read from it.
    face : Face, optional
    time_s : float
    """
    if face is None:
        return Glance(time_s=time_s, brightness=float(np.median(image[::4, ::4])))
    height, width = image.shape[:2]
    grey = vision.grey(_eyes(image, face)).astype(float)
    head = face.head
    x, y = head.middle / (width, height) * 2 - 1
    opened = (opening(face.eyes[0]), opening(face.eyes[1]))
    sure = [confidence(face.score, eye) for eye in face.eyes]
    return Glance(
        time_s=time_s,
        faces=face.faces,
        brightness=float(np.median(grey)),
        bright=float((grey > BRIGHT).mean()),
        dark=float((grey < DARK).mean()),
        sharpness=sharpness(grey),
        apart_px=head.apart_px,
        iris_px=2 * float(np.mean([rim(eye.iris) for eye in face.eyes])),
        x=float(x),
        y=float(y),
        yaw_deg=head.yaw_deg,
        pitch_deg=head.pitch_deg,
        roll_deg=head.roll_deg,
        opening=opened,
        confidence=(sure[0], sure[1]),
    )


def _eyes(image: vision.Image, face: Face) -> vision.Image:
    """Return the part of the picture round both eyes, at least one pixel."""
    height, width = image.shape[:2]
    (x, y), apart = face.head.middle, face.head.apart_px
    left, right = np.clip([x - apart, x + apart], 0, width).astype(int)
    top = int(np.clip(y - _EYE_ABOVE * apart, 0, height))
    bottom = int(np.clip(y + _EYE_BELOW * apart, 0, height))
    part = image[top:bottom, left:right]
    return part if part.size else image


def sharpness(grey: Array) -> float:
    """Mean step to the next pixel over the mean brightness; blur makes it small."""
    if min(grey.shape) < 2:
        return 0.0
    across, down = np.diff(grey, axis=1)[1:], np.diff(grey, axis=0)[:, 1:]
    return float(np.hypot(across, down).mean() / max(float(grey.mean()), 1.0))


@dataclass(frozen=True, kw_only=True)
class Preview:
    """What some seconds of frames gave; medians over the frames with a face.

    Parameters
    ----------
    frames : int
    seen : float
        Share of frames with a face.
    faces : int
        The most that were seen at once.
    fps : float
        Frames a second, from their times; `stated_fps` is what the source promises.
    dropped : float
        Share of frames that came too fast.
    distance_mm : float
        NaN where the camera's view is not known.
    unrest : float
        How much the face moves: standard deviation over its distance of eyes.
    """

    frames: int
    seen: float
    faces: int
    fps: float
    stated_fps: float
    dropped: float
    brightness: float
    bright: float
    dark: float
    sharpness: float
    apart_px: float
    iris_px: float
    distance_mm: float
    x: float
    y: float
    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    opening: float
    confidence: float
    sides: float
    unrest: float


def summary(
    glances: Sequence[Glance], lens: Lens, stated_fps: float, dropped: int = 0
) -> Preview:
    """Sum up frames that follow one another.

    Parameters
    ----------
    glances : sequence of Glance
        One at least.
    lens : Lens
    stated_fps : float
        NaN where the source states none.
    dropped : int
        Frames that were dropped meanwhile.
    """
    faces = [one for one in glances if one.faces]
    time = np.array([one.time_s for one in glances])
    span = float(time[-1] - time[0])
    count = len(glances) + dropped

    def middle(name: str, rows: Sequence[Glance] = faces) -> float:
        values = np.array([getattr(one, name) for one in rows], float)
        return float(np.median(values)) if len(values) else float("nan")

    width, iris = lens.size_px[0], middle("iris_px")
    sure = np.array([one.confidence for one in faces]).reshape(-1, 2)
    place = np.array([(one.x, one.y) for one in faces]).reshape(-1, 2)
    unrest = place.std(axis=0).max() * width / 2 if len(faces) > 1 else 0.0
    return Preview(
        frames=len(glances),
        seen=len(faces) / len(glances),
        faces=max(one.faces for one in glances),
        fps=(count - 1) / span if span > 0 else float("nan"),
        stated_fps=stated_fps,
        dropped=dropped / count,
        brightness=middle("brightness", faces or glances),
        bright=middle("bright"),
        dark=middle("dark"),
        sharpness=middle("sharpness"),
        apart_px=middle("apart_px"),
        iris_px=iris,
        distance_mm=lens.focal_px * IRIS_MM / iris if iris > 0 else float("nan"),
        x=middle("x"),
        y=middle("y"),
        yaw_deg=middle("yaw_deg"),
        pitch_deg=middle("pitch_deg"),
        roll_deg=middle("roll_deg"),
        opening=float(np.median([one.opening for one in faces]))
        if faces
        else float("nan"),
        confidence=float(np.median(sure)) if faces else 0.0,
        sides=float(np.abs(np.median(sure, axis=0) @ [1, -1])) if faces else 0.0,
        unrest=float(unrest / middle("apart_px")) if faces else float("nan"),
    )
