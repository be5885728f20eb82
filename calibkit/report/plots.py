"""The report's pictures as SVG text: same data, same bytes; greys and one dark blue.

Every mark that means something has a shape or a number too, so a grey print says the
same. Colours keep 3:1 for lines and 7:1 for text on white (WCAG 1.4.6, 1.4.11).
"""

from __future__ import annotations

import io
import math
import re
from typing import Any

import numpy as np

from calibkit import geometry
from calibkit.geometry import Setup
from calibkit.judged import coach_words
from calibkit.judged.quality import ellipse_k
from calibkit.language import _, later
from calibkit.report.data import Report, TargetRow

INK, SOFT, FAINT, GAZE = "#1a1a1a", "#6b6b6b", "#dddddd", "#00466e"
SHARE = 0.68
MOST_DOTS = 60
WIDTH_IN = 7.2
NUMBERS = later("Numbers say how many of 100 looks should land on a key.")
_STYLE = {
    "svg.hashsalt": "calibkit",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
    "font.size": 12,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}


def key_grid(report: Report, number: str = "1") -> str:
    """Draw the screen with the keys that can be used; empty text without any.

    Parameters
    ----------
    report : Report
    number : str
        Makes ids unique on a page with several pictures.

    Returns
    -------
    str
        An <svg> element.
    """
    keys, setup = report.keys, report.setup
    if keys is None or setup is None or not keys.rows:
        return ""
    width, height = setup.screen_mm
    figure, axes = _canvas(WIDTH_IN, WIDTH_IN * height / width + 0.1)
    wide, high = keys.key_mm
    for row, hits in enumerate(report.hits):
        for column, hit in enumerate(hits):
            weakest = (row, column) == keys.worst
            _key(axes, column * wide, row * high, wide, high, weakest=weakest)
            if numbered(report):
                axes.text(
                    *((column + 0.5) * wide, (row + 0.5) * high),
                    f"{math.floor(100 * hit + 1e-9)}",
                    ha="center",
                    va="center",
                    size=12,
                    weight="bold" if weakest else "normal",
                    color=INK,
                )
    _frame(axes, width, height)
    return _svg(figure, number, _("The keys that can be used"), _grid_words(report))


def numbered(report: Report) -> bool:
    """Whether a number of 12 points fits into every drawn key.

    Parameters
    ----------
    report : Report

    Returns
    -------
    bool
    """
    if report.keys is None or report.setup is None or not report.keys.rows:
        return False
    points = WIDTH_IN * 72 / report.setup.screen_mm[0]
    wide, high = report.keys.key_mm
    return wide * points >= 24 and high * points >= 18


def _key(
    axes: Any, x: float, y: float, wide: float, high: float, *, weakest: bool
) -> None:
    from matplotlib.patches import FancyBboxPatch

    gap = 0.05 * min(wide, high)
    radius = 0.08 * min(wide, high)
    axes.add_patch(
        FancyBboxPatch(
            (x + gap + radius, y + gap + radius),
            wide - 2 * (gap + radius),
            high - 2 * (gap + radius),
            boxstyle=f"round,pad={radius}",
            facecolor="white" if weakest else "#f1f1f1",
            edgecolor=INK if weakest else SOFT,
            linewidth=2.4 if weakest else 1.0,
            linestyle="--" if weakest else "-",
        )
    )


def _grid_words(report: Report) -> str:
    keys = report.keys
    if keys is None:
        return ""
    form = _("Keys on the screen: {grid}. The weakest key has a broken outline.")
    text = form.format(grid=coach_words.grid(keys.rows, keys.columns))
    return f"{text} {_(NUMBERS)}" if numbered(report) else text


def screen_map(report: Report, number: str = "2") -> str:
    """Draw the screen to scale: targets, the gaze that counted, ellipses, offsets.

    Parameters
    ----------
    report : Report
    number : str
        Makes ids unique on a page with several pictures.

    Returns
    -------
    str
        An <svg> element, or nothing without targets.
    """
    setup = report.setup
    if setup is None or not report.targets:
        return ""
    width, height = setup.screen_mm
    figure, axes = _canvas(WIDTH_IN, WIDTH_IN * height / width + 0.1)
    for k, target in enumerate(report.targets):
        at = geometry.px_to_mm(setup, (target.x, target.y))[0] + (width / 2, height / 2)
        if k < len(report.gaze_px):
            _dots(axes, setup, report.gaze_px[k])
        _mark(axes, at, target)
        if not math.isnan(target.accuracy_deg):
            _look(axes, setup, target, at)
    _frame(axes, width, height)
    axes.set_xlim(-0.03 * width, 1.03 * width)
    axes.set_ylim(1.04 * height, -0.04 * height)
    return _svg(figure, number, _("Where gaze fell on the screen"), _map_words(report))


def _map_words(report: Report) -> str:
    told = [
        _("target {number}, {place}: {where}").format(
            number=t.number, place=t.place, where=t.direction or _("not seen")
        )
        for t in report.targets
    ]
    text = _("Mean gaze against each target. {told}.")
    return text.format(told="; ".join(told))


def _dots(axes: Any, setup: Setup, gaze_px: Any) -> None:
    few = gaze_px[:: max(1, len(gaze_px) // MOST_DOTS)]
    mm = geometry.px_to_mm(setup, few) + np.array(setup.screen_mm) / 2
    axes.plot(*mm.T, ".", color="#a0a0a0", markersize=2.2, markeredgewidth=0)


def _mark(axes: Any, at: Any, target: TargetRow) -> None:
    axes.plot(*at, "+", color=INK, markersize=13, markeredgewidth=1.6)
    # On the side where gaze is not, so that neither hides the other.
    left, above = not target.right_deg < 0, not target.down_deg < 0
    axes.annotate(
        str(target.number),
        at,
        xytext=(-9 if left else 9, 8 if above else -8),
        textcoords="offset points",
        ha="right" if left else "left",
        va="baseline" if above else "top",
        size=15,
        color=INK,
    )


def _look(axes: Any, setup: Setup, target: TargetRow, at: Any) -> None:
    # Degrees to mm by the local scale, which is enough for a picture.
    local = geometry.px_per_degree(setup, (target.x, target.y))[0]
    local = local * np.array(setup.screen_mm) / setup.screen_px
    mean = at + local * (target.right_deg, target.down_deg)
    axes.plot(*zip(at, mean, strict=True), "-", color=GAZE, linewidth=1.6)
    axes.plot(*mean, "o", color=GAZE, markersize=5)
    outline = _ellipse(target) * local + mean
    axes.plot(*outline.T, "-", color=GAZE, linewidth=1.2)


def _ellipse(target: TargetRow) -> Any:
    xx, yy, xy = target.covariance_deg2
    covariance = np.array([[xx, xy], [xy, yy]])
    if not np.isfinite(covariance).all():
        return np.full((1, 2), np.nan)
    values, vectors = np.linalg.eigh(covariance)
    turn = np.linspace(0, 2 * math.pi, 49)
    radius = np.sqrt(2 * ellipse_k(SHARE) * np.maximum(values, 0))
    return (np.column_stack([np.cos(turn), np.sin(turn)]) * radius) @ vectors.T


def aim(report: Report, number: str = "3") -> str:
    """Lay all targets over one another, on one key drawn to the same scale.

    Parameters
    ----------
    report : Report
    number : str
        Makes ids unique on a page with several pictures.

    Returns
    -------
    str
        An <svg> element, or nothing where no target was seen.
    """
    seen = [t for t in report.targets if not math.isnan(t.accuracy_deg)]
    if not seen:
        return ""
    figure, axes = _canvas(3.5, 3.8)
    half = _key_halves(report)
    reach = max([1.0, *half, *(1.15 * t.accuracy_deg for t in seen)])
    if half:
        axes.add_patch(_box(half))
    axes.plot([-reach, reach], [0, 0], color=FAINT, linewidth=1, zorder=0)
    axes.plot([0, 0], [-reach, reach], color=FAINT, linewidth=1, zorder=0)
    axes.plot(0, 0, "+", color=INK, markersize=15, markeredgewidth=1.8)
    for order, target in enumerate(seen):
        mean = np.array([target.right_deg, target.down_deg])
        axes.plot(*(_ellipse(target) + mean).T, "-", color="#8a8a8a", linewidth=0.9)
        axes.plot(
            *mean,
            "o",
            color="white",
            markersize=18,
            markeredgecolor=GAZE,
            zorder=3 + order,
        )
        axes.text(
            *mean,
            str(target.number),
            ha="center",
            va="center",
            size=12,
            zorder=3.5 + order,
        )
    axes.set(xlim=(-reach * 1.06, reach * 1.06), ylim=(reach * 1.24, -reach * 1.04))
    _ruler(axes, reach)
    return _svg(
        figure, number, _("Every look, seen from its target"), _aim_words(report)
    )


def _key_halves(report: Report) -> tuple[float, ...]:
    keys = report.keys
    if keys is None or not keys.rows:
        return ()
    return (keys.key_deg[0] / 2, keys.key_deg[1] / 2)


def _box(half: tuple[float, ...]) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle(
        (-half[0], -half[1]),
        2 * half[0],
        2 * half[1],
        facecolor="#f1f1f1",
        edgecolor=SOFT,
        linewidth=1.4,
        zorder=-1,
    )


def _ruler(axes: Any, reach: float) -> None:
    y = reach * 1.12
    axes.plot([-0.5, 0.5], [y, y], color=INK, linewidth=3, solid_capstyle="butt")
    axes.text(0.6, y, _("1 degree"), ha="left", va="center", size=12, color=INK)


def _aim_words(report: Report) -> str:
    text = _(
        "The cross is the target that was looked at. Each number is the mean gaze."
    )
    if not _key_halves(report):
        return text
    box = _("The grey box is one key of the advised size, to the same scale.")
    return f"{text} {box}"


def _canvas(width: float, height: float) -> tuple[Any, Any]:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width, height))
        axes = figure.add_axes((0.005, 0.005, 0.99, 0.99))
        axes.set_aspect("equal")
        axes.set_axis_off()
    return figure, axes


def _frame(axes: Any, width: float, height: float) -> None:
    axes.plot(
        [0, width, width, 0, 0], [0, 0, height, height, 0], color=INK, linewidth=1.4
    )
    axes.set_xlim(-0.01 * width, 1.01 * width)
    axes.set_ylim(1.01 * height, -0.01 * height)


def _svg(figure: Any, number: str, title: str, description: str) -> str:
    import matplotlib as mpl

    kept = io.StringIO()
    with mpl.rc_context(_STYLE):
        figure.savefig(kept, format="svg", metadata={"Date": None, "Creator": None})
    text = kept.getvalue()
    body = text[text.index("<svg") :]
    body = re.sub(r"\s*<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    # Several pictures share a page, and an id may be there only once.
    body = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>p{number}-", body)
    opening = body[: body.index(">") + 1]
    named = re.sub(
        "^<svg",
        f'<svg role="img" aria-labelledby="t{number} d{number}"',
        opening,
    )
    named = re.sub(r' (width|height)="[^"]*pt"', "", named)
    head = (
        f'<title id="t{number}">{_escaped(title)}</title>'
        f'<desc id="d{number}">{_escaped(description)}</desc>'
    )
    return named + head + body[len(opening) :].rstrip()


def _escaped(text: str) -> str:
    from html import escape

    return escape(text, quote=True)
