"""Recordings as plain tables: one folder each, units in the headers, for any program.

samples.csv      time_s, calibrated gaze where a mapping is given, then every channel
targets.csv      onset_s, offset_s, x_px, y_px, role, advance, kept
target_path.csv  time_s, x_px, y_px of a moving target; absent where nothing moved
events.csv       time_s, text
setup.json       the screen, who, when, and what the channels are
Missing numbers are empty cells. Numbers come back to the bit, but calibrated gaze is
rounded to a ten-thousandth of a pixel. tables.json says what each column is.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.archive import folders, tables
from calibkit.archive.bids_data import unused
from calibkit.archive.tables import Column
from calibkit.channels import plain_eye, plain_unit
from calibkit.errors import InputError
from calibkit.fitted.mapping import Mapping
from calibkit.kept.recording import Recording

FORMAT, VERSION = "calibkit-tables", 1
INDEX = "tables.json"
_KEPT = ("person", "session", "attempt", "created", "software", "name", "source_id")


def export(
    paths: Sequence[Path],
    target: Path,
    mapping: Mapping | None = None,
    *,
    replace: bool = False,
    tell: Callable[[str], object] = lambda text: None,
) -> list[str]:
    """Write recordings as tables.

    Parameters
    ----------
    paths : sequence of path
    target : path
        A folder that does not exist, or is empty.
    mapping : Mapping, optional
        Calibrates all recordings.
    replace : bool
        Whether tables that were exported before may be replaced.
    tell : callable
        Takes a line of progress.

    Returns
    -------
    list of str
        The recordings' folders, in the target.

    Raises
    ------
    CallError
        When the target holds something else.
    InputError
        When a recording or the mapping cannot be used; nothing is written then.
    StorageError
        When it cannot be written.
    """
    folders.check(target, is_ours, replace=replace)
    for path in paths:
        _fits(path, Recording.load(path), mapping)
    places = _places(paths)
    index: dict[str, Any] = {"format": FORMAT, "version": VERSION, "recordings": {}}
    with folders.built(target) as build:
        for k, (path, place) in enumerate(zip(paths, places, strict=True), 1):
            rec = Recording.load(path)
            index["recordings"][place] = _one(rec, mapping, build / place)
            tell(f"{k} of {len(paths)}: {path} as {target / place}")
        tables.write_json(build / INDEX, index)
    return places


def is_ours(folder: Path) -> bool:
    """Whether a folder holds tables that calibkit exported."""
    return folders.noted(folder / INDEX).get("format") == FORMAT


def _fits(path: Path, rec: Recording, mapping: Mapping | None) -> None:
    try:
        if mapping is not None:
            mapping.check(rec)
    except InputError as error:
        raise InputError(f"{path}: {error}") from error


def _places(paths: Sequence[Path]) -> list[str]:
    """Return a folder's name for each file; a name that was used gets a number."""
    places: list[str] = []
    for path in paths:
        place, number = path.stem, 1
        while place.lower() in {p.lower() for p in (*places, INDEX)}:
            number += 1
            place = f"{path.stem}-{number}"
        places.append(place)
    return places


def _one(rec: Recording, mapping: Mapping | None, folder: Path) -> dict[str, Any]:
    """Write one recording; return what its columns are."""
    path = rec.target_path if rec.target_path is not None else np.empty((0, 3))
    found = {
        "samples": _samples(rec, mapping),
        "targets": _targets(rec),
        "events": _events(rec),
        **({"target_path": _path(path)} if len(path) else {}),
    }
    for name, columns in found.items():
        tables.write_text(folder / f"{name}.csv", _csv(columns))
    tables.write_json(folder / "setup.json", _setup(rec))
    if rec.protocol:
        tables.write_text(folder / "protocol.toml", [rec.protocol])
    return {
        f"{name}.csv": {column.name: column.about for column in columns}
        for name, columns in found.items()
    }


def _csv(columns: Sequence[Column]) -> Iterator[str]:
    """Yield a comma-separated table in blocks of lines.

    Source: RFC 4180, but lines end as they do everywhere else in our tables.
    """
    yield ",".join(_quoted([column.name for column in columns])) + "\n"
    count = len(columns[0].values)
    for first in range(0, count, tables.BLOCK):
        rows = slice(first, first + tables.BLOCK)
        parts = []
        for column in columns:
            text = not isinstance(column.values, np.ndarray)
            cells = tables.cells(column, rows, "" if text else "NaN")
            parts.append(_quoted(cells) if text else cells)
        yield "\n".join(map(",".join, zip(*parts, strict=True))) + "\n"


def _quoted(cells: Sequence[str]) -> list[str]:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows([cell] for cell in cells)
    # A cell alone in its row is quoted when it is empty; beside others it is not.
    return ["" if c == '""' else c for c in buffer.getvalue().split("\n")[:-1]]


def _samples(rec: Recording, mapping: Mapping | None) -> list[Column]:
    columns = [_number("time_s", "Time on the recording machine's clock", rec.time)]
    if rec.time_raw is not None:
        about = "Time stamp as it came"
        columns.append(_number("time_raw_s", about, rec.time_raw))
    if mapping is not None:
        gaze = mapping.apply(rec.samples)
        columns += [
            Column(name=name, about=about, values=values, digits=4)
            for name, about, values in (
                ("gaze_x_px", "Calibrated gaze, to the right", gaze.xy[:, 0]),
                ("gaze_y_px", "Calibrated gaze, downwards", gaze.xy[:, 1]),
                ("gaze_x_sd_px", "One standard deviation of x", gaze.sd[:, 0]),
                ("gaze_y_sd_px", "One standard deviation of y", gaze.sd[:, 1]),
            )
        ]
    taken = [column.name for column in columns]
    for k, channel in enumerate(rec.channels):
        stem = f"{plain_eye(channel.eye)}_{channel.type or channel.label}"
        unit = plain_unit(channel.unit)
        ending = f"_{unit}" if unit else ""
        taken.append(unused(stem.replace(" ", "_"), taken, ending.replace(" ", "_")))
        about = f"Raw channel {channel.label!r}, as it came"
        columns.append(_number(taken[-1], about, rec.samples[:, k]))
    return columns


def _number(name: str, about: str, values: NDArray[Any]) -> Column:
    return Column(name=name, about=about, values=values)


def _targets(rec: Recording) -> list[Column]:
    rows = rec.targets
    return [
        _number("onset_s", "When it was first shown", rows["onset"]),
        _number("offset_s", "When it went", rows["offset"]),
        _number("x_px", "From the left edge; NaN while it moves", rows["x"]),
        _number("y_px", "From the top edge; NaN while it moves", rows["y"]),
        _words("role", "What it was for", rows["role"]),
        _words("advance", "What ended it: gaze, timer or key", rows["advance"]),
        _number("kept", "0 when the operator left it out", rows["kept"]),
    ]


def _words(name: str, about: str, values: Iterable[str]) -> Column:
    return Column(name=name, about=about, values=[str(value) for value in values])


def _events(rec: Recording) -> list[Column]:
    times = np.array([time_s for time_s, _ in rec.events], float)
    return [
        _number("time_s", "When it happened", times),
        _words("text", "What happened", [text for _, text in rec.events]),
    ]


def _path(rows: NDArray[np.float64]) -> list[Column]:
    return [
        _number("time_s", "When the target was there", rows[:, 0]),
        _number("x_px", "From the left edge", rows[:, 1]),
        _number("y_px", "From the top edge", rows[:, 2]),
    ]


def _setup(rec: Recording) -> dict[str, Any]:
    setup = {f.name: getattr(rec.setup, f.name) for f in fields(rec.setup)}
    return {
        **setup,
        **{name: getattr(rec, name) for name in _KEPT},
        "nominal_rate_hz": rec.nominal_rate,
        "channels": [asdict(channel) for channel in rec.channels],
    }
