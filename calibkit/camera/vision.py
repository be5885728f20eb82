"""OpenCV, in its one home: cameras, video files, cut-outs of an image.

Imported at the first call, with its own chatter turned off: what fails is said by us.
"""

from __future__ import annotations

import functools
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import DeviceError, InputError

INSTALL = 'pip install "calibkit[webcam]"'
Image = NDArray[np.uint8]
Array = NDArray[np.float64]


@functools.cache
def _cv2() -> Any:
    os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    try:
        import cv2
    except ImportError as problem:
        raise DeviceError(
            f"OpenCV, which reads cameras and video files, cannot be loaded ({problem})"
            f"; run: {INSTALL}"
        ) from problem
    cv2.setNumThreads(1)  # cut-outs are small: threads cost more than they save
    return cv2


def version() -> str:
    """OpenCV's version."""
    return str(_cv2().__version__)


def open_camera(
    number: int, size_px: tuple[int, int] | None = None, fps: float | None = None
) -> Any:
    """Open a camera by its number and ask for a size and a rate.

    Raises
    ------
    DeviceError
        When there is no such camera, or another program has it.
    """
    cv2 = _cv2()
    capture = cv2.VideoCapture(number)
    if not capture.isOpened():
        raise DeviceError(
            f"camera {number} cannot be opened; plug it in, close other programs that "
            "use it, or try another number"
        )
    capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
    if size_px is not None or fps is not None:
        # Uncompressed pictures do not fit through USB 2 at these rates.
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter_fourcc(*"MJPG"))
    if size_px is not None:
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, size_px[0])
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, size_px[1])
    if fps is not None:
        capture.set(cv2.CAP_PROP_FPS, fps)
    return capture


def open_video(path: Path) -> Any:
    """Open a video file.

    Raises
    ------
    InputError
        When it is missing or no video.
    """
    if not path.is_file():
        raise InputError(
            f"there is no video file {path}; name one, or a camera by its number"
        )
    capture = _cv2().VideoCapture(str(path))
    if not capture.isOpened():
        raise InputError(f"{path} is no video that OpenCV can read; name another file")
    return capture


def fps_of(capture: Any) -> float:
    """Frames a second that a camera or a file states, NaN where it states none."""
    stated = float(capture.get(_cv2().CAP_PROP_FPS))
    return stated if 0 < stated < 1000 else float("nan")


def place_s(capture: Any) -> float:
    """Time of the frame just grabbed since the file's beginning, seconds."""
    return float(capture.get(_cv2().CAP_PROP_POS_MSEC)) / 1000.0


def three_channels(image: Image) -> Image:
    """A grey picture, or one with transparency, as blue, green, red."""
    cv2 = _cv2()
    if image.ndim == 2 or image.shape[2] == 1:
        return np.asarray(cv2.cvtColor(image, cv2.COLOR_GRAY2BGR))
    return np.ascontiguousarray(image[:, :, :3])


def mirrored(image: Image) -> Image:
    """The picture as a mirror shows it."""
    return np.asarray(_cv2().flip(image, 1))


def cut(image: Image, to_image: Array, size: int) -> NDArray[np.float32]:
    """Cut a square out of an image, turned and scaled, as red, green, blue 0-1.

    Parameters
    ----------
    image : array (h, w, 3) of uint8, blue first
    to_image : array (2, 3)
        From places in the cut-out to those in the image; pixels' middles are at halves.
    size : int
        Side of the cut-out, pixels.

    Returns
    -------
    array (size, size, 3); outside the image it is black
    """
    cv2 = _cv2()
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    middles = to_image.copy()
    middles[:, 2] += to_image[:, :2].sum(axis=1) / 2 - 0.5
    patch = cv2.warpAffine(image, middles, (size, size), flags=flags)
    return np.ascontiguousarray(patch[:, :, ::-1], np.float32) / np.float32(255)


def grey(image: Image) -> Image:
    """Brightness 0-255 of an image."""
    return np.asarray(_cv2().cvtColor(image, _cv2().COLOR_BGR2GRAY))


def network(content: bytes) -> Any:
    """A network in OpenCV's own reader; raises what OpenCV raises."""
    return _cv2().dnn.readNetFromTFLite(np.frombuffer(content, np.uint8))
