"""The report as text for a terminal, and as plain data for JSON: the same content."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from calibkit.language import _, decimal
from calibkit.report import words
from calibkit.report.data import Report

WIDTH = 80


def text(report: Report, *, annex: bool = True) -> str:
    """Write the report as lines of at most 80 characters where words allow it.

    Parameters
    ----------
    report : Report
    annex : bool
        Whether to add how it was measured, and the cautions.
    """
    parts = [
        [report.title, "  ".join(f"{label}: {value}" for label, value in report.about)],
        [report.headline, *report.explained],
        report.sentences,
        [f"! {line}" for line in report.advice],
        _figures(report),
        _eyes(report),
        _targets(report),
        _history(report),
        *(_annex(report) if annex else ()),
    ]
    return (
        "\n\n".join(
            "\n".join(_wrapped(filter(None, part))) for part in parts if any(part)
        )
        + "\n"
    )


def _wrapped(lines: Iterable[str]) -> Iterable[str]:
    for line in lines:
        # A table's columns must stay where they are.
        if "   " in line or len(line) <= WIDTH:
            yield line
        else:
            yield from textwrap.wrap(line, WIDTH, subsequent_indent="  ")


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Lay cells out in columns; nothing without rows."""
    if not rows:
        return []
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    return [
        "   ".join(
            cell.ljust(width) for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in (head, *rows)
    ]


def _figures(report: Report) -> list[str]:
    def value(number: float, form: str) -> str:
        return words.percent(number) if form == "share" else words.degrees(number)

    rows = [
        (
            figure.name,
            value(figure.value, figure.form),
            f"{decimal(figure.mm, 1)} mm" if figure.mm == figure.mm else "",
            words.interval(figure.low, figure.high, figure.form),
        )
        for figure in report.figures
    ]
    return table(
        (_("Measure"), _("Value"), _("On the screen"), _("95 % interval")), rows
    )


def _eyes(report: Report) -> list[str]:
    rows = [
        (
            row.eye,
            words.degrees(row.accuracy_deg),
            words.degrees(row.precision_sd_deg),
            words.degrees(row.precision_rms_deg),
            words.percent(row.loss),
        )
        for row in report.eyes
    ]
    return table((_("Eye"), _("Accuracy"), _("SD"), _("RMS"), _("Loss")), rows)


def _targets(report: Report) -> list[str]:
    rows = [
        (
            str(row.number),
            row.place,
            words.degrees(row.accuracy_deg),
            row.direction,
            words.percent(row.loss),
            row.reason,
        )
        for row in report.targets
    ]
    head = (
        *(_("No."), _("Place"), _("Off by"), _("Gaze was"), _("Loss")),
        _("Which samples counted"),
    )
    return table(head, rows)


def _history(report: Report) -> list[str]:
    rows = [
        (
            row.when,
            row.kind,
            words.degrees(row.accuracy_deg),
            words.percent(row.loss),
            f"{row.rows} x {row.columns}" if row.rows else _("none"),
            row.kept,
        )
        for row in report.history
    ]
    head = (
        *(_("When (UTC)"), _("What"), _("Accuracy"), _("Loss"), _("Keys")),
        _("In use after it"),
    )
    return table(head, rows)


def _annex(report: Report) -> list[list[str]]:
    rows = [
        (str(row.number), row.place, row.verdict, decimal(row.weight, 2), row.reason)
        for row in report.looks
    ]
    head = (*(_("No."), _("Place"), _("For the mapping it"), _("Weight"), _("Why")),)
    return [
        list(report.notes),
        table(head, rows),
        [f"{label}: {value}" for label, value in report.technical],
        [*report.cautions, words.made(report.made)],
    ]


def plain(report: Report) -> dict[str, Any]:
    """Return the report as dictionaries, lists, numbers and text; no gaze samples."""
    made: dict[str, Any] = _plain(report)
    made.pop("gaze_px")
    return made


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _plain(getattr(value, field.name)) for field in fields(value)
        }
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    return value
