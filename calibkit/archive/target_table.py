"""A table of targets, as another program's log or our own export has it."""

from __future__ import annotations

import csv
import io
import math
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calibkit.errors import InputError
from calibkit.kept import disk
from calibkit.kept.recording_file import ADVANCES, ROLES

LIMIT_BYTES = 16 << 20
MOST_ROWS = 100_000
# Several spellings, those of our own tables and of event files among them.
_NAMES = {
    "onset": ("time", "onset", "time_s", "onset_s"),
    "offset": ("offset", "offset_s"),
    "duration": ("duration", "duration_s"),
    "x": ("x", "x_px", "target_x"),
    "y": ("y", "y_px", "target_y"),
    "role": ("role", "trial_type"),
    "advance": ("advance",),
    "kept": ("kept",),
}
_GONE = ("", "n/a", "nan")


def read_table(path: Path) -> list[tuple[Any, ...]]:
    """Read targets: (onset, offset, x, y, role, advance, kept), by time.

    Parameters
    ----------
    path : path of a .csv or .tsv file with a header

    Returns
    -------
    list of tuple
        A row of another role than ours, such as a note, is left out.

    Raises
    ------
    InputError
        With the row that is wrong, and why.
    """
    try:
        text = disk.read_regular(path, LIMIT_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from None
    head = text.split("\n", 1)[0]
    mark = max("\t,;", key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark))
    except csv.Error as error:
        raise InputError(f"{path} is no table ({error}); save it as CSV") from None
    columns = _columns(path, rows[0] if rows else [])
    found = [
        _row(path, number, row, columns)
        for number, row in enumerate(rows[1:], 2)
        if any(cell.strip() for cell in row)
    ]
    known = [row for row in found if row["role"] in ROLES]
    if not known or len(known) > MOST_ROWS:
        raise InputError(
            f"{path} holds {len(known)} targets; give 1 to {MOST_ROWS:,} rows with the "
            f"role {', '.join(ROLES)}"
        )
    return _ended(path, sorted(known, key=lambda row: row["onset"]))


def _columns(path: Path, header: Sequence[str]) -> dict[str, int]:
    words = [word.strip().lower() for word in header]
    found = {
        name: words.index(spelling)
        for name, spellings in _NAMES.items()
        for spelling in spellings[::-1]
        if spelling in words
    }
    lacking = [name for name in ("onset", "x", "y") if name not in found]
    if lacking:
        names = ", ".join(_NAMES[name][0] for name in lacking)
        raise InputError(
            f"{path} has no column {names} in its header; name the columns time, x, y "
            "and, where they are known, offset, role"
        )
    return found


def _row(
    path: Path, number: int, cells: Sequence[str], columns: Mapping[str, int]
) -> dict[str, Any]:
    def cell(name: str) -> str:
        place = columns.get(name)
        return cells[place].strip() if place is not None and place < len(cells) else ""

    def value(name: str) -> float:
        text = cell(name)
        if text.lower() in _GONE:
            return math.nan
        try:
            found = float(text)
        except ValueError:
            found = math.inf
        if not math.isfinite(found):
            raise InputError(
                f"row {number} of {path} has {text[:40]!r} for {name}; write a number, "
                "with a point for decimals"
            )
        return found

    advance, kept = cell("advance") or "timer", cell("kept") or "1"
    found: dict[str, Any] = {
        **{n: value(n) for n in ("onset", "offset", "duration", "x", "y")},
        "role": cell("role") if "role" in columns else ROLES[0],
        "advance": advance if advance in ADVANCES else "timer",
        "kept": int(kept not in ("0", "false", "False")),
    }
    if found["role"] in ROLES and math.isnan(found["onset"]):
        raise InputError(f"row {number} of {path} has no time; give each target's")
    return found


def _ended(path: Path, rows: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """Give each target an end: its own, the next one's start, or the usual time."""
    onsets = [row["onset"] for row in rows]
    ends = [_end(row) for row in rows]
    nexts = [*onsets[1:], math.nan]
    filled = [b if math.isnan(a) else a for a, b in zip(ends, nexts, strict=True)]
    if math.isnan(filled[-1]):
        lasted = [b - a for a, b in zip(onsets[:-1], filled[:-1], strict=True)]
        if not lasted:
            raise InputError(
                f"{path} does not say when its target ends; add a column offset"
            )
        filled[-1] = onsets[-1] + statistics.median(lasted)
    kept = ("x", "y", "role", "advance", "kept")
    return [
        (row["onset"], max(end, row["onset"]), *(row[name] for name in kept))
        for row, end in zip(rows, filled, strict=True)
    ]


def _end(row: Mapping[str, Any]) -> float:
    own, lasts = float(row["offset"]), float(row["duration"])
    return row["onset"] + lasts if math.isnan(own) else own
