"""From a face to one row of the stream: what each channel is and how it is worked out.

Two places are sent for each iris, since neither is best for everybody: in the eye's own
opening, where it hardly notices that the head moves, which a mapping reads; and in the
head's rigid frame, where it moves further for the same gaze, which `--extra` adds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.camera.face import Eye, Face
from calibkit.camera.rigid import Head
from calibkit.channels import Channel

Array = NDArray[np.float64]

EYE_CHANNELS = (
    ("iris_x", "PupilX", "normalized"),
    ("iris_y", "PupilY", "normalized"),
    ("iris_x_head", "PupilX", "normalized"),
    ("iris_y_head", "PupilY", "normalized"),
    ("opening", "Openness", "normalized"),
    ("iris_radius", "IrisRadius", "pixels"),
    ("confidence", "Confidence", "normalized"),
)
HEAD_CHANNELS = (
    ("HeadYaw", "degrees"),
    ("HeadPitch", "degrees"),
    ("HeadRoll", "degrees"),
    ("HeadScale", "normalized"),
    ("HeadX", "normalized"),
    ("HeadY", "normalized"),
)
DEPTH = ("HeadZ", "mm")
IRIS_MM = 11.7  # width of the iris, which differs little between people
_USUAL = 11.0  # eyes of a person at a screen are an eleventh of the picture apart
SHUT = 0.10  # opening below which there is no iris to be seen
_NARROW = 0.18
_SURE, _UNSURE = 0.03, 0.15  # scatter of looks, in eye widths
UNSEEN, _SEEN = 0.15, 0.35  # contrast of the iris


@dataclass(frozen=True, kw_only=True)
class Lens:
    """What is known of the camera: picture's size, pixels, and its view, degrees."""

    size_px: tuple[int, int]
    view_deg: float | None = None

    @property
    def focal_px(self) -> float:
        """Focal length, NaN where the view is not known."""
        if self.view_deg is None:
            return float("nan")
        return float(self.size_px[0] / 2 / np.tan(np.radians(self.view_deg) / 2))


def channels(view_deg: float | None = None) -> tuple[Channel, ...]:
    """Return the stream's channels; with the camera's view also the distance."""
    eyes = [
        Channel(label=f"{eye}_{label}", eye=eye, type=kind, unit=unit)
        for eye in ("left", "right")
        for label, kind, unit in EYE_CHANNELS
    ]
    named = HEAD_CHANNELS if view_deg is None else (*HEAD_CHANNELS, DEPTH)
    head = [
        Channel(label=kind.lower(), eye="both", type=kind, unit=unit)
        for kind, unit in named
    ]
    rest = [
        Channel(label="eyes_apart", eye="both", type="EyeDistance", unit="pixels"),
        Channel(label="frame", eye="both", type="FrameNumber", unit="count"),
    ]
    return (*eyes, *head, *rest)


def row(face: Face | None, frame: int, lens: Lens) -> Array:
    """Return one sample.

    Parameters
    ----------
    face : Face, optional
        None where no face was found.
    frame : int
        Number of the frame since the camera's start, dropped ones counted.
    lens : Lens

    Returns
    -------
    array (c,) in the order of `channels`; NaN for what was not seen, confidence then 0
    """
    depth = [] if lens.view_deg is None else [np.nan]
    if face is None:
        blank = [np.nan] * (len(EYE_CHANNELS) - 1) + [0.0]
        lost = [*blank, *blank, *[np.nan] * len(HEAD_CHANNELS), *depth, np.nan, frame]
        return np.array(lost)
    eyes = [_eye(face, k) for k in (0, 1)]
    radius = float(np.mean([rim(eye.iris) for eye in face.eyes]))
    if depth:
        depth = [lens.focal_px * IRIS_MM / (2 * radius)]
    head = _head(face.head, lens)
    return np.array([*eyes[0], *eyes[1], *head, *depth, face.head.apart_px, frame])


def _head(head: Head, lens: Lens) -> list[float]:
    width, height = lens.size_px
    x, y = head.middle
    scale = _USUAL * head.apart_px / width
    angles = [head.yaw_deg, head.pitch_deg, head.roll_deg]
    return [*angles, scale, float(x / width), float(y / height)]


def _eye(face: Face, k: int) -> list[float]:
    eye = face.eyes[k]
    open_by = opening(eye)
    if open_by < SHUT or eye.contrast < UNSEEN:
        return [*[np.nan] * 4, open_by, np.nan, 0.0]
    sure = confidence(face.score, eye)
    own, other = in_opening(eye, k), face.head.in_frame(eye.iris[0], k)
    return [*own, *other, open_by, rim(eye.iris), sure]


def corners(eye: Eye, k: int) -> tuple[Array, Array]:
    """Corners (2,) at the picture's left and right; `k` is 0 for the left eye."""
    nose, temple = eye.outline[0], eye.outline[8]
    return (temple, nose) if k == 0 else (nose, temple)


def in_opening(eye: Eye, k: int) -> Array:
    """Place (2,) of the iris from the middle of the corners, along their line.

    In eye widths: some 0.007 a degree, right and down positive.
    """
    left, right = corners(eye, k)
    across = right - left
    width = np.hypot(*across)
    off = eye.iris[0] - (left + right) / 2
    x = off @ across
    y = off[1] * across[0] - off[0] * across[1]
    return np.array([x, y]) / width**2


def opening(eye: Eye) -> float:
    """Distance of the lids' middles over the width of the eye."""
    upper, lower = eye.outline[10:14].mean(axis=0), eye.outline[3:6].mean(axis=0)
    width = np.hypot(*(eye.outline[8] - eye.outline[0]))
    return float(np.hypot(*(upper - lower)) / max(width, 1e-9))


def rim(iris: Array) -> float:
    """Radius of the iris, pixels, from two places at its sides.

    The lids hide its top and bottom, so those two are not used.
    """
    return float(np.hypot(*(iris[1] - iris[3])) / 2)


def confidence(score: float, eye: Eye) -> float:
    """How sure one eye's answer is, 0-1: a rule, no probability.

    The face's score, less where the looks at the eye scatter, where the lids are nearly
    shut, and where the iris is hardly darker than what lies beside it. The limits are
    between an open eye and covered, shut and blackened ones (tests/test_camera.py).
    """
    parts = (
        (_UNSURE - eye.spread) / (_UNSURE - _SURE),
        (opening(eye) - SHUT) / (_NARROW - SHUT),
        (eye.contrast - UNSEEN) / (_SEEN - UNSEEN),
    )
    return float(score * np.prod(np.clip(parts, 0.0, 1.0)))
