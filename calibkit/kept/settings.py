"""What the operator told once: the screen and its distance, and streams' channels.

Kept as TOML in the home folder, to be read and edited by hand; comments stay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibkit.channels import EYES, Channel
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept import disk, tomlfile
from calibkit.kept.home import resolve as resolve

FILE = "settings.toml"
VERSION = 1
_SETUP = {
    "screen_px": 2,
    "screen_mm": 2,
    "distance_mm": 1,
    "background": 3,
    "eye_mm": 3,
}
_CHANNEL = ("label", "eye", "type", "unit")
# Where (0, 0) of screen positions lies; y runs down from the top and the centre, up
# from the bottom and in "center-up".
ORIGINS = ("top-left", "bottom-left", "center", "center-up")
_LIMIT_BYTES = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What is stored.

    Parameters
    ----------
    setup : dict
        Any of the fields of `Setup`; what is absent is not known.
    channel_maps : {source_id of a stream: its channels}
    origins : {source_id of a stream: where its screen positions start}
    setups : {id of a person in a set-up: dict}
        What differs there from `setup`.
    """

    setup: Mapping[str, Any] = field(default_factory=dict)
    channel_maps: Mapping[str, tuple[Channel, ...]] = field(default_factory=dict)
    origins: Mapping[str, str] = field(default_factory=dict)
    setups: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def setup_of(self, key: str) -> dict[str, Any]:
        """Return the stored set-up of a person, or of a person in a named set-up."""
        return {**self.setup, **self.setups.get(key, {})}

    def names(self, source_id: str) -> dict[str, Any] | None:
        """Return what is stored of a stream, in the form that an inlet takes."""
        channels = self.channel_maps.get(source_id)
        if channels is None:
            return None
        rows = [{name: getattr(c, name) for name in _CHANNEL} for c in channels]
        origin = self.origins.get(source_id, ORIGINS[0])
        return {"origin": origin, "channels": rows, "setup": dict(self.setup)}


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
    path = home / FILE
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
    streams = _table(table.get("streams", {}), "streams", faults)
    maps = {
        source: _channels(entry, f"streams.{source!r}", faults)
        for source, entry in streams.items()
    }
    origins = {
        source: _origin(entry, f"streams.{source!r}", faults)
        for source, entry in streams.items()
    }
    if faults:
        raise InputError("\n".join(f"{path}: {fault}" for fault in faults))
    return Settings(setup=setup, channel_maps=maps, origins=origins, setups=setups)


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
    home: Path, source_id: str, channels: Sequence[Channel], origin: str = ORIGINS[0]
) -> Path:
    """Keep what the channels of a stream are, under the stream's source_id.

    Parameters
    ----------
    home : path
    source_id : str
    channels : sequence of Channel
    origin : str
        One of `ORIGINS`.

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
    rows = [{name: getattr(c, name) for name in _CHANNEL} for c in channels]
    return _change(home, "streams", {source_id: {"origin": origin, "channels": rows}})


def read_channel_map(path: Path) -> tuple[tuple[Channel, ...], str]:
    """Read a channel map that somebody wrote: `origin` and `[[channels]]` in TOML.

    Parameters
    ----------
    path : path of a TOML file

    Returns
    -------
    channels : tuple of Channel
    origin : str

    Raises
    ------
    InputError
        With one sentence for each fault of the file.
    """
    faults: list[str] = []
    table = tomlfile.read(path, _LIMIT_BYTES)
    channels = _channels(table, "the file", faults)
    origin = _origin(table, "the file", faults)
    if faults:
        raise InputError("\n".join(f"{path}: {fault}" for fault in faults))
    return channels, origin


def _change(home: Path, section: str, values: Mapping[str, Any]) -> Path:
    import tomlkit

    load(home)  # a damaged file is reported, not overwritten
    path = home / FILE
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


def _origin(value: object, name: str, faults: list[str]) -> str:
    entry = value.get("origin", ORIGINS[0]) if isinstance(value, dict) else ORIGINS[0]
    if entry in ORIGINS:
        return str(entry)
    faults.append(f"origin of {name} is {entry!r:.60}; use {', '.join(ORIGINS)}")
    return ORIGINS[0]


def _channels(value: object, name: str, faults: list[str]) -> tuple[Channel, ...]:
    rows = value.get("channels") if isinstance(value, dict) else None
    if not isinstance(rows, list) or not rows:
        faults.append(f"{name} lists no channels; write one [[channels]] for each")
        return ()
    channels = []
    for number, row in enumerate(rows, 1):
        where = f"channel {number} of {name}"
        if not isinstance(row, dict):
            faults.append(f"{where} is not a table; give label, eye, type and unit")
            continue
        faults += [
            f"{key!r} of {where} is unknown; it knows {', '.join(_CHANNEL)}"
            for key in row
            if key not in _CHANNEL
        ]
        faults += [
            f"{key!r} of {where} is not text; put it in quotes"
            for key in _CHANNEL
            if not isinstance(row.get(key, ""), str)
        ]
        if row.get("eye", "") not in ("", *EYES):
            faults.append(f"eye of {where} is {row['eye']!r}; use {', '.join(EYES)}")
        if not row.get("type"):
            faults.append(f"{where} has no type; name it, ScreenX for instance")
        channels.append(Channel(**{k: str(row.get(k, "")) for k in _CHANNEL}))
    return tuple(channels)
