"""When a grid of the pointing trial has become hard, and when it went well."""

from __future__ import annotations

from calibkit.session.pointing_asks import Ask

# A grid is judged after this many asks, sooner when it is clear.
MOST_ASKS, FEWEST_ASKS, ENOUGH_MISSES = 6, 4, 2


def judge(here: list[Ask]) -> str:
    """Say of a grid's asks whether it is "hard", went "well", or is "open" yet.

    Two misses are hard, unless the person plainly looked elsewhere in one of them and
    there are asks left; four asks without a miss, or six with one, went well.
    """
    misses = sum(not ask.hit for ask in here)
    away = sum(ask.outcome in ("elsewhere", "none") for ask in here)
    if misses - min(away, 1) >= ENOUGH_MISSES:
        return "hard"
    if len(here) >= FEWEST_ASKS and misses == 0:
        return "well"
    if len(here) >= MOST_ASKS:
        return "well" if misses * 5 <= len(here) else "hard"
    return "open"
