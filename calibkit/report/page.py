"""The report as one page: no network, no script, prints on A4 and Letter, also grey."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

from calibkit.language import _, current, decimal
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
    from markupsafe import Markup

    pictures = {
        name: Markup(draw(report))
        for name, draw in (
            ("keys", plots.key_grid),
            ("map", plots.screen_map),
            ("aim", plots.aim),
        )
    }
    return filled(
        companion("calibkit.report", "page.html"),
        report=report,
        pictures=pictures,
        numbered=plots.numbered(report),
        large=large,
    )


def filled(template: str, **values: Any) -> str:
    """Fill a page in, in the style of all our pages; texts are escaped.

    Parameters
    ----------
    template : str
        HTML with places for values, and for `style`.
    **values
        What goes there.

    Returns
    -------
    str
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
    environment.globals.update(
        _=_, decimal=decimal, interval=words.interval, made=words.made
    )
    style = Markup(companion("calibkit.report", "page.css"))
    made = environment.from_string(template)
    return made.render(style=style, language=current(), **values)


def companion(package: str, name: str) -> str:
    """Read a text that lies beside the modules of a package."""
    return (files(package) / name).read_text(encoding="utf-8")
