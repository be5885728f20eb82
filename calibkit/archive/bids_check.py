"""Rules of BIDS eye-tracking that general validators pass over, checked by ourselves.

They look at names, at required keys and at the first rows. Here every row is read, and
what is required only in words: an eye in each name, units, all of the screen's sizes in
metres, events that belong to samples.

Source: Brain Imaging Data Structure 1.11, physiological recordings, eye-tracking; the
sentence that a rule comes from stands beside it.
"""

from __future__ import annotations

import gzip
import json
import math
import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FIRST = ("timestamp", "x_coordinate", "y_coordinate")
SYSTEMS = ("gaze-on-screen", "eye-in-head", "gaze-in-world", "custom")
RECORDED = ("left", "right", "cyclopean")
UNITS = ("pixel", "mm", "cm")
ENTITIES = ("sub", "ses", "task", "acq", "run", "recording")
_NUMERIC = (*FIRST, "onset", "duration", "pupil_size")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LABEL = re.compile(r"[0-9a-zA-Z]+")
_GZIP_NAME, _GZIP_COMMENT = 8, 16  # flags in a packed file's head


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A rule that is broken: the file, and what is wrong with it."""

    path: str
    text: str

    def __str__(self) -> str:
        """One sentence."""
        return f"{self.path}: {self.text}"


def check(folder: Path) -> list[Fault]:
    """Check a data set.

    Parameters
    ----------
    folder : path

    Returns
    -------
    list of Fault
        Empty when nothing is wrong.
    """
    found: list[Fault] = []

    def add(path: Path, texts: Iterator[str]) -> None:
        place = path.relative_to(folder).as_posix() if path != folder else "."
        found.extend(Fault(path=place, text=text) for text in texts)

    add(folder, _people(folder))
    for path in sorted(folder.glob("sub-*/**/*")):
        if path.is_file():
            add(path, _name(folder, path))
    for path in sorted(folder.glob("sub-*/**/*_physio.tsv.gz")):
        add(path, _physio(path))
    for path in sorted(folder.glob("sub-*/**/*_physioevents.tsv.gz")):
        add(path, _physio_events(path))
    for path in sorted(folder.glob("sub-*/**/*_events.tsv")):
        add(path, _events(path))
    return found


def _people(folder: Path) -> Iterator[str]:
    """participants.tsv names the folders, all of them and no other."""
    folders = {p.name for p in folder.glob("sub-*") if p.is_dir()}
    if len({name.lower() for name in folders}) < len(folders):
        yield "two persons' folders differ by case alone"
    table = folder / "participants.tsv"
    if not table.is_file():
        yield "participants.tsv is missing"
        return
    rows = table.read_text(encoding="utf-8").splitlines()
    named = [row.split("\t")[0] for row in rows[1:]]
    if rows[:1] and rows[0].split("\t")[0] != "participant_id":
        yield "participants.tsv does not begin with participant_id"
    if set(named) != folders or len(set(named)) < len(named):
        yield "participants.tsv and the sub- folders name other persons"


def _name(folder: Path, path: Path) -> Iterator[str]:
    """Entities come once, in order, and agree with the folders."""
    *pairs, _ = path.name.split("_")
    keys = [pair.partition("-")[0] for pair in pairs]
    values = {k: pair.partition("-")[2] for k, pair in zip(keys, pairs, strict=True)}
    known = [ENTITIES.index(key) for key in keys if key in ENTITIES]
    if known != sorted(set(known)) or len(known) < len(keys):
        yield "the entities of the name are unknown, repeated or out of order"
    if not all(_LABEL.fullmatch(value) for value in values.values()):
        yield "a label holds more than letters and digits"
    for entity in ("sub", "ses"):
        above = [
            p for p in path.relative_to(folder).parts[:-1] if p[:4] == f"{entity}-"
        ]
        if above != [f"{entity}-{values.get(entity)}"] * (entity in values):
            yield f"the name and the folder differ in {entity}-"
    # "A uniquely labeled recording entity is REQUIRED": one file for each eye.
    whose = re.fullmatch(r"eye[0-9]+", values.get("recording", ""))
    if not whose and re.search(r"_physio(events)?\.", path.name):
        yield "the name lacks recording-eye1, or eye2, eye3"
    if path.name.endswith(".tsv.gz") and path.with_name(path.name[:-3]).exists():
        yield "lies there packed and unpacked"
    if path.suffix != ".json" and not _sidecar(path).is_file():
        yield "has no .json beside it"
    if path.suffix == ".json" and not any(
        path.with_suffix(ending).is_file() for ending in (".tsv", ".tsv.gz")
    ):
        yield "describes no table"


def _physio(path: Path) -> Iterator[str]:
    about, fault = _json(_sidecar(path))
    if fault:
        yield fault
        return
    columns = _columns(about)
    if about.get("PhysioType") != "eyetrack":
        yield "PhysioType is not eyetrack"
    if tuple(columns[:3]) != FIRST:
        yield f"the first columns are not {', '.join(FIRST)}"
    if len(set(columns)) < len(columns):
        yield "two columns have one name"
    if about.get("RecordedEye") not in RECORDED:
        yield f"RecordedEye is none of {', '.join(RECORDED)}"
    if not _positive(about.get("SamplingFrequency")):
        yield "SamplingFrequency is no positive number"
    if not _finite(about.get("StartTime")):
        yield "StartTime is no number"
    yield from _described(about, columns)
    yield from _system(path, about)
    yield from _calibration(about)
    yield from _packed(path)
    yield from _rows(path, columns, "timestamp")


def _described(about: Mapping[str, Any], columns: list[str]) -> Iterator[str]:
    """Units of the coordinates are required, of the pupil's size recommended."""
    for column in columns:
        said = about.get(column)
        if not isinstance(said, dict) or not said.get("Description"):
            yield f"the column {column} is not described"
        elif column in FIRST and not said.get("Units"):
            yield f"the column {column} has no Units"
    size = about.get("pupil_size")
    words = str(size.get("Description", "")) if isinstance(size, dict) else ""
    if "pupil_size" in columns and not re.search("area|diameter", words):
        yield "pupil_size is neither called an area nor a diameter"


def _system(path: Path, about: Mapping[str, Any]) -> Iterator[str]:
    """On a screen, the screen must be known; a custom system must be described."""
    system = about.get("SampleCoordinateSystem")
    if system not in SYSTEMS:
        yield f"SampleCoordinateSystem is none of {', '.join(SYSTEMS)}"
    if system == "custom" and not any(
        "CoordinateSystem" in k[1:] for k in about if k != "SampleCoordinateSystem"
    ):
        yield "a custom coordinate system is not described"
    if system != "gaze-on-screen":
        return
    stem = re.sub(r"_recording-[^_]*_physio\.tsv\.gz$", "", path.name)
    events, fault = _json(path.with_name(f"{stem}_events.json"))
    screen = events.get("StimulusPresentation")
    if fault or not isinstance(screen, dict):
        yield "gaze is on a screen, but its events do not describe the screen"
        return
    yield from _screen(screen)


def _screen(screen: Mapping[str, Any]) -> Iterator[str]:
    far, size = screen.get("ScreenDistance"), screen.get("ScreenSize")
    away = far if isinstance(far, list) else [far]
    metres = math.hypot(*away) if all(_finite(v) for v in away) else 0.0
    if len(away) not in (1, 3) or not 0.01 <= metres <= 35:
        yield "ScreenDistance is no distance in metres"
    if not _pair(size) or not all(0.01 <= v <= 20 for v in size or ()):
        yield "ScreenSize is no width and height in metres"
    pixels = screen.get("ScreenResolution")
    if not _pair(pixels) or not all(isinstance(v, int) and v > 0 for v in pixels or ()):
        yield "ScreenResolution is no width and height in whole pixels"
    origin = screen.get("ScreenOrigin")
    ends = ({"top", "bottom", "center"}, {"left", "right", "center"})
    if not (
        isinstance(origin, list)
        and len(origin) == 2
        and all(word in known for word, known in zip(origin, ends, strict=True))
    ):
        yield "ScreenOrigin is no pair such as top, left"


def _calibration(about: Mapping[str, Any]) -> Iterator[str]:
    mean, most = (about.get(f"{w}CalibrationError") for w in ("Average", "Maximal"))
    for value in (mean, most):
        if value is not None and not (_finite(value) and 0 <= value <= 180):
            yield "a calibration error is no angle in degrees"
    if _finite(mean) and _finite(most) and mean > most:  # type: ignore[operator]
        yield "the average calibration error is larger than the maximal one"
    count = about.get("CalibrationCount", 0)
    if isinstance(count, bool) or not isinstance(count, int) or count < 0:
        yield "CalibrationCount is no whole number"
    places = about.get("CalibrationPosition")
    if places is not None:
        if not isinstance(places, list) or not all(map(_pair, places)):
            yield "CalibrationPosition is no list of x, y"
        if about.get("CalibrationUnit") not in UNITS:
            yield f"CalibrationUnit is none of {', '.join(UNITS)}"


def _physio_events(path: Path) -> Iterator[str]:
    """Events on the samples' clock need these samples, and the name of the clock."""
    about, fault = _json(_sidecar(path))
    if fault:
        yield fault
        return
    samples = path.with_name(path.name.replace("_physioevents.", "_physio."))
    theirs, _ = _json(_sidecar(samples))
    if not samples.is_file():
        yield "belongs to no samples"
    elif about.get("OnsetSource") not in _columns(theirs):
        yield "OnsetSource names no column of the samples"
    columns = _columns(about)
    if columns[:1] != ["onset"]:
        yield "the first column is not onset"
    yield from _packed(path)
    yield from _rows(path, columns, "onset")


def _events(path: Path) -> Iterator[str]:
    with path.open(encoding="utf-8", newline="") as file:
        columns = file.readline().rstrip("\n").split("\t")
    if columns[:2] != ["onset", "duration"]:
        yield "the first columns are not onset, duration"
        return
    yield from _rows(path, columns, "onset", skip=1)


def _rows(path: Path, columns: list[str], clock: str, skip: int = 0) -> Iterator[str]:
    """Check every row: as many cells as columns, numbers, a clock that runs forward."""
    pattern, before = _row_pattern(columns, clock), -math.inf
    try:
        for number, row in enumerate(_lines(path), 1):
            if number <= skip:
                continue
            match = pattern.fullmatch(row)
            if match is None:
                yield f"row {number} {_why(row, columns, clock)}"
                return
            time_s = float(match["clock"])
            if time_s < before:
                yield f"row {number} goes back in time"
                return
            before = time_s
    except (OSError, EOFError, zlib.error, UnicodeDecodeError) as error:
        yield f"cannot be read ({type(error).__name__})"


def _row_pattern(columns: list[str], clock: str) -> re.Pattern[str]:
    """Match a sound row; the clock must be known, other numbers may be n/a."""
    place = columns.index(clock) if clock in columns else 0
    cells = [
        rf"(?:{_NUMBER.pattern}|n/a)" if c in _NUMERIC else "[^\t]*" for c in columns
    ]
    cells[place : place + 1] = [rf"(?P<clock>{_NUMBER.pattern})"]
    return re.compile("\t".join(cells))


def _why(row: str, columns: list[str], clock: str) -> str:
    cells = row.split("\t")
    if len(cells) != len(columns):
        return f"has {len(cells)} cells for {len(columns)} columns"
    pairs = zip(columns, cells, strict=True)
    bad = [name for name, cell in pairs if name in _NUMERIC and not _is_number(cell)]
    return f"holds no number in {(bad or [clock])[0]}"


def _lines(path: Path) -> Iterator[str]:
    opened = gzip.open if path.suffix == ".gz" else open
    with opened(path, "rt", encoding="utf-8", newline="\n") as file:
        for line in file:
            yield line.rstrip("\n")


def _packed(path: Path) -> Iterator[str]:
    """A packed file names neither when it was made nor what it was called."""
    with path.open("rb") as file:
        head = file.read(10)
    if head[:2] != b"\x1f\x8b":
        yield "is not packed by gzip"
    elif head[4:8] != bytes(4) or head[3] & (_GZIP_NAME | _GZIP_COMMENT):
        yield "tells when and from which file it was made"


def _sidecar(path: Path) -> Path:
    return path.with_name(re.sub(r"\.tsv(\.gz)?$", ".json", path.name))


def _json(path: Path) -> tuple[dict[str, Any], str]:
    """Return a JSON object, and what is wrong with it."""

    def refuse(word: str) -> None:
        raise ValueError(word)

    try:
        found = json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    except (OSError, ValueError) as error:
        return {}, f"{path.name} cannot be read ({error})"
    return (found, "") if isinstance(found, dict) else ({}, f"{path.name} is no object")


def _columns(about: Mapping[str, Any]) -> list[str]:
    columns = about.get("Columns")
    return [str(c) for c in columns] if isinstance(columns, list) else []


def _is_number(cell: str) -> bool:
    return cell == "n/a" or _NUMBER.fullmatch(cell) is not None


def _finite(value: object) -> bool:
    known = isinstance(value, int | float) and not isinstance(value, bool)
    return known and math.isfinite(value)  # type: ignore[arg-type]


def _positive(value: object) -> bool:
    return _finite(value) and value > 0  # type: ignore[operator]


def _pair(value: object) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(_finite, value))
