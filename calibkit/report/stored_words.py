"""What is stored of a person, in plain words; `--json` has every digit of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calibkit.language import _
from calibkit.report import words


def person(row: Mapping[str, Any]) -> str:
    """Say in a line what is in use for a person, and how much is stored.

    Parameters
    ----------
    row : dict
        `person`, `version`, `created`, `versions`, `recordings` and `notice`.
    """
    used = _("no mapping")
    if row["version"]:
        used = _("version {number} of {when}").format(
            number=row["version"], when=when(row["created"])
        )
    text = _("in use: {used}; versions: {versions}, recordings: {recordings}").format(
        used=used, versions=row["versions"], recordings=row["recordings"]
    )
    line = f"{row['person']:<20} {text}"
    return f"{line}\n  {row['notice']}" if row["notice"] else line


def version(row: Mapping[str, Any]) -> str:
    """Say in a line what one mapping of a person is worth.

    Parameters
    ----------
    row : dict
        `version`, `created`, `in_use`, `fault` and `summary`.
    """
    state = row["fault"] or (_("in use") if row["in_use"] else _("kept"))
    head = _("version {number}, {when}, {state}").format(
        number=row["version"], when=when(row["created"]), state=state
    )
    return f"{head}: {_figures(row['summary']) or _('no figures stored')}"


def entry(row: Mapping[str, Any]) -> str:
    """Say in a line what one entry of a person's history tells."""
    what = words.kind(str(row.get("kind", "")))
    if "attempt" in row:
        attempt = _("attempt {number}").format(number=row["attempt"])
        what = f"{what}, {attempt}" if what else attempt
    head = " ".join(part for part in (when(row.get("created", "")), what) if part)
    found = _figures(row)
    return f"{head}: {found}" if found else head


def in_use(number: int, created: str, whose: str) -> str:
    """Say which mapping is in use now."""
    return _("Version {number} of {when} is in use for {person}.").format(
        number=number, when=when(created), person=whose
    )


def when(created: object) -> str:
    """Write a time as it is read, to the minute; "" where there is none."""
    text = str(created)[:16].replace("T", " ")
    return f"{text} UTC" if text else ""


def _figures(row: Mapping[str, Any]) -> str:
    parts = []
    if _number(row.get("rows")) and _number(row.get("columns")):
        parts.append(
            _("{rows} x {columns} keys (rows x columns)").format(
                rows=int(row["rows"]), columns=int(row["columns"])
            )
        )
    if _number(row.get("accuracy_deg")):
        off = words.degrees(float(row["accuracy_deg"]))
        parts.append(_("{degrees} off").format(degrees=off))
    if _number(row.get("loss")):
        parts.append(_("{share} lost").format(share=words.percent(float(row["loss"]))))
    if row.get("protocol"):
        parts.append(_("protocol {name}").format(name=row["protocol"]))
    if row.get("recording"):
        parts.append(str(row["recording"]))
    return ", ".join(parts)


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
