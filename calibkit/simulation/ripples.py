"""Chance that does not depend on how it is asked for.

Noise is made in fixed blocks from a generator of its own, spells (blinks, losses) one
after the other from theirs: whoever reads in pieces reads the same figures.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibkit.simulation.optics import Array

_BLOCK = 64


class Ripple:
    """First-order correlated noise on a fixed grid, some columns of it.

    Parameters
    ----------
    rng : numpy Generator
        Used by nobody else.
    sd : array (c,)
        Standard deviation of each column.
    tau_s : float
        Correlation time; 0 for white noise.
    step_s : float
        Time between rows.
    """

    def __init__(
        self, rng: np.random.Generator, sd: ArrayLike, tau_s: float, step_s: float
    ) -> None:
        self._rng = rng
        self._sd = np.asarray(sd, float)
        self.step_s = step_s
        keep = float(np.exp(-step_s / tau_s)) if tau_s > 0 else 0.0
        powers = np.subtract.outer(np.arange(_BLOCK), np.arange(_BLOCK))
        self._carry = keep ** np.arange(1, _BLOCK + 1)[:, None]
        self._spread = np.where(powers >= 0, keep ** np.maximum(powers, 0), 0.0)
        self._spread *= np.sqrt(1 - keep**2)
        self._last = rng.standard_normal(len(self._sd))
        self._first, self._rows = 0, np.empty((0, len(self._sd)))

    def rows(self, start: int, stop: int) -> Array:
        """Rows `start` to `stop` (c columns); earlier rows are forgotten."""
        short = stop - self._first - len(self._rows)
        blocks = [self._block() for _ in range(-(-short // _BLOCK))]
        self._rows = np.concatenate([self._rows, *blocks])
        spare = max(0, start - self._first) // _BLOCK * _BLOCK
        self._first, self._rows = self._first + spare, self._rows[spare:]
        rows: Array = self._rows[start - self._first : stop - self._first] * self._sd
        return rows

    def at(self, since_s: Array) -> Array:
        """Values (n, c) between the grid's rows, at rising times from its start."""
        if not len(since_s):
            return np.empty((0, len(self._sd)))
        place = np.maximum(since_s, 0.0) / self.step_s
        low = np.floor(place).astype(int)
        rows = self.rows(int(low[0]), int(low[-1]) + 2)
        below = low - low[0]
        share = (place - low)[:, None]
        mixed: Array = rows[below] * (1 - share) + rows[below + 1] * share
        return mixed

    def _block(self) -> Array:
        fresh = self._rng.standard_normal((_BLOCK, len(self._sd)))
        block: Array = self._spread @ fresh + self._carry * self._last
        self._last = block[-1]
        return block


class Spells:
    """Spells that come by chance: blinks, losses, jumps.

    Parameters
    ----------
    rng : numpy Generator
    per_s : float
        How often one begins; 0 for never.
    length_s, spread : float
        Median length and the standard deviation of its logarithm.
    """

    def __init__(
        self, rng: np.random.Generator, per_s: float, length_s: float, spread: float
    ) -> None:
        self._rng, self._per_s = rng, per_s
        self._length_s, self._spread = length_s, spread
        # A first spell long past, so that every time has one before it.
        self._starts, self._stops = [-1e9], [-1e9]

    def _spans(self, since_s: float, until_s: float) -> tuple[Array, Array]:
        """Starts and stops of all spells near this time, and one on either side."""
        while self._starts[-1] <= until_s:
            self._one_more()
        while len(self._stops) > 2 and self._stops[1] < since_s:
            del self._starts[0], self._stops[0]
        return np.array(self._starts), np.array(self._stops)

    def depth(self, since_s: Array, ramp_s: float) -> Array:
        """How deep (n,) in a spell each time is: 0 outside, 1 inside, ramps beside it.

        Parameters
        ----------
        since_s : array (n,), s
            Rising.
        ramp_s : float, s
        """
        if self._per_s <= 0 or not len(since_s):
            return np.zeros(len(since_s))
        starts, stops = self._spans(since_s[0] - ramp_s, since_s[-1] + ramp_s)
        last = np.searchsorted(starts, since_s, side="right") - 1
        outside = np.minimum(
            np.maximum(since_s - stops[last], 0.0), starts[last + 1] - since_s
        )
        depth: Array = np.clip(1.0 - outside / max(ramp_s, 1e-9), 0.0, 1.0)
        return depth

    def _one_more(self) -> None:
        pause = self._rng.exponential(1.0 / self._per_s)
        factor = np.exp(self._spread * self._rng.standard_normal())
        start = max(0.0, self._stops[-1]) + pause
        self._starts.append(float(start))
        self._stops.append(float(start + self._length_s * factor))


class Steps:
    """A value that jumps now and then to a new one: microsaccades, shifts in a seat.

    Parameters
    ----------
    rng : numpy Generator
    per_s : float
        Jumps a second.
    sd : array (c,)
        Standard deviation of the values.
    ramp_s : float
        How long a jump takes.
    """

    def __init__(
        self, rng: np.random.Generator, per_s: float, sd: ArrayLike, ramp_s: float
    ) -> None:
        self._rng, self._per_s, self._ramp_s = rng, per_s, ramp_s
        self._sd = np.asarray(sd, float)
        self._starts = [-1.0]
        self._values = [self._draw(), self._draw()]
        self._starts.append(self._next())

    def at(self, since_s: Array) -> Array:
        """Values (n, c) at rising times."""
        if not len(since_s):
            return np.empty((0, len(self._sd)))
        while self._starts[-1] <= since_s[-1]:
            self._starts.append(self._next())
            self._values.append(self._draw())
        while self._starts[2:] and self._starts[2] < since_s[0] - self._ramp_s:
            del self._starts[0], self._values[0]
        starts, values = np.array(self._starts), np.array(self._values)
        # The last start lies ahead; its value is the one to come.
        k = np.searchsorted(starts, since_s, side="right") - 1
        share = np.clip((since_s - starts[k]) / self._ramp_s, 0.0, 1.0)
        share = (share * share * (3 - 2 * share))[:, None]
        before = values[np.maximum(k - 1, 0)]
        moved: Array = before + (values[k] - before) * share
        return moved

    def _draw(self) -> Array:
        return self._sd * self._rng.standard_normal(len(self._sd))

    def _next(self) -> float:
        pause = self._rng.exponential(1.0 / self._per_s)
        return max(0.0, self._starts[-1]) + self._ramp_s + float(pause)
