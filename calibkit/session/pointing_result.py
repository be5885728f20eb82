"""What a pointing trial gave: hit rates, what was predicted, which keys to offer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.geometry import Setup
from calibkit.judged import quality
from calibkit.judged.keys import UsableKeys
from calibkit.session.pointing_asks import Ask, Throughput, throughput
from calibkit.session.pointing_choice import (
    hit_share,
    known_rows,
    prediction,
    reliable_keys,
)

# A grid counts as tried when this many of its keys were asked for.
TRIED = 3
# What "settled" means: 95 % sure that at least this share of selections hits.
SETTLED_SHARE = 0.8
MOST_MORE = 500
LONGER_DWELL = 1.5


@dataclass(frozen=True, kw_only=True)
class GridResult:
    """One grid of the trial; `low` and `high` bound the hit rate (Wilson, 95 %)."""

    rows: int
    columns: int
    tries: int
    hits: int
    beside: int
    elsewhere: int
    none: int
    low: float
    high: float
    predicted: float
    seconds: float


@dataclass(frozen=True, kw_only=True)
class PointingResult:
    """What the trial says.

    Parameters
    ----------
    asks : tuple of Ask
    grids : tuple of GridResult
        In the order in which they were tried.
    predicted_hits, hits, tries : float, int, int
        Over all asks: what was predicted from the check points alone, and what was.
    surprise : float
        Probability of a result as far from the prediction as this one, if that held.
    throughput : Throughput
    keys : UsableKeys
        Recommended; never finer than the finest grid that went well.
    dwell_s, next_dwell_s : float
        With which they were tried; with which to offer them: half as long again where
        many choices were made elsewhere, on the way.
    sure_hits, sure_tries, sure_low : int, int, float
        Asks on grids as fine or finer, and the lower end of their hit rate (95 %).
    more_trials : int
        How many more, all hits, until at least `SETTLED_SHARE` is settled (95 % sure);
        0 when it is, -1 when it would take more than `MOST_MORE`.
    """

    asks: tuple[Ask, ...]
    grids: tuple[GridResult, ...]
    predicted_hits: float
    hits: int
    tries: int
    surprise: float
    throughput: Throughput
    keys: UsableKeys
    dwell_s: float
    next_dwell_s: float
    sure_hits: int
    sure_tries: int
    sure_low: float
    more_trials: int


def more_trials(hits: int, tries: int, share: float = SETTLED_SHARE) -> int:
    """How many more trials, all of them hits, settle that the hit rate exceeds a share.

    Parameters
    ----------
    hits, tries : int
    share : float, 0-1

    Returns
    -------
    int; -1 when more than `MOST_MORE` are needed

    Notes
    -----
    Until the lower end of the 95 % interval (Wilson 1927) lies above the share.
    """
    for more in range(MOST_MORE + 1):
        if quality.wilson(hits + more, tries + more)[0] > share:
            return more
    return -1


def summarise(
    asks: Sequence[Ask],
    setup: Setup,
    checks: NDArray[np.void] | None = None,
    *,
    sd_deg: float = 1.0,
    reliability: float = 0.95,
) -> PointingResult:
    """Work out what a trial says.

    Parameters
    ----------
    asks : sequence of Ask
        In the order in which they were made.
    setup : Setup
    checks : structured array, optional
        An assessment's targets, from which hits were predicted.
    sd_deg : float
        The mapping's own uncertainty, where there are no check points.
    reliability : float, 0-1
        Of the recommended keys, as in `usable_keys`.

    Returns
    -------
    PointingResult
    """
    grids = tuple(
        _grid(group, setup, checks, sd_deg) for group in by_grid(asks).values()
    )
    hits = sum(grid.hits for grid in grids)
    chances = [grid.predicted for grid in grids for _ in range(grid.tries)]
    chosen = recommend(asks, setup, checks, reliability)
    count = max(chosen.rows * chosen.columns, 1)
    as_fine = [ask for ask in asks if ask.rows * ask.columns >= count]
    sure = sum(ask.hit for ask in as_fine)
    return PointingResult(
        asks=tuple(asks),
        grids=grids,
        predicted_hits=float(sum(chances)),
        hits=hits,
        tries=len(asks),
        surprise=_surprise(hits, chances),
        throughput=throughput(asks),
        keys=chosen,
        dwell_s=asks[-1].dwell_s if asks else math.nan,
        next_dwell_s=_next_dwell(asks),
        sure_hits=sure,
        sure_tries=len(as_fine),
        sure_low=quality.wilson(sure, len(as_fine))[0],
        more_trials=more_trials(sure, len(as_fine)),
    )


def _next_dwell(asks: Sequence[Ask]) -> float:
    if not asks:
        return math.nan
    away = sum(ask.outcome == "elsewhere" for ask in asks)
    many = away >= 2 and away * 5 >= len(asks)
    return asks[-1].dwell_s * (LONGER_DWELL if many else 1.0)


def by_grid(asks: Sequence[Ask]) -> dict[tuple[int, int], list[Ask]]:
    """Asks of each grid, in the order in which grids were tried."""
    groups: dict[tuple[int, int], list[Ask]] = {}
    for ask in asks:
        groups.setdefault((ask.rows, ask.columns), []).append(ask)
    return groups


def _grid(
    group: Sequence[Ask],
    setup: Setup,
    checks: NDArray[np.void] | None,
    sd_deg: float,
) -> GridResult:
    rows, columns = group[0].rows, group[0].columns
    hits = sum(ask.hit for ask in group)
    low, high = quality.wilson(hits, len(group))
    guess = prediction(known_rows(checks, (), setup), setup, group[0].dwell_s, sd_deg)
    times = [ask.seconds for ask in group if ask.hit]
    count = {name: sum(ask.outcome == name for ask in group)
             for name in ("beside", "elsewhere", "none")}  # fmt: skip
    return GridResult(
        rows=rows,
        columns=columns,
        tries=len(group),
        hits=hits,
        **count,
        low=low,
        high=high,
        predicted=hit_share(guess, setup, rows, columns),
        seconds=float(np.median(times)) if times else math.nan,
    )


def _surprise(hits: int, chances: Sequence[float]) -> float:
    """Two-sided probability of so many hits, each with its own chance."""
    if not chances:
        return math.nan
    spread: NDArray[np.float64] = np.ones(1)
    for chance in chances:
        spread = np.asarray(np.convolve(spread, [1.0 - chance, chance]), float)
    as_odd = spread[spread <= spread[hits] * (1.0 + 1e-9)]
    return float(min(1.0, as_odd.sum()))


def went_well(group: Sequence[Ask]) -> bool:
    """Whether a grid was tried enough and hit: no more than a fifth missed."""
    misses = sum(not ask.hit for ask in group)
    return len(group) >= TRIED and misses * 5 <= len(group)


def recommend(
    asks: Sequence[Ask],
    setup: Setup,
    checks: NDArray[np.void] | None,
    reliability: float,
) -> UsableKeys:
    """Keys to offer: reliable by all offsets, and no finer than what went well.

    The asked share of reliability alone is not enough, because a prediction from few
    places can be luckier than the person's next selection.
    """
    rows = known_rows(checks, asks, setup)
    groups = by_grid(asks)
    well = [r * c for (r, c), group in groups.items() if went_well(group)]
    badly = [r * c for (r, c), group in groups.items() if not went_well(group)]
    # Half of what went badly, where nothing went well.
    most = max(well) if well else min(badly, default=1 << 30) // 2
    return reliable_keys(rows, setup, reliability, most)
