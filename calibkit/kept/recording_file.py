"""The recording file: its schema, and a recording's fields to a tree and back.

FORMAT calibkit-recording. History: version 1, the first. It knows no Recording: `read`
returns the fields as a dict, `write` takes them. Groups and attributes that the schema
does not name are ignored and kept.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept.recording_view import View

if TYPE_CHECKING:
    from calibkit.kept.store import Tree

FORMAT = "calibkit-recording"
VERSION = 1
ROLES = ("calibration", "validation", "pointing")
ADVANCES = ("gaze", "timer", "key")
TARGET_DTYPE = np.dtype(
    [
        ("onset", "f8"),
        ("offset", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("role", "U16"),
        ("advance", "U8"),
        ("kept", "u1"),
    ]
)

_ROOT = ("person", "session", "attempt", "created", "software")
_SETUP = ("screen_px", "screen_mm", "distance_mm", "background", "eye_mm")
_GAZE = ("name", "source_id", "nominal_rate")
_CHANNEL = ("label", "eye", "type", "unit")
_ATTRS = {"/": ("format", "version", *_ROOT), "/setup": _SETUP, "/gaze": _GAZE}
_DATA = (
    "/gaze/time",
    "/gaze/samples",
    "/gaze/channels",
    "/gaze/time_raw",
    "/gaze/clock",
    "/targets",
    "/target_path",
    "/events",
    "/protocol",
)
_FIXES = {
    "screen_px": "write the picture's width and height in pixels there",
    "screen_mm": "measure the picture's width and height and write them there, in mm",
    "distance_mm": "measure from the eyes to the screen and write it there, in mm",
}


def read(path: Path) -> dict[str, Any]:
    """Read the fields of `Recording` from a file.

    Parameters
    ----------
    path : path of an .h5 file

    Returns
    -------
    dict
        Keyword arguments of `Recording`.

    Raises
    ------
    InputError
        When the file is missing, damaged, or breaks the schema.
    """
    from calibkit.kept import store

    _check_finished(path)
    tree = store.read(
        path,
        format=FORMAT,
        max_version=VERSION,
        limit_bytes=store.RECORDING_LIMIT_BYTES,
        changed="accept",
    )
    found = from_tree(tree, str(path))
    store.warn_of(path, tree)
    return found


def _check_finished(path: Path) -> None:
    """Name the session that a crash left in the place of a recording."""
    with contextlib.suppress(OSError, ValueError):
        left = path.with_suffix(".journal")
        if path.suffix == ".h5" and not path.exists() and left.is_file():
            raise InputError(
                f"{path} does not exist; a session that is running or did not end "
                f"properly is kept in {left}; make it a recording with calibkit import "
                "journal"
            )


def write(path: Path, parts: Mapping[str, Any], *, overwrite: bool) -> None:
    """Write the fields of `Recording` to a file, whole or not at all.

    Raises
    ------
    CallError
        When the file exists and may not be replaced.
    StorageError
        When it cannot be written.
    """
    from calibkit.kept import disk

    disk.write_bytes(path, dump(parts), overwrite)


def dump(parts: Mapping[str, Any]) -> bytes:
    """Turn the fields of `Recording` into a file's bytes; always the same bytes."""
    from calibkit.kept import store

    return store.dump(to_tree(parts), FORMAT, VERSION)


def from_tree(tree: Tree, name: str = "the recording") -> dict[str, Any]:
    """Turn a tree into the fields of `Recording`, checking all of the schema.

    Parameters
    ----------
    tree : Tree
    name : str
        The file's name, for the sentences.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        With what is wrong, where, and what to do.
    """
    view = View(tree, name)
    time = view.array("/gaze/time", (-1,))
    n = len(time)
    channels = tuple(
        Channel(**dict(zip(_CHANNEL, row, strict=True)))
        for row in zip(
            *(view.column("/gaze/channels", field) for field in _CHANNEL), strict=True
        )
    )
    samples = view.array("/gaze/samples", (n, len(channels)))
    return {
        "person": view.identifier("/", "person"),
        "session": view.identifier("/", "session"),
        "attempt": int(view.number("/", "attempt", 1)),
        "created": view.text("/", "created"),
        "software": view.text("/", "software"),
        "setup": _setup(view),
        "time": time.astype(float),
        "samples": samples if samples.dtype == np.float32 else samples.astype(float),
        "channels": channels,
        "name": view.text("/gaze", "name"),
        "source_id": view.text("/gaze", "source_id"),
        "nominal_rate": _rate(view),
        "targets": _targets(view),
        "target_path": view.optional("/target_path", (-1, 3)),
        "events": _events(view),
        "protocol": _protocol(view),
        "time_raw": view.optional("/gaze/time_raw", (n,)),
        "clock": view.optional("/gaze/clock", (-1, 2)),
        "unknown": _unknown(tree),
    }


def to_tree(parts: Mapping[str, Any]) -> Tree:
    """Turn the fields of `Recording` into a tree.

    Parameters
    ----------
    parts : dict
        As `from_tree` returns them.

    Returns
    -------
    Tree
    """
    from calibkit.kept.store import Tree

    unknown: Tree = parts.get("unknown") or Tree()
    attrs = {p: dict(a) for p, a in unknown.attrs.items()}
    for path, values in _own_attributes(parts).items():
        attrs[path] = attrs.get(path, {}) | values
    return Tree(attrs=attrs, data={**unknown.data, **_own_data(parts)})


def _own_attributes(parts: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    setup: Setup = parts["setup"]
    screen = {
        "screen_px": np.array(setup.screen_px, "i4"),
        "screen_mm": np.array(setup.screen_mm, float),
        "distance_mm": float(setup.distance_mm),
        "background": np.array(setup.background, float),
    }
    if setup.eye_mm is not None:
        screen["eye_mm"] = np.array(setup.eye_mm, float)
    root = {name: parts[name] for name in _ROOT}
    gaze = {name: parts[name] for name in _GAZE}
    return {
        "/": root | {"attempt": int(parts["attempt"])},
        "/setup": screen,
        "/gaze": gaze | {"nominal_rate": float(parts["nominal_rate"])},
    }


def _own_data(parts: Mapping[str, Any]) -> dict[str, NDArray[Any]]:
    from calibkit.kept.store import text_array

    events = {
        "time": np.array([t for t, _ in parts["events"]], float),
        "text": text_array(text for _, text in parts["events"]),
    }
    channels = {
        field: text_array(getattr(c, field) for c in parts["channels"])
        for field in _CHANNEL
    }
    optional = {
        "/target_path": parts.get("target_path"),
        "/gaze/time_raw": parts.get("time_raw"),
        "/gaze/clock": parts.get("clock"),
    }
    return {
        "/gaze/time": parts["time"],
        "/gaze/samples": parts["samples"],
        "/gaze/channels": _table(channels),
        "/targets": _target_table(parts["targets"]),
        "/events": _table(events),
        "/protocol": text_array(parts["protocol"]),
        **{path: v for path, v in optional.items() if v is not None and len(v)},
    }


def _setup(view: View) -> Setup:
    fields: dict[str, Any] = {}
    for name, count in zip(_SETUP, (2, 2, 1, 3, 3), strict=True):
        found = view.numbers("/setup", name, count)
        if found is not None:
            fields[name] = found[0] if count == 1 else found
        elif name in _FIXES:
            raise view.refuse(f"{name} is missing in /setup", _FIXES[name])
    try:
        return Setup(**fields)
    except InputError as error:
        raise InputError(f"/setup of {view.name} is unusable: {error}") from error


def _rate(view: View) -> float:
    rate = view.number("/gaze", "nominal_rate", 0.0)
    if rate < 0:
        raise view.refuse(
            f"nominal_rate is {rate:g} in /gaze", "write 0 or more, in Hz"
        )
    return rate


def _targets(view: View) -> NDArray[np.void]:
    table = view.table("/targets")
    rows = np.zeros(table.shape[:1] if table.ndim else 0, TARGET_DTYPE)
    for name in ("onset", "offset", "x", "y", "kept"):
        rows[name] = view.column("/targets", name, "f")
    for name, known in (("role", ROLES), ("advance", ADVANCES)):
        words = view.column("/targets", name)
        strange = [w for w in words if w not in known]
        if strange:
            raise view.refuse(
                f"/targets has the {name} {strange[0][:40]!r}",
                f"use one of {', '.join(known)}",
            )
        rows[name] = words
    return rows


def _events(view: View) -> tuple[tuple[float, str], ...]:
    if "/events" not in view.tree.data:
        return ()
    times = view.column("/events", "time", "f")
    texts = view.column("/events", "text")
    return tuple(zip((float(t) for t in times), texts, strict=True))


def _protocol(view: View) -> str:
    array = view.tree.data.get("/protocol")
    if array is None or array.size == 0:
        return ""
    if array.dtype.kind != "S" or array.size != 1:
        raise view.refuse(
            "/protocol is not one text", "write the protocol's TOML there"
        )
    return bytes(array.ravel()[0]).decode("utf-8", "replace")


def _unknown(tree: Tree) -> Tree | None:
    from calibkit.kept.store import Tree

    attrs = {}
    for path, values in tree.attrs.items():
        rest = {k: v for k, v in values.items() if k not in _ATTRS.get(path, ())}
        if rest or (path not in _ATTRS and path not in tree.data):
            attrs[path] = rest
    data = {path: array for path, array in tree.data.items() if path not in _DATA}
    return Tree(attrs=attrs, data=data) if attrs or data else None


def _target_table(targets: NDArray[np.void]) -> NDArray[np.void]:
    from calibkit.kept.store import text_array

    names = TARGET_DTYPE.names or ()
    return _table(
        {
            n: text_array(map(str, targets[n]))
            if n in ("role", "advance")
            else targets[n]
            for n in names
        }
    )


def _table(columns: Mapping[str, NDArray[Any]]) -> NDArray[np.void]:
    length = len(next(iter(columns.values())))
    table = np.zeros(length, [(n, c.dtype.str) for n, c in columns.items()])
    for name, column in columns.items():
        table[name] = column
    return table
