"""Live smoothing of gaze, one sample at a time; state goes in and comes out.

A filter lowers the scatter and never the offset, and it costs delay: each one states
its lag. Positions are in any unit; a filter for the screen is made with the pixels of
one degree, so that its settings are in degrees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit import errors

Point = tuple[float, float]
NOWHERE: Point = (math.nan, math.nan)
FORGET_S = 0.25  # after a blink of this length the next look starts afresh


@dataclass(frozen=True, kw_only=True)
class State:
    """What a filter remembers; each filter uses the part that it needs.

    `rows` holds (x, y) of the present look, oldest first; `doubt` is a far sample that
    waits for the next one to confirm it.
    """

    time_s: float
    xy: Point
    speed: Point = (0.0, 0.0)
    rows: tuple[tuple[float, float, float], ...] = ()
    doubt: tuple[float, float, float] | None = None


class Filter(Protocol):
    """One live filter."""

    def step(
        self, state: State | None, time_s: float, xy: Point
    ) -> tuple[State | None, Point]:
        """Take one sample; return the new state and the smoothed position."""
        ...

    def lag_s(self, rate_hz: float) -> float:
        """Return the delay of still or slowly moving gaze, in seconds."""
        ...


def smoothing_factor(cutoff_hz: float, step_s: float) -> float:
    """Return the weight of the newest sample in a first-order low pass.

    Source
    ------
    Casiez, Roussel, Vogel 2012 (CHI), 1-euro filter: alpha = 1 / (1 + tau / Te).
    """
    return 1.0 / (1.0 + 1.0 / (2.0 * math.pi * cutoff_hz * step_s))


@dataclass(frozen=True, kw_only=True)
class OneEuro:
    """The 1-euro filter: a low pass whose cut-off rises with speed.

    Parameters
    ----------
    cutoff_hz : float
        Cut-off of gaze at rest.
    slope : float
        Hz by which the cut-off rises for each unit a second.
    derivative_hz : float
        Cut-off of the speed's own low pass.

    Notes
    -----
    Both axes share the cut-off that their common speed gives, else a slanted movement
    would bend. The speed is taken against the previous smoothed position.

    Source
    ------
    Casiez, Roussel, Vogel 2012 (CHI).
    """

    cutoff_hz: float = 1.0
    slope: float = 0.1
    derivative_hz: float = 1.0

    def step(
        self, state: State | None, time_s: float, xy: Point
    ) -> tuple[State | None, Point]:
        """Take one sample; a missing one changes nothing but may end the look."""
        if _gone(xy):
            return _kept(state, time_s), NOWHERE
        state = _kept(state, time_s)
        if state is None or time_s <= state.time_s:
            return State(time_s=time_s, xy=xy), xy
        step_s = time_s - state.time_s
        weight = smoothing_factor(self.derivative_hz, step_s)
        raw = ((xy[0] - state.xy[0]) / step_s, (xy[1] - state.xy[1]) / step_s)
        speed = _mix(weight, raw, state.speed)
        cutoff = self.cutoff_hz + self.slope * math.hypot(*speed)
        smooth = _mix(smoothing_factor(cutoff, step_s), xy, state.xy)
        return State(time_s=time_s, xy=smooth, speed=speed), smooth

    def lag_s(self, rate_hz: float) -> float:
        """Return the lag of slow movement: the low pass's time constant."""
        del rate_hz
        return 1.0 / (2.0 * math.pi * self.cutoff_hz)


@dataclass(frozen=True, kw_only=True)
class LookMean:
    """A weighted mean over the present look, which starts anew at each saccade.

    Parameters
    ----------
    window_s : float
        Older samples of the look are left out.
    jump : float
        A sample farther than this from the mean may be a saccade; the next sample
        decides (one confirming sample, so that a single stray one moves nothing).

    Notes
    -----
    Weights fall linearly with age; the mean is as long as the look, up to `window_s`.

    Source
    ------
    Spakov 2012 compares live filters and finds a triangular kernel whose length follows
    the state best; one confirming sample as in Kumar et al. 2008.
    """

    window_s: float = 0.2
    jump: float = 2.0

    def step(
        self, state: State | None, time_s: float, xy: Point
    ) -> tuple[State | None, Point]:
        """Take one sample; a missing one changes nothing but may end the look."""
        if _gone(xy):
            return _kept(state, time_s), NOWHERE
        state = _kept(state, time_s)
        row = (time_s, *xy)
        if state is None:
            return self._mean((row,))
        if math.dist(xy, state.xy) <= self.jump:
            return self._mean((*state.rows, row))
        doubt = state.doubt
        if doubt is not None and math.dist(xy, doubt[1:]) <= self.jump:
            return self._mean((doubt, row))
        waiting = State(time_s=time_s, xy=state.xy, rows=state.rows, doubt=row)
        return waiting, state.xy

    def _mean(
        self, rows: tuple[tuple[float, float, float], ...]
    ) -> tuple[State, Point]:
        newest = rows[-1][0]
        kept = tuple(row for row in rows if newest - row[0] < self.window_s)
        total = len(kept) * (len(kept) + 1) / 2
        x = sum(k * row[1] for k, row in enumerate(kept, 1)) / total
        y = sum(k * row[2] for k, row in enumerate(kept, 1)) / total
        return State(time_s=newest, xy=(x, y), rows=kept), (x, y)

    def lag_s(self, rate_hz: float) -> float:
        """Return the lag within a look: a third of the window; one sample at a jump."""
        samples = max(1, round(self.window_s * rate_hz))
        return kernel_lag(triangular(samples)) / rate_hz


def triangular(samples: int) -> NDArray[np.float64]:
    """Return weights that fall linearly with age, newest first; their sum is 1."""
    weights = np.arange(samples, 0, -1.0)
    return weights / weights.sum()


def kernel_lag(weights: Sequence[float] | NDArray[np.float64]) -> float:
    """Return the delay of a weighted mean, in samples; weights newest first."""
    weight = np.asarray(weights, float)
    return float(np.arange(len(weight)) @ weight / weight.sum())


def kernel_variance(weights: Sequence[float] | NDArray[np.float64]) -> float:
    """Return what a weighted mean leaves of the variance of uncorrelated noise."""
    weight = np.asarray(weights, float)
    return float(weight @ weight / weight.sum() ** 2)


def _gone(xy: Point) -> bool:
    return not (math.isfinite(xy[0]) and math.isfinite(xy[1]))


def _kept(state: State | None, time_s: float) -> State | None:
    old = state is not None and time_s - state.time_s > FORGET_S
    return None if old else state


def _mix(weight: float, new: Point, old: Point) -> Point:
    rest = 1.0 - weight
    return weight * new[0] + rest * old[0], weight * new[1] + rest * old[1]


FILTERS = ("one-euro", "look-mean")


def named(name: str, px_per_degree: float) -> Filter:
    """Return a filter for screen pixels, by its name.

    Parameters
    ----------
    name : {"one-euro", "look-mean"}
    px_per_degree : float

    Raises
    ------
    CallError
        The name is unknown.

    Source
    ------
    1 Hz at rest and 0.1 Hz for each degree a second (100 deg/s gives 11 Hz), and a jump
    of 2 degrees: starting values of our own, no source.
    """
    if name == "one-euro":
        return OneEuro(slope=0.1 / px_per_degree)
    if name == "look-mean":
        return LookMean(jump=2.0 * px_per_degree)
    raise errors.CallError(
        f"filter {name!r} is unknown; choose one of {', '.join(FILTERS)}"
    )
