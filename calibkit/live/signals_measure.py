"""What is measured of the last seconds of a stream: loss, noise, rate. No verdicts.

Noise is worked out within short windows and its middle one is taken, so that eyes that
move about while they are checked do not count as noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.channels import Channel, feature_sources, missing
from calibkit.fitted import features
from calibkit.geometry import Setup
from calibkit.language import later
from calibkit.live.signals_head import STAND_IN, Lost, middle

Array = NDArray[np.float64]

WINDOW_S = 0.25  # within a usual fixation of 0.2 to 0.3 s
FEWEST = 5  # samples in a window, for slow cameras
OWN_UNIT = later("of the stream's own unit")
_SCREEN_UNITS = {
    "normalized": later("of the screen"),
    "px": later("pixels"),
    "mm": later("mm"),
}
_CAMERA_UNITS = {"px": later("pixels of the camera"), "mm": later("mm")}


@dataclass(frozen=True, kw_only=True)
class Eye:
    """What was seen of one eye.

    Parameters
    ----------
    eye, kind : str
    samples : int
        In which it was seen.
    loss : float, 0-1
        Share of the samples in which it was not.
    longest_gap_s : float
        Longest time without it.
    noise_unit : str
        "degrees", else what the two below are relative to; "" where nothing is known.
    rms_s2s, sd : float
        Precision from sample to sample, and as spread about the mean.
    confidence : float
        Median as the stream tells it, NaN where it does not.
    """

    eye: str
    kind: str
    samples: int
    loss: float
    longest_gap_s: float
    noise_unit: str
    rms_s2s: float
    sd: float
    confidence: float


class Spread(NamedTuple):
    """What of an `Eye` is asked for beside live gaze; fields as there."""

    eye: str
    noise_unit: str
    sd: float
    loss: float


@dataclass(frozen=True, kw_only=True)
class Rate:
    """How regularly samples came.

    Parameters
    ----------
    declared_hz, measured_hz : float
        0 declared is irregular.
    jitter_s : float
        Spread of the usual interval, robust to gaps.
    longest_gap_s : float
    absent : float, 0-1
        Share of samples that the usual interval leads one to expect and that did not
        come.
    repeated, backward : int
        Stamps that repeat, or run behind, the one before.
    """

    declared_hz: float
    measured_hz: float
    jitter_s: float
    longest_gap_s: float
    absent: float
    repeated: int
    backward: int


def rate(time: Array, declared_hz: float = 0.0) -> Rate:
    """Measure how regularly samples came.

    Parameters
    ----------
    time : array (n,), s
        Stamps as they came.
    declared_hz : float

    Returns
    -------
    Rate
    """
    steps = np.diff(time[np.isfinite(time)])
    onward = steps[steps > 0]
    odd = {"repeated": int((steps == 0).sum()), "backward": int((steps < 0).sum())}
    if not len(onward):
        return Rate(
            declared_hz=declared_hz,
            measured_hz=0.0,
            jitter_s=math.nan,
            longest_gap_s=math.nan,
            absent=0.0,
            **odd,
        )
    usual = float(np.median(onward))
    # The rounded number of intervals in each step: 1 is no gap.
    absent = float(np.sum(np.maximum(np.round(onward / usual) - 1, 0)))
    near = onward[onward < 1.5 * usual]
    return Rate(
        declared_hz=declared_hz,
        measured_hz=len(onward) / float(onward.sum()),
        jitter_s=float(1.4826 * np.median(np.abs(near - usual))),
        longest_gap_s=float(onward.max()),
        absent=absent / (absent + len(onward)),
        **odd,
    )


def eyes(
    time: Array,
    samples: NDArray[np.floating],
    channels: Sequence[Channel],
    setup: Setup | None = None,
) -> tuple[Eye, ...]:
    """Measure each eye that the stream has channels for.

    Parameters
    ----------
    time : array (n,), s
    samples : array (n, c)
    channels : sequence of Channel
    setup : Setup, optional
        Turns screen positions into degrees; without it their noise is relative to the
        screen, or in the stream's unit.

    Returns
    -------
    tuple of Eye
        Empty where nothing can be read.
    """
    if not feature_sources(channels):
        return ()
    table = np.asarray(samples, float)
    lost = missing(table, channels, setup or STAND_IN)
    return tuple(_eye(time, table, one) for one in _each(table, channels, setup, lost))


def spreads(
    time: Array,
    samples: NDArray[np.floating],
    channels: Sequence[Channel],
    setup: Setup,
    lost: Lost,
) -> tuple[Spread, ...]:
    """Spread and loss of each eye, as `eyes` tells them, and nothing else.

    Parameters
    ----------
    time : array (n,), s
    samples : array (n, c)
    channels : sequence of Channel
    setup : Setup
    lost : dict of array (n,) bool
        Where each eye is missing.

    Returns
    -------
    tuple of Spread
        Empty where nothing can be read.
    """
    if not feature_sources(channels):
        return ()
    found = []
    for one in _each(np.asarray(samples, float), channels, setup, lost):
        sd = _spread(time, one.places, one.shown)
        unit = one.unit if math.isfinite(sd) else ""
        found.append(Spread(one.source.eye, unit, sd, one.loss))
    return tuple(found)


class _Read(NamedTuple):
    """An eye's features, NaN where it is missing; how they are told; where it is."""

    source: features.EyeSource
    unit: str
    places: Array
    shown: Setup | None
    gone: NDArray[np.bool_]

    @property
    def loss(self) -> float:
        return float(self.gone.sum()) / len(self.gone) if len(self.gone) else 1.0


def _each(
    table: Array, channels: Sequence[Channel], setup: Setup | None, lost: Lost
) -> Iterator[_Read]:
    plan = features.layout(channels)
    xy = features.read(plan, table, setup or STAND_IN).xy
    for k, source in enumerate(plan.eyes):
        gone = lost[source.eye] | ~np.isfinite(xy[k]).all(axis=1)
        unit, scaled, shown = _scaled(source, table, xy[k], setup)
        places = np.where(gone[:, None], math.nan, scaled)
        yield _Read(source, unit, places, shown, gone)


def _eye(time: Array, table: Array, one: _Read) -> Eye:
    source = one.source
    rms, sd = noise(time, one.places, one.shown)
    column = source.confidence
    sure = table[:, column] if column is not None else np.empty(0)
    sure = sure[np.isfinite(sure)]
    return Eye(
        eye=source.eye,
        kind=source.kind,
        samples=int((~one.gone).sum()),
        loss=one.loss,
        longest_gap_s=longest_gap_s(time, one.gone),
        noise_unit=one.unit if math.isfinite(sd) else "",
        rms_s2s=rms,
        sd=sd,
        confidence=float(np.median(sure)) if len(sure) else math.nan,
    )


def _scaled(
    source: features.EyeSource, table: Array, xy: Array, setup: Setup | None
) -> tuple[str, Array, Setup | None]:
    """Features in a unit that can be told, and the set-up where that is degrees.

    Degrees come back as screen pixels, so that angles are exact off-axis.
    """
    if source.kind == "direction" or (source.kind == "screen" and setup is not None):
        shown = setup or STAND_IN
        return "degrees", geometry.angles_to_px(shown, xy), shown
    if source.kind == "screen":
        raw = np.asarray(table[:, list(source.columns)], float)
        return _SCREEN_UNITS.get(source.unit, OWN_UNIT), raw, None
    if source.kind == "pupil-reflex" and len(source.columns) == 6:
        return later("of the reflexes' distance"), xy, None
    return _CAMERA_UNITS.get(source.unit, OWN_UNIT), xy, None


def noise(time: Array, xy: Array, setup: Setup | None = None) -> tuple[float, float]:
    """Precision from sample to sample and as spread, of the middle short window.

    Parameters
    ----------
    time : array (n,), s
    xy : array (n, 2)
        NaN where missing; with `setup`, screen pixels.
    setup : Setup, optional
        The answer is then in degrees, else in the unit of xy.

    Returns
    -------
    (rms_s2s, sd)
        NaN where no window is full enough.

    Notes
    -----
    Definitions as in `quality`. Taking the middle window is ours.
    """
    parts = _windows(time, xy)
    if not len(parts):
        return math.nan, math.nan
    figures = _plain_noise(parts) if setup is None else _noise_deg(parts, setup)
    return middle(figures[:, 0]), middle(figures[:, 1])


def _spread(time: Array, xy: Array, setup: Setup | None) -> float:
    """Return the second of what `noise` does, without the first."""
    parts = _windows(time, xy)
    if not len(parts):
        return math.nan
    return middle(_sd(parts if setup is None else _offsets(parts, setup)))


def _windows(time: Array, xy: Array) -> Array:
    """Stretches of about a quarter second with no sample missing, (w, length, 2)."""
    if len(time) < FEWEST:
        return xy[:0, None]
    steps = time[1:] - time[:-1]
    onward = steps[steps > 0]
    usual = middle(onward) if len(onward) else 0.0
    # Stamps can be absurd: no window is longer than all there is.
    wanted = WINDOW_S / usual if usual > WINDOW_S / len(time) else float(len(time))
    length = max(FEWEST, round(wanted) if usual > 0 else FEWEST)
    whole = len(xy) // length * length
    parts = xy[:whole].reshape(-1, length, 2)
    # One that is missing makes its window's sum none.
    kept: Array = parts[np.isfinite(parts.sum(axis=(1, 2)))]
    return kept


# Both figures (w, 2) of windows (w, n, 2), all at once: this runs beside live gaze.


def _noise_deg(parts: Array, setup: Setup) -> Array:
    before, after = parts[:, :-1].reshape(-1, 2), parts[:, 1:].reshape(-1, 2)
    steps = geometry.angle_between(setup, before, after).reshape(len(parts), -1)
    return _figures(steps**2, _offsets(parts, setup))


def _offsets(parts: Array, setup: Setup) -> Array:
    centres = np.repeat(parts.mean(axis=1), parts.shape[1], axis=0)
    offsets = geometry.offset_deg(setup, centres, parts.reshape(-1, 2))
    return offsets.reshape(parts.shape)


def _plain_noise(parts: Array) -> Array:
    return _figures((np.diff(parts, axis=1) ** 2).sum(axis=2), parts)


def _figures(squares: Array, places: Array) -> Array:
    return np.column_stack([np.sqrt(squares.mean(axis=1)), _sd(places)])


def _sd(places: Array) -> Array:
    """Spread of places (w, n, 2) in each window: `var` by its parts, to the bit."""
    count = places.shape[1]
    off = places - places.sum(axis=1, keepdims=True) / count
    off *= off
    sd: Array = np.sqrt((off.sum(axis=1) / (count - 1)).sum(axis=1))
    return sd


def longest_gap_s(time: Array, gone: NDArray[np.bool_]) -> float:
    """Longest time from one sample in which the eye is seen to the next.

    Parameters
    ----------
    time : array (n,), s
    gone : array (n,) bool

    Returns
    -------
    float, s
        0 where it was always seen, the whole time where it never was.
    """
    if not len(time) or not gone.any():
        return 0.0
    edges = np.concatenate([time[:1], time[~gone], time[-1:]])
    return float(np.diff(edges).max())
