"""One face in one picture: its mesh, its eyes' outlines, its irises.

Pictures are mirrored, as a person sees themselves: the person's left eye is on the
left, and x runs along the screen's. Each picture is looked at on its own: squares taken
over from the picture before were no steadier, and made the past part of the answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.camera import finder, vision
from calibkit.camera.networks import load
from calibkit.camera.rigid import EYE_WIDTH, Head, head_of
from calibkit.camera.squares import Square, around, tilt

Array = NDArray[np.float64]

MESH_SIDE, MESH_POINTS, MESH_SIZES = 192, 468, (1404, 1)
IRIS_SIDE, IRIS_SIZES = 64, (213, 15)
# Corners of the eyes in the mesh, from image left to image right.
CORNERS = ((33, 133), (362, 263))
OUTLINE = 15  # points of the iris network that go round the lids; then come the brows
_MESH_GROW, _EYE_GROW = 1.5, 2.3
LEAST_SCORE = 0.5
# Discs in eye widths: an iris is 0.39 of them wide (11.7 mm of 30 mm).
_IRIS_DISC, _SIDE_DISC, _ASIDE = 0.10, 0.06, 0.30
_grid = np.stack(np.meshgrid(*[np.linspace(-1, 1, 7)] * 2), axis=-1).reshape(-1, 2)
_DISC = _grid[np.hypot(*_grid.T) <= 1.0]
# Where the looks at an eye lie: right, down in eye widths, and larger by a factor.
USUAL_LOOKS = 3
LOOKS = (
    (0.0, 0.0, 1.1),
    (-0.08, -0.08, 1.0),
    (0.08, 0.08, 1.0),
    (0.08, -0.08, 0.93),
    (-0.08, 0.08, 0.93),
)
_PASSES = 3
_SAME_EYE = 0.25  # of the distance between the eyes
_LEAST_PX = 16.0  # a smaller face has eyes of two pixels


@dataclass(frozen=True, kw_only=True, eq=False)
class Eye:
    """One eye, as the mean of several looks at it.

    Parameters
    ----------
    outline : array (15, 2), pixels
        Round the lids: the corner at the nose, the lower lid, the other corner (8), the
        upper lid.
    iris : array (5, 2), pixels
        Its centre, and four places on its rim.
    spread : float
        How far the looks' centres scatter, in eye widths.
    contrast : float
        How much darker the iris is than what lies beside it, 0-1: shut, covered and
        blackened eyes have none, however sure the networks are.
    """

    outline: Array
    iris: Array
    spread: float
    contrast: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Face:
    """A face: score 0-1, how many were seen, mesh (468, 3), where the head is, eyes."""

    score: float
    faces: int
    mesh: Array
    head: Head
    eyes: tuple[Eye, Eye]


class Reader:
    """Reads faces with the three networks; remembers where the last one was.

    Parameters
    ----------
    models : mapping of bytes
        As `models.load` returns them.
    kind : {"litert", "opencv"}, optional
        The runtime.
    looks : int
        At each eye, 1 to 5: more are steadier and cost more time.

    Raises
    ------
    DeviceError
        When a model cannot be used.
    """

    def __init__(
        self,
        models: Mapping[str, bytes],
        kind: str | None = None,
        looks: int = USUAL_LOOKS,
    ) -> None:
        self.find_net = load("face", models["face"], finder.SIDE, finder.SIZES, kind)
        self.mesh_net = load(
            "landmark", models["landmark"], MESH_SIDE, MESH_SIZES, kind
        )
        self.iris_net = load("iris", models["iris"], IRIS_SIDE, IRIS_SIZES, kind)
        self._looks = looks
        self._last: Square | None = None

    def faces(self, image: vision.Image) -> list[finder.Seen]:
        """All faces in a mirrored picture, the largest first."""
        return finder.find(image, self.find_net)

    def read(self, image: vision.Image) -> Face | None:
        """Return the face in a mirrored picture (h, w, 3), None where there is none.

        Of several it is the one that was read before, else the largest; but for this,
        the answer depends on the picture alone.
        """
        seen = self.faces(image)
        one = _same(seen, self._last)
        self._last = None
        found = None if one is None else self._meshed(image, one.square)
        if one is None or found is None or not _agree(found[0], one):
            return None
        return self._face(image, found, len(seen))

    def _face(
        self, image: vision.Image, found: tuple[Array, float], faces: int
    ) -> Face:
        mesh, score = found
        self._last = mesh_square(mesh)
        head = head_of(mesh)
        left, right = (self._eye(image, head, eye) for eye in (0, 1))
        return Face(score=score, faces=faces, mesh=mesh, head=head, eyes=(left, right))

    def _meshed(
        self, image: vision.Image, square: Square
    ) -> tuple[Array, float] | None:
        """Mesh and score; each pass begins where the last one found the face.

        The first square comes from the coarse network, so its mesh only says where to
        look; the mean of the next two has less than their noise.
        """
        meshes, score = [], 0.0
        for _ in range(_PASSES):
            if not square.side >= _LEAST_PX:
                return None
            patch = vision.cut(image, square.to_image(MESH_SIDE), MESH_SIDE)
            answer = self.mesh_net(patch)
            score = float(1 / (1 + np.exp(-np.clip(answer[1][0], -80, 80))))
            if score < LEAST_SCORE:
                return None
            points = answer[1404].reshape(MESH_POINTS, 3)
            meshes.append(_to_image(points, square, MESH_SIDE))
            square = mesh_square(meshes[-1])
        return np.mean(meshes[1:], axis=0), score

    def _eye(self, image: vision.Image, head: Head, eye: int) -> Eye:
        """Look at an eye several times, the square a little elsewhere each time.

        What a network answers hangs on where exactly its square lies, so the mean of
        several looks is better than one by far (tests/benchmarks/camera.py).
        """
        looks = [self._look(image, square, eye) for square in self._squares(head, eye)]
        outline = np.mean([one for one, _ in looks], axis=0)
        irises = np.array([iris for _, iris in looks])
        width = head.apart_px * EYE_WIDTH
        spread = float(np.hypot(*irises[:, 0].std(axis=0))) / width
        iris = irises.mean(axis=0)
        dark = contrast(image, head, iris[0])
        return Eye(outline=outline, iris=iris, spread=spread, contrast=dark)

    def _squares(self, head: Head, eye: int) -> list[Square]:
        middle, width = head.middle_of(eye), head.apart_px * EYE_WIDTH
        return [
            Square(
                x=float(middle[0] + right * width),
                y=float(middle[1] + down * width),
                side=_EYE_GROW * grow * width,
                turn=float(np.radians(head.roll_deg)),
            )
            for right, down, grow in LOOKS[: self._looks]
        ]

    def _look(
        self, image: vision.Image, square: Square, eye: int
    ) -> tuple[Array, Array]:
        patch = vision.cut(image, square.to_image(IRIS_SIDE), IRIS_SIDE)
        # The network knows eyes whose nose is at the picture's left.
        answer = self.iris_net(
            np.ascontiguousarray(patch[:, ::-1]) if eye == 0 else patch
        )
        outline = answer[213].reshape(-1, 3)[:OUTLINE, :2].copy()
        iris = answer[15].reshape(5, 3)[:, :2].copy()
        if eye == 0:
            outline[:, 0] = IRIS_SIDE - outline[:, 0]
            iris[:, 0] = IRIS_SIDE - iris[:, 0]
        return square.places(outline, IRIS_SIDE), square.places(iris, IRIS_SIDE)


def contrast(image: vision.Image, head: Head, place: Array) -> float:
    """How much darker a place (2,) is than the lighter of its two sides, 0-1.

    The sides lie beyond an iris's edge: white of the eye, or skin.
    """
    turn, width = np.radians(head.roll_deg), head.apart_px * EYE_WIDTH
    aside = width * np.array([np.cos(turn), np.sin(turn)])
    middle = _brightness(image, place, _IRIS_DISC * width)
    sides = [
        _brightness(image, place + way * _ASIDE * aside, _SIDE_DISC * width)
        for way in (-1, 1)
    ]
    return float(np.clip(1 - middle / max(*sides, 1.0), 0.0, 1.0))


def _brightness(image: vision.Image, place: Array, radius: float) -> float:
    height, width = image.shape[:2]
    x, y = (place + radius * _DISC).T.astype(int)
    pixels = image[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    return float(np.median(pixels.mean(axis=1)))


def _same(seen: list[finder.Seen], last: Square | None) -> finder.Seen | None:
    """Return the face that was read before, or the largest."""
    if not seen or last is None:
        return seen[0] if seen else None
    off = [np.hypot(face.square.x - last.x, face.square.y - last.y) for face in seen]
    nearest = int(np.argmin(off))
    return seen[nearest if off[nearest] < last.side / 2 else 0]


def _agree(mesh: Array, one: finder.Seen) -> bool:
    """Whether both networks see the eyes at the same places."""
    eyes = np.array([mesh[list(corners), :2].mean(axis=0) for corners in CORNERS])
    other = np.array([one.left_eye, one.right_eye])
    apart = np.hypot(*(other[1] - other[0]))
    return bool(np.hypot(*(eyes - other).T).max() < _SAME_EYE * apart)


def mesh_square(mesh: Array) -> Square:
    """Return where to look for the face in the next picture."""
    turn = tilt(mesh[CORNERS[0][0], :2], mesh[CORNERS[1][1], :2])
    return around(mesh[:, :2], turn, _MESH_GROW)


def _to_image(points: Array, square: Square, size: int) -> Array:
    depth = points[:, 2:] * (square.side / size)
    return np.concatenate([square.places(points[:, :2], size), depth], axis=1)
