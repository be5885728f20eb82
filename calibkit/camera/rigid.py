"""Where the head is: a rigid shape of twenty points laid over the face's mesh.

The points lie where skin moves little (eye corners, nose, temples, forehead), not on
brows, lids, mouth or jaw. Units are the distance between the middles of the eyes;
axes are those of `geometry`: x right and y down on the screen, z away from the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Half of the shape, the rest is its mirror image: mesh point on the image's left, on
# its right, and the place. Measured on one photograph of a face, both halves averaged.
_PAIRS = (
    (33, 263, (0.726, -0.013, 0.045)),
    (133, 362, (0.274, 0.013, -0.045)),
    (98, 327, (0.302, 0.585, -0.321)),
    (129, 358, (0.353, 0.487, -0.255)),
    (127, 356, (1.085, 0.188, 0.793)),
    (234, 454, (1.068, 0.411, 0.847)),
)
_MIDDLE = (
    (168, (0.0, -0.124, -0.297)),
    (6, (0.0, -0.010, -0.378)),
    (197, (0.0, 0.094, -0.469)),
    (195, (0.0, 0.188, -0.566)),
    (5, (0.0, 0.289, -0.669)),
    (4, (0.0, 0.425, -0.722)),
    (151, (0.0, -0.607, -0.243)),
    (10, (0.0, -0.830, -0.174)),
)
POINTS = (
    *(one for left, right, _ in _PAIRS for one in (left, right)),
    *(one for one, _ in _MIDDLE),
)
SHAPE: Array = np.array(
    [
        *(
            (sign * place[0], *place[1:])
            for _, _, place in _PAIRS
            for sign in (-1.0, 1.0)
        ),
        *(place for _, place in _MIDDLE),
    ]
)
SHAPE.setflags(write=False)
# Middles of the eyes, and an eye's width, in the same units.
EYES: Array = np.array([[-0.5, 0.0], [0.5, 0.0]])
EYES.setflags(write=False)
EYE_WIDTH = 0.452


@dataclass(frozen=True, kw_only=True, eq=False)
class Head:
    """A head in a picture.

    Parameters
    ----------
    yaw_deg, pitch_deg, roll_deg : float
        Roll about z first, then pitch about x, then yaw about y; zero is the pose of
        the shape, so that a person's own zero is some degrees off.
    apart_px : float
        Distance between the middles of the eyes, as if the face were turned to us.
    frame : array (2, 3)
        From the shape's x, y to places in the picture: the best fit in the plane.
    """

    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    apart_px: float
    frame: Array

    @property
    def middle(self) -> Array:
        """Place between the eyes (2,), pixels."""
        return self.frame[:, 2].copy()

    def in_frame(self, place: Array, eye: int) -> Array:
        """Place (2,) from an eye's middle along the head's axes, in eye widths."""
        return self.along(place - self.middle_of(eye))

    def middle_of(self, eye: int) -> Array:
        """Place of an eye's middle (2,), pixels: 0 the left eye, 1 the right one."""
        return np.asarray(self.frame[:, :2] @ EYES[eye] + self.frame[:, 2])

    def along(self, step: Array) -> Array:
        """Step (2,) in the picture along the head's axes, in eye widths."""
        return np.asarray(np.linalg.solve(self.frame[:, :2], step) / EYE_WIDTH)


def plane_fit(shape: Array, seen: Array) -> Array:
    """Shift, turn and scale (2, 3) that lay points (n, 2) best over others.

    Source: least squares, closed form (Umeyama 1991 for two dimensions).
    """
    a, b = shape - shape.mean(axis=0), seen - seen.mean(axis=0)
    size = float((a * a).sum())
    c = float((a * b).sum()) / size
    s = float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()) / size
    turn = np.array([[c, -s], [s, c]])
    shift = seen.mean(axis=0) - turn @ shape.mean(axis=0)
    return np.column_stack([turn, shift])


def space_fit(shape: Array, seen: Array) -> tuple[float, Array]:
    """Scale and rotation (3, 3) that lay points (n, 3) best over others.

    Source: Umeyama 1991, equations 40 to 42.
    """
    a, b = shape - shape.mean(axis=0), seen - seen.mean(axis=0)
    u, size, v = np.linalg.svd(b.T @ a)
    signs = np.array([1.0, 1.0, np.sign(np.linalg.det(u @ v))])
    return float((size * signs).sum() / (a * a).sum()), u @ np.diag(signs) @ v


def head_of(mesh: Array) -> Head:
    """Lay the shape over a mesh (468, 3)."""
    seen = mesh[list(POINTS)]
    apart, turn = space_fit(SHAPE, seen)
    yaw = np.arctan2(turn[0, 2], turn[2, 2])
    pitch = np.arcsin(np.clip(-turn[1, 2], -1.0, 1.0))
    roll = np.arctan2(turn[1, 0], turn[1, 1])
    return Head(
        yaw_deg=float(np.degrees(yaw)),
        pitch_deg=float(np.degrees(pitch)),
        roll_deg=float(np.degrees(roll)),
        apart_px=apart,
        frame=plane_fit(SHAPE[:, :2], seen[:, :2]),
    )
