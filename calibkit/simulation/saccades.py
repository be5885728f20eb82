"""Where the eyes point over time, as a chain of moves: jumps, glides, rests between.

Positions are field angles in degrees, right and down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibkit.simulation.optics import Array

Place = NDArray[np.float64]

# Velocity of a saccade over its unit time is 1 - |2u - 1|**2.5: flat-topped enough
# that peak over mean is 1.4, as published durations and peak velocities ask for.
_SHARP = 2.5


def duration_s(amplitude_deg: float) -> float:
    """Duration of a saccade: 2.2 ms a degree and 21 ms (Carpenter 1988, from memory).

    Parameters
    ----------
    amplitude_deg : float

    Returns
    -------
    float, s
    """
    return 0.0022 * amplitude_deg + 0.021


def progress(share: Array) -> Array:
    """How far a saccade has come (0-1) at a share (0-1) of its duration."""
    u = 2.0 * share - 1.0
    area = u - np.sign(u) * np.abs(u) ** (_SHARP + 1) / (_SHARP + 1)
    whole = 1.0 - 1.0 / (_SHARP + 1)
    done: Array = 0.5 * (1.0 + area / whole)
    return done


class Moves:
    """A growing chain of moves; what was already seen never changes.

    Parameters
    ----------
    place : array (2,)
        Where the eyes rest before the first move, degrees.
    """

    def __init__(self, place: Place) -> None:
        self._start = [-np.inf]
        self._stop = [-np.inf]
        self._from = [place]
        self._to = [place]
        self._jump = [True]
        self._settled = -np.inf

    def jump(self, at_s: float, to: Place, slowness: float = 1.0) -> float:
        """Jump to a place; later plans are dropped. Returns when it lands."""
        start = self._make_room(at_s)
        here = self.place(start)
        took = slowness * duration_s(float(np.hypot(*(to - here))))
        self._add(start, start + took, here, to, jump=True)
        return start + took

    def glide(self, at_s: float, until_s: float, to: Place) -> None:
        """Move evenly to a place; later plans are dropped."""
        start = self._make_room(at_s)
        if start < until_s:
            self._add(start, until_s, self.place(start), to, jump=False)

    def cancel(self, after_s: float) -> None:
        """Drop the plans that would begin after a time."""
        self._make_room(after_s)

    def place(self, at_s: float) -> Place:
        """Where the eyes point at one moment."""
        return self._places(np.array([at_s]))[0]

    def places(self, times: Array) -> Array:
        """Where the eyes point (n, 2) at rising times; the past is then settled."""
        places = self._places(times)
        self._settled = float(times[-1])
        self._forget(float(times[0]))
        return places

    def ends(self) -> float:
        """When the last planned move ends."""
        return self._stop[-1]

    def _places(self, times: Array) -> Array:
        start, stop = np.array(self._start), np.array(self._stop)
        k = np.searchsorted(start, times, side="right") - 1
        with np.errstate(invalid="ignore"):
            share = (times - start[k]) / (stop[k] - start[k])
        share = np.where(np.isfinite(share), np.clip(share, 0.0, 1.0), 1.0)
        share = np.where(np.array(self._jump)[k], progress(share), share)[:, None]
        first, last = np.array(self._from)[k], np.array(self._to)[k]
        where: Array = first + (last - first) * share
        return where

    def _make_room(self, at_s: float) -> float:
        at_s = max(at_s, self._settled)
        while self._start[-1] >= at_s and len(self._start) > 1:
            self._drop(-1)
        # A saccade in flight cannot be stopped; the next one waits for its landing.
        return max(at_s, self._stop[-1]) if self._jump[-1] else at_s

    def _add(
        self, start: float, stop: float, here: Place, to: Place, *, jump: bool
    ) -> None:
        self._start.append(start)
        self._stop.append(stop)
        self._from.append(here)
        self._to.append(to)
        self._jump.append(jump)

    def _drop(self, index: int) -> None:
        for chain in (self._start, self._stop, self._from, self._to, self._jump):
            del chain[index]

    def _forget(self, before_s: float) -> None:
        while len(self._start) > 2 and self._start[1] < before_s:
            self._drop(0)
