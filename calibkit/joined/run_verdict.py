"""What a session gave: is it enough already, is the mapping sound, is it better."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import CalibkitError
from calibkit.kept.protocol_model import Protocol
from calibkit.kept.recording import Recording
from calibkit.language import later
from calibkit.session import session_words as words

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.fitted.shared import SharedMapping
    from calibkit.session.session_plan import Plan

Array = NDArray[np.float64]
DOUBTFUL_WEIGHT = 0.3
# Fewer good looks cannot tell a lucky fit from a good one.
FEWEST_LOOKS = 3
WORSE_CONFIDENCE = 0.9
STEPS = 9


def fitted(
    rec: Recording, protocol: Protocol, shared: SharedMapping | Mapping | None
) -> Mapping:
    """Fit as the protocol asks: its eyes, weights and confidence."""
    from calibkit.fitted.fitting import fit

    data = protocol.data
    return fit(
        rec,
        shared,
        eyes=data.eyes,
        weights=None if data.weights is None else data.weights.model_dump(),
        min_confidence=data.min_confidence,
    )


def judge(
    snapshot: Callable[[], Recording],
    protocol: Protocol,
    plan: Plan,
    shared: SharedMapping | Mapping | None,
    know: Callable[[Mapping], None],
) -> Callable[[int, float], words.Verdict]:
    """Make the judge of a running session.

    Parameters
    ----------
    snapshot : callable
        What was recorded until now.
    protocol : Protocol
    plan : Plan
    shared : prior, optional
    know : callable
        Gets each sound mapping, to tell looks elsewhere and to show gaze.

    Returns
    -------
    callable (target, time) -> Verdict: enough once the mapping is as good as the
    protocol asks, else the targets whose looks do not fit the others
    """

    def answer(target: int, time_s: float) -> words.Verdict:
        rec = snapshot()
        try:
            mapping = fitted(rec, protocol, shared)
        except CalibkitError:
            return words.Verdict(time_s=time_s)
        if not fault(mapping, rec):
            know(mapping)
        if enough(mapping, protocol):
            return words.Verdict(time_s=time_s, enough=True)
        return words.Verdict(time_s=time_s, again=doubtful(mapping, plan))

    return answer


def enough(mapping: Mapping, protocol: Protocol) -> bool:
    """Whether a mapping is as good already as the protocol asks.

    Parameters
    ----------
    mapping : Mapping
    protocol : Protocol
        Asks by `pace.enough_keys`, `pace.enough_deg`, both, or not at all.

    Returns
    -------
    bool; where both are given, both must hold
    """
    from calibkit.fitted.fitting import predicted_sd_deg
    from calibkit.judged.keys_expected import RELIABILITY, expected_hit

    pace = protocol.pace
    good = int((mapping.looks["weight"] > DOUBTFUL_WEIGHT).sum())
    if not pace.ends_early or good < FEWEST_LOOKS:
        return False
    if pace.enough_deg > 0 and predicted_sd_deg(mapping) > pace.enough_deg:
        return False
    keys = pace.enough_keys
    return keys is None or expected_hit(mapping, *keys) >= RELIABILITY


def doubtful(mapping: Mapping, plan: Plan) -> tuple[int, ...]:
    """Ids of calibration targets of which no look fits the others."""
    best: dict[tuple[float, float], float] = {}
    for row in mapping.looks:
        if row["role"] == "calibration" and np.isfinite(row["x"]):
            place = (round(float(row["x"]), 3), round(float(row["y"]), 3))
            best[place] = max(best.get(place, 0.0), float(row["weight"]))
    return tuple(
        target.id
        for target in plan.targets
        if best.get((round(target.x, 3), round(target.y, 3)), 1.0) < DOUBTFUL_WEIGHT
    )


def fault(mapping: Mapping, rec: Recording) -> str:
    """Say why a mapping cannot be used, or "".

    It must be finite and in range where the person looked, and between any two targets
    it must run from the one to the other without turning back (not folded) and in the
    true direction (not mirrored).
    """
    gaze = mapping.apply(rec.samples)
    seen = np.asarray(np.isfinite(gaze.xy).all(axis=1))
    if not seen.any():
        return later("no sample of the session gives a gaze position")
    size = np.asarray(rec.setup.screen_px, float)
    inside = ((gaze.xy[seen] > -size) & (gaze.xy[seen] < 2 * size)).all(axis=1)
    if inside.mean() < 0.5:
        return later("most gaze falls far outside the screen")
    middles, places = _middles(mapping, rec, seen)
    for one, other in pairwise(range(len(places))):
        broken = _between(mapping, middles[[one, other]], places[[one, other]])
        if broken:
            return broken
    return ""


def _middles(
    mapping: Mapping, rec: Recording, seen: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Raw sample in the middle of each trusted look (k, c), and its target (k, 2).

    `seen` (n,) says of which samples the mapping gives gaze.
    """
    trusted = {int(r["target"]) for r in mapping.looks if r["weight"] > DOUBTFUL_WEIGHT}
    middles, places = [], []
    for index in sorted(trusted):
        row = rec.targets[index]
        late = row["offset"] - min(0.5, 0.5 * (row["offset"] - row["onset"]))
        rows = (rec.time >= late) & (rec.time < row["offset"]) & seen
        if np.isfinite(row["x"]) and rows.sum() > 2:
            middles.append(np.median(rec.samples[rows].astype(float), axis=0))
            places.append((row["x"], row["y"]))
    return np.array(middles), np.array(places, float).reshape(-1, 2)


def _between(mapping: Mapping, ends: Array, targets: Array) -> str:
    share = np.linspace(0.0, 1.0, STEPS)[:, None]
    way = mapping.apply(ends[0] + share * (ends[1] - ends[0])).xy
    true = targets[1] - targets[0]
    length = float(np.hypot(*true))
    if length < 1.0 or not np.isfinite(way).all():
        return ""
    along = way @ true / length
    if along[-1] <= along[0]:
        return later("it is mirrored between two targets")
    if np.any(np.diff(along) < -0.05 * length):
        return later("it folds back on itself between two targets")
    return ""


def worse_probability(new: Array, old: Array) -> float:
    """How probable it is that the new mapping is worse than the old on average.

    Parameters
    ----------
    new, old : array (t,), degrees
        Error of each at the same check targets, NaN where not seen.

    Returns
    -------
    float, 0-1; 0.5 where it cannot be told

    Notes
    -----
    One-sided paired t-test read as a posterior under a flat prior (Gelman et al.,
    Bayesian Data Analysis, section 3.2).
    """
    from scipy.stats import t

    differ = (new - old)[np.isfinite(new - old)]
    if len(differ) < 2:
        return 0.5
    spread = float(differ.std(ddof=1)) / np.sqrt(len(differ))
    if spread == 0.0:
        return float(np.heaviside(differ.mean(), 0.5))
    return float(t.cdf(differ.mean() / spread, len(differ) - 1))
