"""What the operator told once: the screen and its distance, and streams' channels.

Kept as TOML in the home folder, to be read and edited by hand; comments stay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept import disk, stream_names, tomlfile
from calibkit.kept.home import SETTINGS
from calibkit.kept.home import resolve as resolve
from calibkit.kept.stream_names import StreamNames

VERSION = 1
_SETUP = {
    "screen_px": 2,
    "screen_mm": 2,
    "distance_mm": 1,
    "background": 3,
    "eye_mm": 3,
}
_LIMIT_BYTES = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What is stored.

    Parameters
    ----------
    setup : dict
        Any of the fields of `Setup`; what is absent is not known.
    streams : {source_id of a stream: the names of its channels}
    setups : {id of a person in a set-up: dict}
        What differs there from `setup`.
    """

    setup: Mapping[str, Any] = field(default_factory=dict)
    streams: Mapping[str, StreamNames] = field(default_factory=dict)
    setups: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def setup_of(self, key: str) -> dict[str, Any]:
        """Return the stored set-up of a person, or of a person in a named set-up."""
        return {**self.setup, **self.setups.get(key, {})}

    def names(self, source_id: str) -> dict[str, Any] | None:
        """Return what is stored of a stream, in the form that an inlet takes."""
        known = self.streams.get(source_id)
        return None if known is None else {**known.table(), "setup": dict(self.setup)}

    @property
    def channel_maps(self) -> dict[str, tuple[Channel, ...]]:
        """What the channels of each known stream are."""
        return {source: names.channels for source, names in self.streams.items()}


def load(home: Path) -> Settings:
    """Read the settings in a home folder; none are stored in a new one.

    Parameters
    ----------
    home : path

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        With one sentence for each fault of the file.
    """
    path = home / SETTINGS
    if not path.exists():
        return Settings()
    table = tomlfile.read(path, _LIMIT_BYTES)
    faults = [] if "version" not in table else _version(table["version"])
    faults += [
        f"{key!r} is unknown; it knows version, setup, setups and streams"
        for key in table
        if key not in ("version", "setup", "setups", "streams")
    ]
    setup = _setup(table.get("setup", {}), faults)
    named = _table(table.get("setups", {}), "setups", faults)
    setups = {key: _setup(entry, faults) for key, entry in named.items()}
    tables = _table(table.get("streams", {}), "streams", faults)
    streams = {
        source: stream_names.parse(entry, f"streams.{source!r}", faults)
        for source, entry in tables.items()
    }
    if faults:
        raise InputError("\n".join(f"{path}: {fault}" for fault in faults))
    return Settings(setup=setup, streams=streams, setups=setups)


def store_setup(
    home: Path, setup: Setup | Mapping[str, Any], key: str | None = None
) -> Path:
    """Keep the set-up; fields that are not given stay as they were.

    Parameters
    ----------
    home : path
    setup : Setup, or a dict of some of its fields
    key : str, optional
        Id of a person in a set-up; without it, it holds for everybody.

    Returns
    -------
    Path
        Of the settings file.

    Raises
    ------
    InputError
        When the stored file or a value is unusable.
    StorageError
        When it cannot be written.
    """
    given = (
        {name: getattr(setup, name) for name in _SETUP}
        if isinstance(setup, Setup)
        else dict(setup)
    )
    plain = {
        name: list(value) if isinstance(value, tuple | list) else value
        for name, value in given.items()
        if value is not None
    }
    faults: list[str] = []
    _setup(plain, faults)
    if faults:
        raise InputError("; ".join(faults))
    if key is None:
        return _change(home, "setup", plain)
    before = load(home).setups.get(key, {})
    kept = {k: list(v) if isinstance(v, tuple) else v for k, v in before.items()}
    return _change(home, "setups", {key: {**kept, **plain}})


def store_channels(
    home: Path, source_id: str, names: StreamNames | Sequence[Channel]
) -> Path:
    """Keep what the channels of a stream are, under the stream's source_id.

    Parameters
    ----------
    home : path
    source_id : str
    names : StreamNames, or a sequence of Channel

    Returns
    -------
    Path
        Of the settings file.

    Raises
    ------
    InputError
        When the stored file is unusable.
    StorageError
        When it cannot be written.
    """
    if not isinstance(names, StreamNames):
        names = StreamNames(channels=tuple(names))
    return _change(home, "streams", {source_id: names.table()})


def read_channel_map(path: Path) -> StreamNames:
    """Read a channel map that somebody wrote.

    Parameters
    ----------
    path : path of a TOML file
        `[[channels]]` tables; `origin`, `missing` and `[setup]` where they are needed.

    Returns
    -------
    StreamNames

    Raises
    ------
    InputError
        With one sentence for each fault of the file.
    """
    faults: list[str] = []
    table = tomlfile.read(path, _LIMIT_BYTES)
    names = stream_names.parse(table, "the file", faults)
    faults += [
        f"{key!r} is unknown; it knows origin, missing, setup and channels"
        for key in table
        if key not in ("origin", "missing", "setup", "channels")
    ]
    _setup(names.setup, faults)
    faults += [] if faults else stream_names.check(names)
    if faults:
        raise InputError("\n".join(f"{path}: {fault}" for fault in faults))
    return names


def _change(home: Path, section: str, values: Mapping[str, Any]) -> Path:
    import tomlkit

    load(home)  # a damaged file is reported, not overwritten
    path = home / SETTINGS
    text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
    document = tomlkit.parse(text)
    document.setdefault("version", VERSION)
    table = document.setdefault(section, tomlkit.table())
    for name, value in values.items():
        table[name] = value
    disk.write_bytes(path, tomlkit.dumps(document).encode(), overwrite=True)
    return path


def _version(value: object) -> list[str]:
    if value == VERSION and not isinstance(value, bool):
        return []
    return [f"version is {value!r} and this calibkit knows {VERSION}; use a newer one"]


def _table(value: object, name: str, faults: list[str]) -> dict[str, Any]:
    if isinstance(value, dict):
        return value
    faults.append(f"{name} is not a table; write it as [{name}]")
    return {}


def _setup(value: object, faults: list[str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    before = len(faults)
    for name, entry in _table(value, "setup", faults).items():
        if name not in _SETUP:
            faults.append(f"setup.{name} is unknown; it knows {', '.join(_SETUP)}")
            continue
        count = _SETUP[name]
        entries = entry if isinstance(entry, list) else [entry]
        numbers = [tomlfile.number(e) for e in entries]
        if len(numbers) != count or None in numbers:
            want = "a number" if count == 1 else f"{count} numbers"
            faults.append(f"setup.{name} is {entry!r:.60}; give {want}")
            continue
        found[name] = numbers[0] if count == 1 else tuple(entries)
    if len(faults) == before:
        _plausible(found, faults)
    return found


def _plausible(found: Mapping[str, Any], faults: list[str]) -> None:
    """Let Setup judge each value by itself beside ordinary ones."""
    ordinary = {
        "screen_px": (1920, 1080),
        "screen_mm": (527.0, 296.0),
        "distance_mm": 600.0,
    }
    for name, value in found.items():
        try:
            Setup(**{**ordinary, name: value})
        except InputError as error:
            faults.append(f"setup.{name}: {error}")
