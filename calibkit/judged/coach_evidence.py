"""What an attempt shows, as figures with their uncertainty, before anybody advises.

Thresholds are our judgement; where they come from measurements on simulated people of
each kind, `tests/test_coach.py` repeats the measurement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.person import TURNS_NOTE
from calibkit.judged import coach_words, quality
from calibkit.judged.assess_figures import Assessment
from calibkit.judged.behaviour import BELIEVED, Behaviour
from calibkit.judged.coach_data import Figure, Tried

Array = NDArray[np.float64]

# Farther off than any tracker with a person is, on average (our judgement).
FAR_DEG = 5.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Evidence:
    """Figures of one attempt; NaN where there is nothing to tell it from.

    Parameters
    ----------
    shown, missed, unlooked : int
        Targets shown; those without a look that counts; those of them at which the time
        ran out (the others were looked at from elsewhere).
    missed_low : float
        Lower end of the share of missed points (Wilson, 95 %).
    latency_s : float
        Median time until a look began.
    loss, loss_left, loss_right : float
        Share lost: of both eyes at once, of each.
    edge : (float, float, float, bool)
        Loss at the worse of lower and upper points, elsewhere, how sure, whether low.
    spread_deg, trembling : float
        Spread of gaze within a look; sample-to-sample over spread (1.41 is pure noise).
    head_mm : float
        Spread of the head's place, its largest axis.
    shift : (float, float, float)
        Constant part of the error (degrees), what would be left, how sure.
    better_eye : (str, float, float, float)
        Eye that does best alone, its error, that of both, how sure.
    turns : str
        The eye to look with where the eyes take turns in looking, else nothing.
    error_deg : float
    points : int
        Calibration points that counted.
    faulty : bool
        Whether the looks gave no mapping that can be used, or one by which gaze is far
        from most check targets.
    """

    shown: int
    missed: int
    unlooked: int
    missed_low: float
    where: tuple[str, ...]
    latency_s: float
    loss: float
    loss_left: float
    loss_right: float
    edge: tuple[float, float, float, bool]
    spread_deg: float
    trembling: float
    head_mm: float
    shift: tuple[float, float, float]
    better_eye: tuple[str, float, float, float]
    turns: str
    error_deg: float
    points: int
    faulty: bool
    behaviour: Behaviour

    def figure(self, name: str, value: float, unit: str = "") -> Figure:
        """Return a figure; places are those of missed points."""
        return Figure(name=name, value=float(value), unit=unit, where=self.where)

    @property
    def missed_share(self) -> float:
        """Share of points without a look that counts."""
        return self.missed / self.shown if self.shown else 0.0


def evidence(tried: Tried) -> Evidence:
    """Work out what an attempt shows."""
    behaviour, result = tried.behaviour, tried.result
    rows = behaviour.targets
    missed = int(rows["missed"].sum())
    late = rows["missed"] & (rows["seconds"] >= 0.95 * tried.protocol.pace.limit_s)
    looked = rows[~rows["missed"]]
    lost = [
        float(np.average(rows[name], weights=rows["seconds"] + 1e-9))
        if len(rows)
        else 1.0
        for name in ("loss", "loss_left", "loss_right")
    ]
    spread, trembling = _steadiness(result)
    return Evidence(
        shown=len(rows),
        missed=missed,
        unlooked=int(late.sum()),
        missed_low=quality.wilson(missed, len(rows))[0],
        where=_places(tried, rows[rows["missed"]]),
        latency_s=_median(looked["latency_s"]),
        loss=lost[0],
        loss_left=lost[1],
        loss_right=lost[2],
        edge=_edge(tried),
        spread_deg=spread,
        trembling=trembling,
        head_mm=_head(looked["head_mm"]),
        shift=shift_of(result),
        better_eye=better_eye(result),
        turns=_leading(tried, lost[1] <= lost[2]),
        error_deg=math.nan if result is None else result.accuracy_deg,
        points=_points(tried),
        faulty=bool(tried.fault) or _unmet(tried),
        behaviour=behaviour,
    )


def _unmet(tried: Tried) -> bool:
    """Whether looks at check targets were waited for in vain, though others came.

    Raw features of a few looks elsewhere can agree with one another: no weight tells,
    but then gaze is nowhere near what is looked at later.
    """
    rows, result = tried.behaviour.targets, tried.result
    checks = rows["role"] == "validation"
    if result is None or not checks.any() or checks.all():
        return False
    before, then = rows["missed"][~checks].mean(), rows["missed"][checks].mean()
    return bool(result.accuracy_deg >= FAR_DEG and then >= 0.5 and before < 0.2)


def _leading(tried: Tried, left_is_seen: bool) -> str:
    """Of eyes that take turns, the one that is more often on the targets."""
    if tried.mapping is None or TURNS_NOTE not in tried.mapping.notes:
        return ""
    alone = {} if tried.result is None else tried.result.eyes
    off = {
        eye: alone[eye].accuracy_deg
        for eye in ("left", "right")
        if eye in alone and math.isfinite(alone[eye].accuracy_deg)
    }
    if len(off) == 2:
        return min(off, key=lambda eye: off[eye])
    return "left" if left_is_seen else "right"


def _median(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _points(tried: Tried) -> int:
    if tried.mapping is None:
        return 0
    looks = tried.mapping.looks
    return int((looks["weight"] > BELIEVED).sum())


def _places(tried: Tried, rows: NDArray[np.void]) -> tuple[str, ...]:
    size = _screen(tried)
    found = []
    for row in rows:
        if size is not None and np.isfinite(row["x"]):
            found.append(coach_words.place(row["x"] / size[0], row["y"] / size[1]))
    return tuple(dict.fromkeys(found))


def _screen(tried: Tried) -> tuple[int, int] | None:
    made = tried.mapping or tried.result
    return None if made is None else made.setup.screen_px


def _steadiness(result: Assessment | None) -> tuple[float, float]:
    if result is None:
        return math.nan, math.nan
    spread = _median(result.targets["precision_sd_deg"])
    step = _median(result.targets["precision_rms_deg"])
    return spread, step / spread if spread > 0 else math.nan


def _head(places: Array) -> float:
    """Largest spread of an axis, of the targets' mean places."""
    known = [column[np.isfinite(column)] for column in places.T]
    spreads = [float(k.std(ddof=1)) for k in known if len(k) > 2]
    return max(spreads, default=math.nan)


def _edge(tried: Tried) -> tuple[float, float, float, bool]:
    """Compare loss at the lower and the upper third with that elsewhere (Welch)."""
    rows = tried.behaviour.targets
    rows = rows[np.isfinite(rows["y"])]
    nothing = (math.nan, math.nan, 0.0, True)
    size = _screen(tried)
    if len(rows) < 6 or size is None:
        return nothing
    found = []
    for low, inside in (
        (True, rows["y"] > size[1] * 2 / 3),
        (False, rows["y"] < size[1] / 3),
    ):
        here, there = rows["loss"][inside], rows["loss"][~inside]
        if len(here) > 1 and len(there) > 1:
            sure = more_probable(here, there)
            found.append((float(here.mean()), float(there.mean()), sure, low))
    return max(found, key=lambda f: f[0] - f[1], default=nothing)


def more_probable(one: Array, other: Array) -> float:
    """Probability that the mean of `one` exceeds that of `other` (Welch's t).

    Notes
    -----
    The one-sided test read as a posterior under a flat prior (Gelman et al., Bayesian
    Data Analysis, section 3.2); 0.5 where there are fewer than two values of each.
    """
    from scipy.stats import t

    one, other = one[np.isfinite(one)], other[np.isfinite(other)]
    if len(one) < 2 or len(other) < 2:
        return 0.5
    parts = np.array([v.var(ddof=1) / len(v) for v in (one, other)])
    apart = float(one.mean() - other.mean())
    if parts.sum() <= 1e-300:
        return float(np.heaviside(apart, 0.5))
    free = parts.sum() ** 2 / (parts**2 / (len(one) - 1, len(other) - 1)).sum()
    return float(t.cdf(apart / math.sqrt(parts.sum()), free))


def paired_probable(one: Array, other: Array) -> float:
    """Probability that the mean of `one` exceeds that of `other`, value by value."""
    from scipy.stats import t

    apart = (one - other)[np.isfinite(one - other)]
    if len(apart) < 2:
        return 0.5
    error = float(apart.std(ddof=1)) / math.sqrt(len(apart))
    if error <= 1e-150:
        return float(np.heaviside(apart.mean(), 0.5))
    return float(t.cdf(apart.mean() / error, len(apart) - 1))


def nearer_probable(new: Assessment, old: Assessment) -> float:
    """Probability that the new one's mean error is smaller.

    Paired where both have the same check targets, Welch's otherwise.
    """
    places = {_place(row): row["accuracy_deg"] for row in old.targets}
    common = [
        (places[_place(row)], row["accuracy_deg"])
        for row in new.targets
        if _place(row) in places
    ]
    if len(common) == len(new.targets) == len(old.targets):
        before, after = np.array(common).T
        return paired_probable(before, after)
    return more_probable(old.targets["accuracy_deg"], new.targets["accuracy_deg"])


def _place(row: np.void) -> tuple[float, float]:
    return round(float(row["x"]), 1), round(float(row["y"]), 1)


def shift_of(result: Assessment | None) -> tuple[float, float, float]:
    """Constant part of the error, what would be left of it, and how sure it is there.

    Notes
    -----
    Hotelling's T² of the offsets against no shift, by its F distribution.
    """
    from scipy.stats import f

    nothing = (math.nan, math.nan, 0.0)
    if result is None:
        return nothing
    rows = result.targets[result.targets["looked"]]
    off = np.column_stack([rows["offset_x_deg"], rows["offset_y_deg"]])
    off = off[np.isfinite(off).all(axis=1)]
    n = len(off)
    if n < 4:
        return nothing
    mean = off.mean(axis=0)
    cov = np.cov(off, rowvar=False)
    if np.linalg.det(cov) <= 1e-12:
        return nothing
    t2 = n * mean @ np.linalg.solve(cov, mean)
    sure = float(f.cdf(t2 * (n - 2) / (2 * (n - 1)), 2, n - 2))
    # A new shift is estimated from the one point, with the error of a single look.
    left = float(np.hypot(*(off - mean).T).mean() * math.sqrt((n + 1) / (n - 1)))
    return float(np.hypot(*mean)), left, sure


def better_eye(result: Assessment | None) -> tuple[str, float, float, float]:
    """Eye that alone is less far off than both together, and how probably."""
    nothing = ("", math.nan, math.nan, 0.0)
    if result is None:
        return nothing
    both = result.eyes["both"]
    found = []
    for eye in ("left", "right"):
        alone = result.eyes[eye]
        if np.isfinite(alone.targets["accuracy_deg"]).sum() >= 4:
            sure = paired_probable(
                both.targets["accuracy_deg"], alone.targets["accuracy_deg"]
            )
            found.append((eye, alone.accuracy_deg, both.accuracy_deg, sure))
    return max(found, key=lambda f: f[3], default=nothing)
