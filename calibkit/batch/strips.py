"""A strip of dots per group on one axis of degrees, as SVG; no library, same bytes.

Greys and one dark blue as in the report's pictures; position tells, colour repeats it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from calibkit.batch.summary import Group

INK, SOFT, FAINT, DOTS = "#1a1a1a", "#6b6b6b", "#dddddd", "#00466e"
WIDTH, LEFT, RIGHT, ROW, TOP = 720.0, 240.0, 20.0, 30.0, 24.0
MOST_DOTS = 200
_TICKS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


def picture(groups: Sequence[Group], label: str) -> str:
    """Draw the accuracies of some groups; empty text where none is known.

    Parameters
    ----------
    groups : sequence of Group
    label : str
        What the picture shows, for those who cannot see it.

    Returns
    -------
    str
        An <svg> element.
    """
    known = [v for g in groups for v in g.accuracies_deg if math.isfinite(v) and v > 0]
    if not known:
        return ""
    low, high = _limits(min(known), max(known))
    height = TOP + ROW * len(groups) + 30
    parts = [
        f'<svg viewBox="0 0 {WIDTH:g} {height:g}" role="img" '
        f'aria-label="{escape(label)}" font-family="sans-serif" font-size="13">'
    ]
    foot = TOP + ROW * len(groups)
    for tick in (t for t in _TICKS if low <= t <= high):
        x = _place(tick, low, high)
        parts.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP:g}" y2="{foot:g}" '
            f'stroke="{FAINT}"/><text x="{x:.1f}" y="{foot + 18:g}" fill="{INK}" '
            f'text-anchor="middle">{tick:g}°</text>'
        )
    for number, group in enumerate(groups):
        parts.append(_strip(group, TOP + ROW * (number + 0.5), low, high))
    return "\n".join([*parts, "</svg>"])


def _limits(least: float, most: float) -> tuple[float, float]:
    low = max([t for t in _TICKS if t <= least], default=_TICKS[0])
    high = min([t for t in _TICKS if t >= most], default=_TICKS[-1])
    return low, high if high > low else 2 * low


def _place(value: float, low: float, high: float) -> float:
    share = math.log(max(low, min(high, value)) / low) / math.log(high / low)
    return LEFT + share * (WIDTH - LEFT - RIGHT)


def _strip(group: Group, y: float, low: float, high: float) -> str:
    name = group.name if len(group.name) <= 28 else group.name[:27] + "…"
    parts = [
        f'<text x="{LEFT - 12:g}" y="{y + 4:.1f}" text-anchor="end" fill="{INK}">'
        f"{escape(name)} ({group.count})</text>"
    ]
    met = [v for v in group.accuracies_deg if math.isfinite(v)]
    # Of very many, every so-many-th in their order: the same shape in few marks.
    step = max(1.0, len(met) / MOST_DOTS)
    shown = [met[int(k * step)] for k in range(min(len(met), MOST_DOTS))]
    parts += [
        f'<circle cx="{_place(v, low, high):.1f}" cy="{y:.1f}" r="4" fill="{DOTS}" '
        'fill-opacity="0.35"/>'
        for v in shown
    ]
    if math.isfinite(group.median_deg):
        x = _place(group.median_deg, low, high)
        parts.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{y - 11:.1f}" y2="{y + 11:.1f}" '
            f'stroke="{INK}" stroke-width="3"/>'
        )
    return "".join(parts)
