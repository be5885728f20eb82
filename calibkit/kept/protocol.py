"""Protocols: finding, reading and checking them; all faults at once, in sentences.

A protocol is a small TOML file. Size, lines and encoding are checked before parsing,
because a long dotted key alone can hold up the parser for half a minute.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from calibkit.errors import CallError, InputError
from calibkit.kept import protocol_pictures
from calibkit.kept.protocol_faults import nearest, sentence
from calibkit.kept.protocol_model import Point, Protocol
from calibkit.language import _

MAX_BYTES = 64 * 1024
MAX_LINE = 4 * 1024
MAX_EXTENDS = 5
LUMINANCE_STEP = 0.1
NAME = r"[a-z0-9-]{1,32}"
MINIMAL = '[protocol]\nversion = 1\nname = "mine"'
_HERE = Path(__file__).resolve().parent.parent
# In a wheel the files lie inside the package, in an editable install beside it.
FOLDERS = (_HERE / "protocols", _HERE.parent / "protocols")


def names() -> tuple[str, ...]:
    """Names of the protocols that came with calibkit."""
    found = (path.stem for folder in FOLDERS for path in folder.glob("*.toml"))
    return tuple(sorted(set(found)))


def find(name: str, beside: Path | None = None) -> Path:
    """Find a protocol's file by name, or take the path of a file.

    Parameters
    ----------
    name : str
        A shipped protocol's name, or the path of a TOML file.
    beside : Path, optional
        Folder that is searched first, for `extends`.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        When there is no such file.
    """
    if re.fullmatch(NAME, name):
        folders = FOLDERS if beside is None else (beside, *FOLDERS)
        for folder in folders:
            if (folder / f"{name}.toml").is_file():
                return folder / f"{name}.toml"
        raise InputError(f"there is no protocol {name!r}{nearest(name, names())}")
    path = Path(name)
    if path.is_file():
        return path
    problem = "is not a file" if path.exists() else "does not exist"
    raise InputError(f"the protocol {name!r} {problem}; give a name or a TOML file")


def load(name: str, changes: Sequence[str] = ()) -> Protocol:
    """Read and check a protocol.

    Parameters
    ----------
    name : str
        A shipped protocol's name, or the path of a TOML file.
    changes : sequence of str
        KEY=VALUE for this session, with the key's dotted path and a TOML value; text
        may go without quotes.

    Returns
    -------
    Protocol

    Raises
    ------
    InputError
        With every fault of the file.
    CallError
        When a change is no KEY=VALUE, or cannot be used.
    """
    path = find(name)
    tables = _whole(path, ())
    protocol = _checked(tables, str(path))
    protocol_pictures.check(protocol, path)
    if not changes:
        return protocol
    for change in changes:
        tables = _merged(tables, _change(change))
    try:
        changed = _checked(tables, "--set")
        protocol_pictures.check(changed, path)
    except InputError as error:
        raise CallError(str(error)) from None
    return changed


def picture_paths(name: str, protocol: Protocol) -> tuple[Path, ...]:
    """Find the files of the pictures that a protocol shows, checked on loading."""
    return protocol_pictures.paths(protocol, find(name))


def _change(text: str) -> dict[str, Any]:
    key, equals, value = (part.strip() for part in text.partition("="))
    if not (equals and value and re.fullmatch(r"[a-z]+\.[a-z_.]+", key)):
        raise CallError(
            f"--set {text!r} is no KEY=VALUE with a key's dotted path; write it like "
            "--set pace.hold_s=1.2"
        )
    for form in (f"{key} = {value}", f'{key} = "{value}"'):
        try:
            return tomllib.loads(form)
        except ValueError:
            continue
    raise CallError(f"--set {text!r} has no TOML value; write text in 'quotes'")


def keys_help() -> tuple[str, ...]:
    """Every key of a protocol with its default and its reason, a line each."""
    lines = []
    for table, field in Protocol.model_fields.items():
        model = field.annotation
        if table == "protocol" or not isinstance(model, type):
            continue
        for key, one in model.model_fields.items():
            default = json.dumps(one.default)
            path, shown = f"{table}.{key}", "" if default == "null" else default
            lines.append(f"  {path:<20} {shown:<16} {one.description}")
    return tuple(lines)


def parse(text: str, source: str = "the protocol") -> Protocol:
    """Check a protocol given as TOML text; `extends` takes shipped names only."""
    return _checked(_extended(_tables(text, source), None, source, ()), source)


def check_points(protocol: Protocol) -> tuple[tuple[Point, ...], tuple[float, float]]:
    """Points that follow a calibration, and the area that they are fractions of."""
    if protocol.protocol.role == "validation":
        return (), protocol.targets.area
    wanted = protocol.check.points
    if not isinstance(wanted, str):
        return wanted, protocol.targets.area
    other = load(wanted)
    return other.targets.points, other.targets.area


def advice(protocol: Protocol) -> tuple[str, ...]:
    """What an operator should know of a protocol that is usable all the same."""
    points = protocol.targets.points
    found = []
    if is_short(protocol):
        found.append(
            _(
                "Points in one line or place can shift a known mapping, and cannot "
                "make a new one."
            )
            if points
            else _("Without points a mapping is only what is known already.")
        )
    found += _luminance_advice(protocol)
    if protocol.total_s() > 90.0:
        found.append(
            _(
                "The points take {seconds:.0f} s; most people need a rest before 90 s."
            ).format(seconds=protocol.total_s())
        )
    return tuple(found)


def _luminance_advice(protocol: Protocol) -> list[str]:
    """A pupil that is wider or narrower in use shifts the gaze by up to degrees."""
    used_on = protocol.targets.used_on
    if used_on is None:
        return []
    here, there = (sum(c) / 3.0 for c in (protocol.targets.background, used_on))
    if abs(here - there) <= LUMINANCE_STEP:
        return []
    brighter = _(
        "The background is brighter than the screen that gaze is used on. Pupils "
        "differ there, which shifts the gaze; choose one as bright."
    )
    darker = _(
        "The background is darker than the screen that gaze is used on. Pupils differ "
        "there, which shifts the gaze; choose one as bright."
    )
    return [brighter if here > there else darker]


def is_short(protocol: Protocol) -> bool:
    """Whether its points can shift a mapping that is known, but make none."""
    if protocol.protocol.role != "calibration" or protocol.glides:
        return False
    return not protocol.targets.points or _in_line(protocol.targets.points)


def to_toml(protocol: Protocol) -> str:
    """Write a protocol as TOML, whole: every key with its value."""
    import tomlkit

    tables = protocol.model_dump(mode="json", exclude_none=True)
    tables["protocol"].pop("extends")
    return tomlkit.dumps(tables)


def _in_line(points: Sequence[Point]) -> bool:
    (x0, y0), *rest = points
    far = max(rest, key=lambda p: abs(p[0] - x0) + abs(p[1] - y0), default=(x0, y0))
    ux, uy = far[0] - x0, far[1] - y0
    return all(abs(ux * (y - y0) - uy * (x - x0)) < 1e-9 for x, y in rest)


def _whole(path: Path, seen: tuple[str, ...]) -> dict[str, Any]:
    return _extended(_tables(_text(path), str(path)), path.parent, str(path), seen)


def _extended(
    tables: dict[str, Any], beside: Path | None, source: str, seen: tuple[str, ...]
) -> dict[str, Any]:
    head = tables.get("protocol")
    base = head.get("extends") if isinstance(head, dict) else None
    if not isinstance(base, str) or not re.fullmatch(NAME, base):
        return tables
    if len(seen) >= MAX_EXTENDS or source in seen:
        raise InputError(
            f"{source}: protocol.extends leads round in a circle or more than "
            f"{MAX_EXTENDS} files deep; extend a protocol that stands alone"
        )
    return _merged(_whole(find(base, beside), (*seen, source)), tables)


def _merged(base: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    both = dict(base)
    for key, value in change.items():
        old = both.get(key)
        nested = isinstance(old, dict) and isinstance(value, dict)
        both[key] = _merged(old, value) if nested else value  # type: ignore[arg-type]
    return both


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"the protocol {path} cannot be read ({error.strerror}); check its rights"
        ) from error
    if len(data) > MAX_BYTES:
        raise InputError(
            f"the protocol {path} is larger than {MAX_BYTES // 1024} KB; it is no "
            "protocol, or its points belong into several files"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"the protocol {path} is not UTF-8 text (byte {error.start}); save it "
            "again with the encoding UTF-8"
        ) from error


def _tables(text: str, source: str) -> dict[str, Any]:
    _check_text(text, source)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(
            f"{source} is too deeply nested; a protocol has tables and lists only"
        ) from None
    except ValueError as error:
        # tomllib's own error is a ValueError; a number of 5,000 digits raises another.
        problem = str(error) if len(str(error)) < 200 else "a value is far too long"
        raise InputError(
            f"{source} is not valid TOML: {problem[0].lower()}{problem[1:]}"
            f"{_hint(text, problem)}"
        ) from None


def _check_text(text: str, source: str) -> None:
    if "\0" in text:
        raise InputError(
            f"{source} has a NUL byte at {text.index(chr(0))}; save it as plain UTF-8"
        )
    if "\r" in text.replace("\r\n", ""):
        raise InputError(f"{source} has bare CR line ends; save it with LF line ends")
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > MAX_LINE:
            raise InputError(
                f"{source}: line {number} is longer than {MAX_LINE} characters; "
                "break it up"
            )


_HINTS = (
    (r"[\u201c\u201d\u2018\u2019]", "straight quotes are needed, not typographic ones"),
    (r"=\s*(True|False)\b", "true and false are written small"),
    (r'"[A-Za-z]:\\', "write paths with / or in 'single quotes'"),
    (r"=\s*\d+,\d", "decimals take a point, not a comma"),
)


def _hint(text: str, problem: str) -> str:
    place = re.search(r"line (\d+)", problem)
    lines = text.split("\n")
    line = lines[int(place[1]) - 1] if place and int(place[1]) <= len(lines) else ""
    for pattern, words in _HINTS:
        if re.search(pattern, line):
            return f"; {words}"
    return ""


def _checked(tables: Mapping[str, Any], source: str) -> Protocol:
    if "protocol" not in tables:
        shown = MINIMAL.replace("\n", " / ")
        raise InputError(f"{source} has no [protocol] table; begin it with: {shown}")
    try:
        return _with_check(Protocol.model_validate(tables), source)
    except ValidationError as error:
        faults = list(dict.fromkeys(sentence(fault) for fault in error.errors()))
    if len(faults) == 1:
        raise InputError(f"{source}: {faults[0]}")
    listed = "".join(f"\n  {fault}" for fault in faults)
    raise InputError(f"{source} has {len(faults)} faults:{listed}")


def _with_check(protocol: Protocol, source: str) -> Protocol:
    try:
        check_points(protocol)
    except InputError as error:
        raise InputError(f"{source}: check.points names no protocol: {error}") from None
    return protocol
