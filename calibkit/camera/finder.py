"""Where faces are in a picture: the first network, and how its answer is read.

Source: the network's own published layout (a single-shot detector for 128 x 128
pictures): two boxes at each of 16 x 16 places and six at each of 8 x 8; each box is a
shift from its place and a size, followed by six points, all in pixels of the input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.camera import vision
from calibkit.camera.networks import Network
from calibkit.camera.squares import Square, tilt

Array = NDArray[np.float64]

SIDE = 128
SIZES = (896, 896 * 16)
LEAST_SCORE = 0.5
_SAME = 0.3  # overlap from which two boxes are one face
_GROW = 1.5


def _places() -> Array:
    rows = []
    for count, boxes in ((16, 2), (8, 6)):
        y, x = np.mgrid[:count, :count] + 0.5
        centres = np.stack([x.ravel(), y.ravel()], axis=1) * (SIDE / count)
        rows.append(np.repeat(centres, boxes, axis=0))
    return np.concatenate(rows)


_PLACES = _places()


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A face that was found: score 0-1, box (x, y, w, h), image-left and -right eye."""

    score: float
    box: tuple[float, float, float, float]
    left_eye: tuple[float, float]
    right_eye: tuple[float, float]

    @property
    def square(self) -> Square:
        """What the next network is shown."""
        x, y, w, h = self.box
        turn = tilt(np.array(self.left_eye), np.array(self.right_eye))
        return Square(x=x + w / 2, y=y + h / 2, side=max(w, h) * _GROW, turn=turn)


def find(image: vision.Image, net: Network) -> list[Seen]:
    """Return the faces in a picture (h, w, 3), the largest first."""
    height, width = image.shape[:2]
    whole = Square(x=width / 2, y=height / 2, side=float(max(height, width)))
    picture = vision.cut(image, whole.to_image(SIDE), SIDE) * np.float32(2) - 1
    answer = net(np.asarray(picture, np.float32))
    return read(answer[SIZES[0]], answer[SIZES[1]].reshape(896, 16), whole)


def read(logits: Array, numbers: Array, whole: Square) -> list[Seen]:
    """Turn the network's numbers into faces.

    Parameters
    ----------
    logits : array (896,)
    numbers : array (896, 16)
    whole : Square
        What the network was shown.

    Returns
    -------
    list of Seen, the largest first, one for each face
    """
    scores = 1 / (1 + np.exp(-np.clip(logits, -80, 80)))
    rows = np.flatnonzero(scores > LEAST_SCORE)
    rows = rows[np.argsort(-scores[rows], kind="stable")]
    centre = numbers[:, :2] + _PLACES
    corner = np.concatenate([centre - numbers[:, 2:4] / 2, numbers[:, 2:4]], axis=1)
    kept: list[int] = []
    for row in rows:
        if all(_overlap(corner[row], corner[other]) < _SAME for other in kept):
            kept.append(int(row))
    faces = [_seen(scores[k], corner[k], numbers[k], _PLACES[k], whole) for k in kept]
    return sorted(faces, key=lambda face: -face.box[2] * face.box[3])


def _overlap(one: Array, two: Array) -> float:
    low = np.maximum(one[:2], two[:2])
    high = np.minimum(one[:2] + one[2:], two[:2] + two[2:])
    common = float(np.prod(np.clip(high - low, 0, None)))
    total = float(np.prod(one[2:]) + np.prod(two[2:])) - common
    return common / total if total > 0 else 0.0


def _seen(
    score: float, corner: Array, numbers: Array, place: Array, whole: Square
) -> Seen:
    points = np.stack([corner[:2], *(numbers[4:8].reshape(2, 2) + place)])
    box, left, right = whole.places(points, SIDE)
    width, height = corner[2:] * (whole.side / SIDE)
    return Seen(
        score=float(score),
        box=(float(box[0]), float(box[1]), float(width), float(height)),
        left_eye=(float(left[0]), float(left[1])),
        right_eye=(float(right[0]), float(right[1])),
    )
