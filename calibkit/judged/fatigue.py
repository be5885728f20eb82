"""Is the person tiring? Loss, latency, blinks and missed points over the time given.

Over forty minutes of looking, blinks get more and longer (literature: fatigue markers);
within a session the time is short, so a trend must be likely before anything is said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.judged import coach_words as words
from calibkit.judged.behaviour import Behaviour
from calibkit.judged.coach_data import Figure

Array = NDArray[np.float64]

# A trend is one when it is this probable and at least this large over the time given.
RISING = 0.975
LEAST = {"loss": 0.08, "latency": 0.25, "blinks": 10.0, "missed": 0.2}
UNITS = {"loss": "", "latency": "s", "blinks": "1/min", "missed": ""}
FEWEST = 8
# Our judgement (no published limit was found): a rest after two runs' worth of looking,
# the end after five minutes of it.
REST_S, END_S = 150.0, 300.0


@dataclass(frozen=True, kw_only=True)
class Trend:
    """How a measure goes with time: per minute, 95 % interval, probability of rising.

    `rise` is over the whole time; NaN where there are too few targets.
    """

    name: str
    per_min: float
    low: float
    high: float
    rising: float
    rise: float

    @property
    def tells(self) -> bool:
        """Whether it is likely and large enough to act on."""
        return self.rising >= RISING and self.rise >= LEAST[self.name]


@dataclass(frozen=True, kw_only=True)
class Fatigue:
    """What the trends say: go "on", "rest" or "end", with words and figures."""

    kind: str
    words: str
    seconds: float
    trends: tuple[Trend, ...]

    @property
    def figures(self) -> tuple[Figure, ...]:
        """The trends that tell, as evidence."""
        return tuple(
            Figure(
                name=f"{t.name} per minute",
                value=t.per_min,
                unit=UNITS[t.name],
                low=t.low,
                high=t.high,
            )
            for t in self.trends
            if t.tells
        )


def judge(attempts: Sequence[Behaviour]) -> Fatigue:
    """Say whether to go on.

    Parameters
    ----------
    attempts : sequence of Behaviour
        Of one sitting since its last rest, oldest first; one will do.

    Returns
    -------
    Fatigue
    """
    found = trends(attempts)
    seconds = float(sum(attempt.seconds for attempt in attempts))
    telling = [trend.name for trend in found if trend.tells]
    if seconds >= END_S:
        kind, text = "end", words.stop(seconds)
    elif telling:
        kind, text = "rest", words.tired(telling)
    elif seconds >= REST_S:
        kind, text = "rest", words.long(seconds)
    else:
        kind, text = "on", words.fresh()
    return Fatigue(kind=kind, words=text, seconds=seconds, trends=found)


def trends(attempts: Sequence[Behaviour]) -> tuple[Trend, ...]:
    """Trends of each measure over all targets of some attempts, in their order."""
    times, columns = [], []
    given_s = 0.0
    for attempt in attempts:
        rows = attempt.targets
        times.append(given_s + rows["time"])
        given_s += attempt.seconds
        minutes = np.maximum(rows["seconds"], 1e-9) / 60.0
        columns.append(
            np.column_stack(
                [
                    rows["loss"],
                    rows["latency_s"],
                    rows["blinks"] / minutes,
                    rows["missed"].astype(float),
                ]
            )
        )
    time = np.concatenate(times) / 60.0 if times else np.empty(0)
    table = np.concatenate(columns) if columns else np.empty((0, len(LEAST)))
    return tuple(
        _trend(name, time, values) for name, values in zip(LEAST, table.T, strict=True)
    )


def _trend(name: str, time: Array, values: Array) -> Trend:
    """Least squares over time, with Student's t."""
    from scipy.stats import t

    known = np.isfinite(values)
    time, values = time[known], values[known]
    spread = float(((time - time.mean()) ** 2).sum()) if len(time) else 0.0
    if len(time) < FEWEST or spread <= 0.0:
        unknown = math.nan
        return Trend(
            name=name, per_min=unknown, low=unknown, high=unknown, rising=0.5, rise=0.0
        )
    about = time - time.mean()
    slope = float(about @ values / spread)
    left = values - values.mean() - slope * about
    error = math.sqrt(float(left @ left) / (len(time) - 2) / spread)
    half = float(t.ppf(0.975, len(time) - 2)) * error
    rising = (
        float(t.cdf(slope / error, len(time) - 2))
        if error > 1e-12
        else float(np.heaviside(slope, 0.5))
    )
    return Trend(
        name=name,
        per_min=slope,
        low=slope - half,
        high=slope + half,
        rising=rising,
        rise=slope * float(np.ptp(time)),
    )
