"""Where pictures come from: a camera, a file at its own pace, an array.

A source is asked for one frame after the other: `grab` waits for it and returns when it
arrived, `picture` decodes it. The time is taken between the two, since decoding takes
time and a picture is no younger for it.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from calibkit.camera import vision
from calibkit.errors import DeviceError

SMALLEST_PX = 32
_EMPTY_GRABS = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """A picture (h, w, 3), blue first; when it arrived; its number, from 0."""

    image: vision.Image
    time_s: float
    number: int


class Source(Protocol):
    """Pictures, one after the other."""

    name: str
    fps: float

    def grab(self) -> float | None:
        """Wait for the next frame; return its time, None at the end."""
        ...

    def picture(self) -> vision.Image | None:
        """Decode it; None where it is damaged."""
        ...

    def close(self) -> None:
        """Let the device go."""
        ...


class Camera:
    """A camera by its number.

    Raises
    ------
    DeviceError
        When it cannot be opened; from `grab` when it was lost.
    """

    def __init__(
        self,
        number: int,
        clock: Callable[[], float],
        size_px: tuple[int, int] | None = None,
        fps: float | None = None,
    ) -> None:
        self.name = f"camera {number}"
        self._capture = vision.open_camera(number, size_px, fps)
        self._clock = clock
        self.fps = vision.fps_of(self._capture)
        self._grabbed = 0

    def grab(self) -> float | None:
        """Wait for the next frame; return when it arrived."""
        for _ in range(_EMPTY_GRABS):
            if self._capture.grab():
                self._grabbed += 1
                return self._clock()
        raise DeviceError(
            f"{self.name} was lost after {self._grabbed} frames; check its cable and "
            "start again"
        )

    def picture(self) -> vision.Image | None:
        """Decode it."""
        return _retrieved(self._capture)

    def close(self) -> None:
        """Let the camera go."""
        self._capture.release()


class VideoFile:
    """A video file, each frame at its own time, from the first question on.

    Parameters
    ----------
    path : Path
    clock, sleep : callables

    Raises
    ------
    InputError
        When it is missing or no video.
    """

    def __init__(
        self,
        path: Path,
        clock: Callable[[], float],
        sleep: Callable[[float], object],
    ) -> None:
        self.name = path.name
        self._capture = vision.open_video(path)
        self._clock, self._sleep = clock, sleep
        self.fps = vision.fps_of(self._capture)
        self._start_s = math.nan
        self._last_s = -math.inf

    def grab(self) -> float | None:
        """Wait until the next frame is due; None after the last."""
        if not self._capture.grab():
            return None
        if math.isnan(self._start_s):
            self._start_s = self._clock()
        due_s = self._start_s + self._place_s()
        wait_s = due_s - self._clock()
        if wait_s > 0:
            self._sleep(wait_s)
        return due_s

    def _place_s(self) -> float:
        """Time since the first frame; by the rate where the file has no times."""
        place_s = vision.place_s(self._capture)
        if not place_s > self._last_s:
            place_s = max(self._last_s, 0.0) + 1.0 / (self.fps if self.fps > 0 else 30)
        self._last_s = place_s
        return place_s

    def picture(self) -> vision.Image | None:
        """Decode it."""
        return _retrieved(self._capture)

    def close(self) -> None:
        """Close the file."""
        self._capture.release()


class Pictures:
    """Pictures from memory, at their own times: a rendered or packaged source.

    Parameters
    ----------
    pictures : sequence of arrays
    times_s : sequence of float
        On the clock of whoever reads; nothing is waited for.
    """

    def __init__(
        self, pictures: Sequence[vision.Image], times_s: Sequence[float]
    ) -> None:
        self.name = "pictures"
        self._pairs = list(zip(pictures, times_s, strict=True))
        steps = np.diff(np.asarray(times_s, float))
        self.fps = float(1 / np.median(steps)) if len(steps) else math.nan
        self._next = 0

    def grab(self) -> float | None:
        """Return the next picture's time."""
        self._next += 1
        return (
            self._pairs[self._next - 1][1] if self._next <= len(self._pairs) else None
        )

    def picture(self) -> vision.Image | None:
        """Return the picture."""
        return self._pairs[self._next - 1][0]

    def close(self) -> None:
        """Nothing to let go."""


def _retrieved(capture: Any) -> vision.Image | None:
    good, image = capture.retrieve()
    return vision.three_channels(image) if good else None


def frames(source: Source) -> Any:
    """Yield every frame of a source, none dropped."""
    number = 0
    while (time_s := source.grab()) is not None:
        image = source.picture()
        if image is not None:
            yield Frame(image=check(image, source.name), time_s=time_s, number=number)
        number += 1


def check(image: vision.Image, name: str) -> vision.Image:
    """Refuse pictures in which nothing can be seen.

    Raises
    ------
    DeviceError
        When they are only a few pixels large.
    """
    height, width = image.shape[:2]
    if min(height, width) < SMALLEST_PX:
        raise DeviceError(
            f"{name} sends pictures of {width} x {height} pixels; at least "
            f"{SMALLEST_PX} x {SMALLEST_PX} are needed, and 640 x 480 for an eye"
        )
    return image


@dataclass
class Newest:
    """A queue with one place: who is late gets the newest frame, the rest is counted.

    The thread only fetches; what ends it is handed to the reader.
    """

    source: Source
    fetched: int = 0
    dropped: int = 0
    _frame: Frame | None = None
    _ended: bool = False
    _fault: BaseException | None = None
    _stop: bool = False
    _news: threading.Condition = field(default_factory=threading.Condition)

    def start(self) -> None:
        """Begin to fetch, in a thread of its own."""
        threading.Thread(target=self.fetch, name="camera", daemon=True).start()

    def fetch(self) -> None:
        """Fetch until the end, a fault, or `close`."""
        try:
            while not self._stop:
                time_s = self.source.grab()
                if time_s is None:
                    break
                self._put(time_s, self.source.picture())
        except BaseException as fault:  # handed on, whatever it is
            self._fault = fault
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _put(self, time_s: float, image: vision.Image | None) -> None:
        with self._news:
            number = self.fetched
            self.fetched += 1
            if image is None or self._frame is not None:
                self.dropped += 1
            if image is not None:
                self._frame = Frame(image=image, time_s=time_s, number=number)
                self._news.notify_all()

    def get(self, wait_s: float) -> Frame | None:
        """Return the newest frame, waiting for it; None when none came in time.

        Raises
        ------
        BaseException
            What ended the source.
        """
        with self._news:
            if self._frame is None and not self._ended:
                self._news.wait(wait_s)
            frame, self._frame = self._frame, None
            if frame is None and self._fault is not None:
                raise self._fault
            return frame

    @property
    def ended(self) -> bool:
        """Whether the source has ended and all that it gave was taken."""
        return self._ended and self._frame is None

    def close(self) -> None:
        """Fetch no more."""
        self._stop = True
