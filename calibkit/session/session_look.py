"""Is the person looking at the target? Told from raw features, without any mapping.

A look is steady gaze, well enough seen, that began with a movement since the target
before. All three are judged in the signal's own noise: there is no fixed window after
the onset and no speed in degrees, which raw features do not have. Once a mapping is
known (`know`), a look must also be near its target.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.features import Layout, read
from calibkit.geometry import Setup, angle_between, px_to_angles

Array = NDArray[np.float64]

MEMORY_S = 4.0
BIN_S = 0.04
BIN_SAMPLES = 3
# A step between bins that is no noise: Engbert and Kliegl (2003), lambda = 6.
STEP_SD = 6.0
SETTLE_S = 0.1
LATE_S = 0.4
# Where a mapping is known, a look is not further than this from its target.
NEAR_DEG = 5.0
# A look this much smaller than the smallest movement per degree so far is no movement.
MOVED_SHARE = 0.4


@dataclass(frozen=True, kw_only=True, eq=False)
class Stretch:
    """The newest steady stretch: how long, how well seen, where in features (e, 2)."""

    lasts_s: float
    seen: float
    place: Array
    noise: Array


class Looks:
    """Watches raw gaze and says when a look has been held long enough.

    Parameters
    ----------
    layout : Layout
        What is read from the stream, eyes left out already.
    setup : Setup
    hold_s : float
        How long a look is held.
    max_loss : float, 0-1
        Share of the time that may be lost.
    min_confidence : float
    max_noise_deg : float
        Noise up to which a look is a look, where degrees are known; 0 any.
    """

    def __init__(
        self,
        layout: Layout,
        setup: Setup,
        *,
        hold_s: float,
        max_loss: float,
        min_confidence: float = 0.0,
        max_noise_deg: float = 0.0,
    ) -> None:
        self._max_noise_deg = max_noise_deg
        self._layout, self._setup = layout, setup
        self._hold_s, self._max_loss = hold_s, max_loss
        self._min_confidence = min_confidence
        self._times: list[Array] = []
        self._places: list[Array] = []
        self._since = -np.inf
        self._before: Array | None = None
        self._apart_deg = np.inf
        self._per_degree = np.inf
        self._raw: list[NDArray[np.floating]] = []
        self._gaze: Callable[[NDArray[np.floating]], Array] | None = None
        self._target: tuple[float, float] | None = None

    def know(self, gaze: Callable[[NDArray[np.floating]], Array]) -> None:
        """Take a mapping from raw samples (n, c) to gaze (n, 2), px, once there is one.

        A look far from its target is then no look: the target stays on, is shown again
        if need be, and counts at last as it is.
        """
        self._gaze = gaze

    def feed(self, times: Array, samples: NDArray[np.floating]) -> None:
        """Take raw samples (n, c) at times (n,)."""
        if not len(times):
            return
        signals = read(self._layout, samples, self._setup, self._min_confidence)
        self._times.append(np.asarray(times, float))
        self._places.append(signals.xy)
        self._raw.append(samples)
        horizon = times[-1] - MEMORY_S
        while self._times and self._times[0][-1] < horizon:
            del self._times[0], self._places[0], self._raw[0]

    def begin(
        self,
        since_s: float,
        apart_deg: float,
        target: tuple[float, float] | None = None,
    ) -> None:
        """Begin to watch a new target.

        Parameters
        ----------
        since_s : float
            When it began to be measured.
        apart_deg : float
            How far it lies from the one looked at last.
        target : pair of float, px, optional
            Where it is, if it rests.
        """
        self._since, self._apart_deg, self._target = since_s, apart_deg, target

    def held(self, now_s: float) -> bool:
        """Whether a look at the target has been held long enough."""
        stretch = self._stretch(now_s)
        return (
            stretch is not None
            and stretch.lasts_s >= self._hold_s
            and stretch.seen >= 1.0 - self._max_loss
            and self._has_moved(stretch)
            and self._is_near()
            and self._is_quiet()
        )

    def restless(self, now_s: float) -> bool:
        """Whether the eyes were seen and have moved, though they never came to rest."""
        stretch = self._stretch(now_s)
        return (
            stretch is not None
            and stretch.seen >= 1.0 - self._max_loss
            and self._has_moved(stretch)
            and self._is_near()
        )

    def end(self, now_s: float) -> None:
        """Remember where the eyes were in this look."""
        stretch = self._stretch(now_s)
        if stretch is None:
            return
        moved = self._shift(stretch)
        if moved is not None and np.isfinite(self._apart_deg) and self._apart_deg > 0:
            self._per_degree = min(self._per_degree, moved / self._apart_deg)
        self._before = stretch.place

    def _is_near(self) -> bool:
        """Whether the newest gaze is near the target, as far as that is known."""
        if self._gaze is None or self._target is None:
            return True
        times = np.concatenate(self._times)
        gaze = self._gaze(np.concatenate(self._raw)[times > times[-1] - self._hold_s])
        gaze = gaze[np.isfinite(gaze).all(axis=1)]
        if not len(gaze):
            return True
        middle = np.median(gaze, axis=0)
        away_deg = angle_between(self._setup, self._target, middle)[0]
        return bool(away_deg <= NEAR_DEG)

    def _is_quiet(self) -> bool:
        """Whether the newest gaze trembles little enough, as far as degrees are known.

        Noise is the robust standard deviation of the steadier eye, so that a lost
        sample or a blink's edge does not count.
        """
        if self._max_noise_deg <= 0.0:
            return True
        times = np.concatenate(self._times)
        late = times > times[-1] - self._hold_s
        if self._gaze is not None:
            gaze_px = self._gaze(np.concatenate(self._raw)[late])
            eyes = px_to_angles(self._setup, gaze_px)[None]
        elif self._layout.in_degrees:
            eyes = np.concatenate(self._places, axis=1)[:, late]
        else:
            return True
        noise = [_noise_deg(xy[np.isfinite(xy).all(axis=1)]) for xy in eyes]
        return not min(noise) > self._max_noise_deg

    def _has_moved(self, stretch: Stretch) -> bool:
        moved = self._shift(stretch)
        if moved is None or self._apart_deg < 2.0:
            return True
        small = MOVED_SHARE * self._apart_deg * self._per_degree
        return moved > (STEP_SD if np.isinf(small) else small)

    def _shift(self, stretch: Stretch) -> float | None:
        """Distance from the last look in noise units, of the eye that moved most."""
        if self._before is None:
            return None
        apart = np.linalg.norm((stretch.place - self._before) / stretch.noise, axis=1)
        apart = apart[np.isfinite(apart)]
        return float(apart.max()) if len(apart) else None

    def _stretch(self, now_s: float) -> Stretch | None:
        if not self._times:
            return None
        times = np.concatenate(self._times)
        # A stream that comes late is not lost: what counts ends with its newest sample.
        if now_s - times[-1] < LATE_S:
            now_s = float(times[-1])
        places = np.concatenate(self._places, axis=1)
        width = max(BIN_S, BIN_SAMPLES * float(np.median(np.diff(times, prepend=0.0))))
        count = int(min(MEMORY_S, now_s - times[0]) / width)
        if count < 4:
            return None
        edge = now_s - count * width
        binned = np.stack([_binned(times, eye, edge, width, count) for eye in places])
        return self._newest(binned, edge, width, now_s)

    def _newest(
        self, binned: Array, edge: float, width: float, now_s: float
    ) -> Stretch | None:
        count = binned.shape[1]
        steps, noise = _steps(binned)
        breaks = np.flatnonzero(np.nanmax(steps, axis=0, initial=0.0) > STEP_SD)
        rest = edge + (breaks[-1] + 1) * width + SETTLE_S if len(breaks) else edge
        start = max(rest, self._since)
        window = np.arange(count) >= count - max(round(self._hold_s / width), 1)
        window &= edge + np.arange(count) * width >= self._since - width
        if not window.any():
            return None
        seen = np.isfinite(binned[:, window]).all(axis=2)
        return Stretch(
            lasts_s=now_s - start,
            seen=float(seen.any(axis=0).mean()),
            place=_median(binned[:, window]),
            noise=noise,
        )


def _noise_deg(xy: Array) -> float:
    if len(xy) < 5:
        return np.inf
    away = np.abs(xy - np.median(xy, axis=0))
    return float(1.4826 * np.hypot(*np.median(away, axis=0)))


def _binned(times: Array, xy: Array, edge: float, width: float, count: int) -> Array:
    which = np.floor((times - edge) / width).astype(int)
    inside = (which >= 0) & (which < count) & np.isfinite(xy).all(axis=1)
    which, xy = which[inside], xy[inside]
    number = np.bincount(which, minlength=count).astype(float)
    number[number == 0] = np.nan
    sums = [np.bincount(which, column, minlength=count) for column in xy.T]
    return np.column_stack(sums) / number[:, None]


def _steps(binned: Array) -> tuple[Array, Array]:
    """Steps from each bin to the next that was seen, in noise units, and the noise."""
    eyes, count, _ = binned.shape
    steps = np.zeros((eyes, count - 1))
    noise = np.full((eyes, 2), np.nan)
    for eye in range(eyes):
        there = np.flatnonzero(np.isfinite(binned[eye]).all(axis=1))
        if len(there) < 4:
            continue
        jumps = np.diff(binned[eye, there], axis=0)
        # Two quantiles of a normal spread; the upper one for whole-pixel signals, in
        # which more than half of the steps are 0.
        middle, upper = np.quantile(np.abs(jumps), (0.5, 0.8), axis=0)
        spread = np.maximum(middle / 0.6745, upper / 1.2816)
        noise[eye] = np.maximum(spread, 1e-9 + 1e-6 * np.abs(binned[eye, there]).max())
        steps[eye, there[1:] - 1] = np.linalg.norm(jumps / noise[eye], axis=1)
    return steps, noise


def _median(binned: Array) -> Array:
    """Median over bins per eye, NaN for an eye that was not seen."""
    out = np.full((len(binned), 2), np.nan)
    for eye, places in enumerate(binned):
        there = np.isfinite(places).all(axis=1)
        if there.any():
            out[eye] = np.median(places[there], axis=0)
    return out
