"""Targets that another program showed: which of its markers mean one, or a table.

The description is a small TOML file:

    unit = "fraction"           # of x and y: "px" (default), or fractions of the screen
    origin = "top-left"         # where they count from; as in a channel map
    role = "calibration"        # of targets whose marker does not say it
    lasts_s = 1.5               # at most so long, where no marker ends a target
    stream = "stimuli"          # only this stream's markers, by name or source_id

    [[shown]]
    text = "dot {id} at {x} {y}"

    [[shown]]
    text = "left edge"
    x = 0.1
    y = 0.5
    role = "validation"

    [[gone]]
    text = "dot {id} off"

{x} and {y} stand for numbers, {id} for a word without spaces, {role} for a role, {any}
for anything. A table (.csv, .tsv) has a header and the columns time, x, y (px), and
where they are known offset or duration, role, advance, kept; times are those of the
file's streams, on the recorder's clock.
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibkit.archive.marked import texts
from calibkit.archive.target_table import read_table
from calibkit.archive.xdf import XdfFile, XdfStream
from calibkit.channels import ORIGINS
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept import tomlfile
from calibkit.kept.recording_file import ROLES

Row = tuple[Any, ...]
MOST_TEXTS = 200
MOST_LETTERS = 500  # of a marker's text; a longer one is no target
_TOP = ("unit", "origin", "role", "advance", "lasts_s", "stream", "shown", "gone")
_SHOWN = ("text", "x", "y", "role")
_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_HOLDERS = {
    "x": f"(?P<x>{_NUMBER})",
    "y": f"(?P<y>{_NUMBER})",
    "id": r"(?P<id>\S+)",
    "role": f"(?P<role>{'|'.join(ROLES)})",
    "any": ".*",
}


@dataclass(frozen=True, kw_only=True)
class Sign:
    """A marker that shows a target, or takes one away."""

    pattern: re.Pattern[str]
    x: float | None = None
    y: float | None = None
    role: str = ""


@dataclass(frozen=True, kw_only=True)
class Signs:
    """A description: the markers, and what they leave open."""

    shown: tuple[Sign, ...]
    gone: tuple[Sign, ...]
    fraction: bool = False
    origin: str = ORIGINS[0]
    role: str = ROLES[0]
    advance: str = "timer"
    lasts_s: float | None = None
    stream: str = ""

    def rows(self, file: XdfFile, setup: Setup) -> list[Row]:
        """Return the targets of a file's markers, by time.

        Parameters
        ----------
        file : XdfFile
        setup : Setup
            The screen that they were on.

        Raises
        ------
        InputError
            When no marker means a target.
        """
        streams = [
            s
            for s in file.streams
            if s.read and s.kind.lower() != "gaze" and self._is_mine(s)
        ]
        found = [row for stream in streams for row in self._of(stream, setup)]
        if not found:
            heard = sorted({word for s in streams for _, word in texts(s)})
            raise InputError(
                f"none of the {len(heard)} different markers of {file.path} means a "
                f"target by this description (they are {heard[:5]!r:.200}); correct it"
            )
        return sorted(found)

    def _is_mine(self, stream: XdfStream) -> bool:
        return not self.stream or stream.is_called(self.stream)

    def _of(self, stream: XdfStream, setup: Setup) -> list[Row]:
        """Return one stream's targets; the next one, or a sign, ends one."""
        found: list[Row] = []
        on: tuple[float, str, float, float, str] | None = None
        said = [(t, w) for t, w in texts(stream) if len(w) <= MOST_LETTERS]
        for time_s, word in said:
            sign, match = _first(self.shown, word)
            if sign is None:
                sign, match = _first(self.gone, word)
                if sign is None or on is None or not _same(on[1], match):
                    continue
                found.append(self._row(on, time_s))
                on = None
                continue
            if on is not None:
                found.append(self._row(on, time_s))
            on = self._begun(time_s, sign, match, setup)
        if on is not None:
            found.append(self._row(on, on[0] + self._usual_s(found)))
        return found

    def _usual_s(self, found: Sequence[Row]) -> float:
        """How long a target lasts that nothing ends."""
        if self.lasts_s is not None:
            return self.lasts_s
        if not found:
            raise InputError(
                "no marker ends the target by this description; add lasts_s, in seconds"
            )
        return statistics.median(float(row[1] - row[0]) for row in found)

    def _begun(
        self, time_s: float, sign: Sign, match: Mapping[str, str], setup: Setup
    ) -> tuple[float, str, float, float, str]:
        place = [
            float(match[name]) if name in match else float(fixed or 0.0)
            for name, fixed in (("x", sign.x), ("y", sign.y))
        ]
        size = [float(v) for v in setup.screen_px]
        if self.fraction:
            place = [p * s for p, s in zip(place, size, strict=True)]
        x, y = _from_top_left(place, size, self.origin)
        role = match.get("role") or sign.role or self.role
        return time_s, match.get("id", ""), x, y, role

    def _row(self, on: tuple[float, str, float, float, str], end_s: float) -> Row:
        onset_s, _, x, y, role = on
        last_s = onset_s + self.lasts_s if self.lasts_s is not None else end_s
        return (onset_s, min(end_s, last_s), x, y, role, self.advance, 1)


def read(path: Path) -> Callable[[XdfFile, Setup], Sequence[Row]]:
    """Read a description or a table of targets.

    Parameters
    ----------
    path : path of a .toml, .csv or .tsv file

    Returns
    -------
    callable
        Gives the rows of a recording's targets, for a file and a screen.

    Raises
    ------
    InputError
        With what is wrong, and where.
    """
    if path.suffix.lower() in (".csv", ".tsv", ".txt"):
        rows = read_table(path)
        return lambda file, setup: rows
    return signs(tomlfile.read(path), str(path)).rows


def signs(table: Mapping[str, Any], name: str) -> Signs:
    """Make a description of a TOML table.

    Raises
    ------
    InputError
        With one sentence for each fault.
    """
    faults = [
        f"{k!r} is unknown; it knows {', '.join(_TOP)}" for k in table if k not in _TOP
    ]
    unit = _one_of(table, "unit", ("px", "fraction"), faults)
    origin = _one_of(table, "origin", ORIGINS, faults)
    role = _one_of(table, "role", ROLES, faults)
    advance = _one_of(table, "advance", ("timer", "gaze", "key"), faults)
    lasts_s = tomlfile.number(table.get("lasts_s", 1.0))
    if lasts_s is None or not 0.05 <= lasts_s <= 600:
        faults.append(f"lasts_s is {table['lasts_s']!r:.60}; give 0.05 to 600 seconds")
    if not isinstance(table.get("stream", ""), str):
        faults.append("stream is not text; put its name in quotes")
    shown = _signs(table, "shown", faults, places=True)
    gone = _signs(table, "gone", faults, places=False)
    if not shown and not faults:
        faults.append("no marker shows a target; write a [[shown]] table with its text")
    if faults:
        raise InputError("\n".join(f"{name}: {fault}" for fault in faults))
    return Signs(
        shown=shown,
        gone=gone,
        fraction=unit == "fraction",
        origin=origin,
        role=role,
        advance=advance,
        lasts_s=lasts_s if "lasts_s" in table else None,
        stream=table.get("stream", ""),
    )


def _one_of(
    table: Mapping[str, Any], key: str, known: Sequence[str], faults: list[str]
) -> str:
    value = table.get(key, known[0])
    if value in known:
        return str(value)
    faults.append(f"{key} is {value!r:.60}; use one of {', '.join(known)}")
    return known[0]


def _signs(
    table: Mapping[str, Any], key: str, faults: list[str], *, places: bool
) -> tuple[Sign, ...]:
    rows = table.get(key, [])
    if not isinstance(rows, list) or len(rows) > MOST_TEXTS:
        faults.append(f"{key} is no list of tables; write [[{key}]] for each")
        return ()
    found = [_sign(row, f"{key} {k}", faults, places) for k, row in enumerate(rows, 1)]
    return tuple(sign for sign in found if sign is not None)


def _sign(row: object, where: str, faults: list[str], places: bool) -> Sign | None:
    known = _SHOWN if places else _SHOWN[:1]
    if not isinstance(row, dict) or not isinstance(row.get("text"), str):
        faults.append(f"{where} has no text; give the marker's, in quotes")
        return None
    faults += [
        f"{k!r} of {where} is unknown; it knows {', '.join(known)}"
        for k in row
        if k not in known
    ]
    pattern = _pattern(row["text"], where, faults)
    if pattern is None:
        return None
    fixed = {a: tomlfile.number(row[a]) for a in "xy" if a in row}
    faults += [f"{a} of {where} is no number" for a, v in fixed.items() if v is None]
    named = set(pattern.groupindex) | set(fixed)
    if places and not {"x", "y"} <= named:
        faults.append(
            f"{where} says no place; put {{x}} and {{y}} in its text, or x = "
        )
    role = _one_of(row, "role", ("", *ROLES), faults)
    return Sign(pattern=pattern, x=fixed.get("x"), y=fixed.get("y"), role=role)


def _pattern(text: str, where: str, faults: list[str]) -> re.Pattern[str] | None:
    """Turn a text with {x} and the like into a pattern that matches in short time."""
    parts = re.split(r"\{(\w+)\}", text)
    holders, literals = parts[1::2], parts[0::2]
    fault = ""
    if not text or len(text) > MOST_LETTERS:
        fault = f"text of {where} is empty or too long"
    elif unknown := [h for h in holders if h not in _HOLDERS]:
        fault = f"{{{unknown[0]}}} in {where} is unknown; it knows " + ", ".join(
            f"{{{h}}}" for h in _HOLDERS
        )
    elif len(set(holders)) < len(holders):
        fault = f"text of {where} holds a placeholder twice; use each once"
    elif "" in literals[1:-1]:
        fault = f"text of {where} holds placeholders side by side; part them by text"
    if fault:
        faults.append(fault)
        return None
    pieces = [re.escape(literals[0])]
    for holder, literal in zip(holders, literals[1:], strict=True):
        pieces += [_HOLDERS[holder], re.escape(literal)]
    return re.compile("".join(pieces))


def _first(signs: Sequence[Sign], word: str) -> tuple[Sign | None, Mapping[str, str]]:
    for sign in signs:
        match = sign.pattern.fullmatch(word)
        if match:
            return sign, {k: v for k, v in match.groupdict().items() if v is not None}
    return None, {}


def _same(key: str, match: Mapping[str, str]) -> bool:
    """Whether a sign that takes a target away means this one."""
    return "id" not in match or match["id"] == key


def _from_top_left(
    place: Sequence[float], size: Sequence[float], origin: str
) -> tuple[float, float]:
    x, y = place
    if origin == "bottom-left":
        return x, size[1] - y
    if origin.startswith("center"):
        down = -y if origin == "center-up" else y
        return x + size[0] / 2, down + size[1] / 2
    return x, y
