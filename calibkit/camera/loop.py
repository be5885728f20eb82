"""Frames in, samples out: the loop of `calibkit camera`. No picture is kept or sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.camera import preview, rows, vision
from calibkit.camera.face import Face
from calibkit.camera.preview import Glance, Preview
from calibkit.camera.rows import Lens
from calibkit.camera.sources import Frame, Newest, check
from calibkit.errors import DeviceError

Array = NDArray[np.float64]

PULL_S = 0.1
LOST_S = 5.0
EVERY_S = 1.0


class Eyes(Protocol):
    """Reads a face."""

    def read(self, image: vision.Image) -> Face | None:
        """Return the face in a mirrored picture."""
        ...


class Sink(Protocol):
    """A gaze outlet."""

    def push(self, time_s: Array, samples: Array) -> None:
        """Send samples with their stamps."""
        ...


@dataclass
class Tally:
    """What has been done so far."""

    frames: int = 0
    dropped: int = 0
    faceless: int = 0
    late_s: list[float] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class Camera:
    """What the loop needs to know.

    Parameters
    ----------
    queue : Newest
        Started already.
    eyes : Eyes
    view_deg : float, optional
        How wide the camera sees.
    mirrored : bool
        The source mirrors its pictures itself.
    latency_s : float
        From light to arrival; taken off the stamps.
    """

    queue: Newest
    eyes: Eyes
    view_deg: float | None = None
    mirrored: bool = False
    latency_s: float = 0.0


def lens_of(camera: Camera, image: vision.Image) -> Lens:
    """What is known of the camera that took a picture."""
    height, width = image.shape[:2]
    return Lens(size_px=(width, height), view_deg=camera.view_deg)


def sample(camera: Camera, frame: Frame) -> tuple[Array, Glance]:
    """Work one frame out: its row of the stream, and what the preview needs."""
    image = frame.image if camera.mirrored else vision.mirrored(frame.image)
    face = camera.eyes.read(image)
    row = rows.row(face, frame.number, lens_of(camera, image))
    return row, preview.glance(image, face, frame.time_s)


def run(
    camera: Camera,
    sink: Sink | None,
    *,
    clock: Callable[[], float],
    stop: Callable[[], bool],
    tell: Callable[[Preview], object] = lambda preview: None,
    until_s: float = np.inf,
) -> Tally:
    """Turn frames into samples until the source ends, or we are told to stop.

    Parameters
    ----------
    camera : Camera
    sink : Sink, optional
        None looks only.
    clock : callable
    stop : callable
        True ends the loop.
    tell : callable
        Gets a preview each second.
    until_s : float
        On the clock.

    Raises
    ------
    DeviceError
        When frames stop coming.
    """
    tally, heard_s = Tally(), clock()
    seconds = _Seconds(camera, tell, clock())
    while not stop() and clock() < until_s:
        frame = camera.queue.get(PULL_S)
        if frame is None:
            if camera.queue.ended:
                break
            _patience(camera, heard_s, clock())
            continue
        heard_s = clock()
        check(frame.image, camera.queue.source.name)
        row, seen = sample(camera, frame)
        if sink is not None:
            sink.push(np.array([frame.time_s - camera.latency_s]), row[None])
        tally.frames += 1
        tally.dropped = camera.queue.dropped
        tally.faceless += not seen.faces
        tally.late_s.append(clock() - frame.time_s)
        seconds.add(seen, lens_of(camera, frame.image), clock())
    seconds.end()
    return tally


class _Seconds:
    """Gathers frames, and sums them up each second, or once where there is less."""

    def __init__(
        self, camera: Camera, tell: Callable[[Preview], object], now_s: float
    ) -> None:
        self._camera, self._tell, self._told_s = camera, tell, now_s
        self._glances: list[Glance] = []
        self._lens: Lens | None = None
        self._dropped = self._count = 0

    def add(self, seen: Glance, lens: Lens, now_s: float) -> None:
        """Take a frame; tell where a second is over."""
        self._glances.append(seen)
        self._lens = lens
        if now_s - self._told_s >= EVERY_S:
            self._told_s = now_s
            self._sum()

    def end(self) -> None:
        """Tell what there is, where nothing was told before."""
        if self._glances and not self._count:
            self._sum()

    def _sum(self) -> None:
        if self._lens is not None:
            queue = self._camera.queue
            missed = queue.dropped - self._dropped
            fps = queue.source.fps
            self._tell(preview.summary(self._glances, self._lens, fps, missed))
            self._glances, self._dropped = [], queue.dropped
            self._count += 1


def _patience(camera: Camera, heard_s: float, now_s: float) -> None:
    if now_s - heard_s > LOST_S:
        raise DeviceError(
            f"{camera.queue.source.name} has sent no picture for {LOST_S:.0f} s; check "
            "its cable, close other programs that use it, and start again"
        )
