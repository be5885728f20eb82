"""The report as one page: no network, no script, prints on A4 and Letter, also grey."""

from __future__ import annotations

from importlib.resources import files

from calibkit.report import plots, words
from calibkit.report.data import Report


def render(report: Report, *, large: bool = False) -> str:
    """Make the whole page.

    Parameters
    ----------
    report : Report
    large : bool
        Large print: 16 pt instead of 12.

    Returns
    -------
    str
        HTML, with style and pictures inside.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(
        degrees=words.degrees,
        millimetres=words.millimetres,
        percent=words.percent,
        known=lambda value: value == value,
    )
    environment.globals["interval"] = words.interval
    pictures = {
        name: Markup(draw(report))
        for name, draw in (
            ("keys", plots.key_grid),
            ("map", plots.screen_map),
            ("aim", plots.aim),
        )
    }
    template = environment.from_string(_companion("page.html"))
    return template.render(
        report=report,
        pictures=pictures,
        style=Markup(_companion("page.css")),
        numbered=plots.numbered(report),
        large=large,
    )


def _companion(name: str) -> str:
    return (files("calibkit.report") / name).read_text(encoding="utf-8")
