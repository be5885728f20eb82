"""What somebody told of a stream's channels, where its own metadata do not say it.

A TOML file of `[[channels]]` tables, beside `origin`, `missing` and `[setup]`; the same
keys, the set-up apart, are kept in the settings under the stream's source_id.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from calibkit.channels import EYES, ORIGINS, Channel, feature_sources, plain_unit
from calibkit.errors import InputError
from calibkit.kept import tomlfile

KEYS = ("label", "eye", "type", "unit")
NUMBER = "number"
SCREEN_UNITS = ("px", "normalized", "mm")
MOST_MISSING = 16
MOST_CHANNELS = 64
_NOTHING = Channel(label="", eye="", type="", unit="")


@dataclass(frozen=True, kw_only=True)
class StreamNames:
    """The names of a stream's channels.

    Parameters
    ----------
    channels : tuple of Channel
        In the stream's order; one without a type is not read.
    origin : str
        One of `ORIGINS`.
    missing : tuple of float
        Numbers that mean "not seen" in any channel, besides pairs of 0 and of -1.
    setup : dict
        Fields of the set-up that the file gives, unchecked.
    numbered : bool
        Whether the file gives places, so that it need not name all channels.
    """

    channels: tuple[Channel, ...]
    origin: str = ORIGINS[0]
    missing: tuple[float, ...] = ()
    setup: Mapping[str, Any] = field(default_factory=dict)
    numbered: bool = False

    def table(self) -> dict[str, Any]:
        """Return the form in which it is stored, and which an inlet takes."""
        rows = [{key: getattr(c, key) for key in KEYS} for c in self.channels]
        plain: dict[str, Any] = {"origin": self.origin}
        if self.missing:
            plain["missing"] = list(self.missing)
        return {**plain, "channels": rows}

    def fitted(self, count: int) -> StreamNames:
        """Return the names for a stream of so many channels.

        Raises
        ------
        InputError
            The file names too many channels, or too few and gives no places.
        """
        named = len(self.channels)
        if named > count or (named < count and not self.numbered):
            raise InputError(
                f"the channel map names {named} channels but the stream has {count}; "
                "name every channel once, in the stream's order, or number those that "
                "are to be read"
            )
        rest = (_NOTHING,) * (count - named)
        return replace(self, channels=(*self.channels, *rest))


def parse(table: object, name: str, faults: list[str]) -> StreamNames:
    """Read the names of a stream; what is wrong is added to `faults`.

    Parameters
    ----------
    table : object
        The TOML table.
    name : str
        How messages call it.
    faults : list of str
        One sentence for each fault is appended.

    Returns
    -------
    StreamNames
    """
    known = table if isinstance(table, dict) else {}
    return StreamNames(
        channels=_channels(known.get("channels"), name, faults),
        origin=_origin(known.get("origin", ORIGINS[0]), name, faults),
        missing=_missing(known.get("missing", []), name, faults),
        setup=known.get("setup", {}),
        numbered=_numbered(known.get("channels")),
    )


def check(names: StreamNames) -> list[str]:
    """Return why no gaze could be read from channels named so, a sentence each."""
    faults = [
        f"unit of channel {k} is {channel.unit!r}; ScreenX and ScreenY come in pixels, "
        "normalized or mm"
        for k, channel in enumerate(names.channels, 1)
        if channel.type.lower() in ("screenx", "screeny")
        and plain_unit(channel.unit) not in SCREEN_UNITS
    ]
    if not feature_sources(names.channels):
        faults.append(
            "no gaze can be read from channels named so; an eye needs ScreenX and "
            "ScreenY, or PupilX and PupilY, or all of DirectionX, Y and Z"
        )
    return faults


def _origin(value: object, name: str, faults: list[str]) -> str:
    if value in ORIGINS:
        return str(value)
    faults.append(f"origin of {name} is {value!r:.60}; use {', '.join(ORIGINS)}")
    return ORIGINS[0]


def _missing(value: object, name: str, faults: list[str]) -> tuple[float, ...]:
    rows = value if isinstance(value, list) else [value]
    numbers = [tomlfile.number(row) for row in rows]
    good = tuple(float(n) for n in numbers if n is not None)
    if len(good) == len(rows) <= MOST_MISSING:
        return good
    faults.append(
        f"missing of {name} is {value!r:.60}; give a list of at most {MOST_MISSING} "
        "numbers"
    )
    return ()


def _channels(value: object, name: str, faults: list[str]) -> tuple[Channel, ...]:
    if not isinstance(value, list) or not value:
        faults.append(f"{name} lists no channels; write one [[channels]] for each")
        return ()
    found = [_channel(row, f"channel {k} of {name}", faults) for k, row in _n(value)]
    places = [_place(row, f"channel {k} of {name}", faults) for k, row in _n(value)]
    if not _numbered(value):
        return tuple(found)
    if None in places or len(set(places)) < len(places):
        faults.append(f"{name} numbers some channels; number each once, or none")
        return ()
    by_place = dict(zip(places, found, strict=True))
    last = max(place for place in places if place is not None)
    return tuple(by_place.get(place, _NOTHING) for place in range(1, last + 1))


def _numbered(rows: object) -> bool:
    return isinstance(rows, list) and any(
        isinstance(row, dict) and NUMBER in row for row in rows
    )


def _n(rows: Sequence[object]) -> list[tuple[int, object]]:
    return list(enumerate(rows, 1))


def _channel(row: object, where: str, faults: list[str]) -> Channel:
    if not isinstance(row, dict):
        faults.append(f"{where} is not a table; give label, eye, type and unit")
        return _NOTHING
    faults += [
        f"{key!r} of {where} is unknown; it knows {', '.join((*KEYS, NUMBER))}"
        for key in row
        if key not in (*KEYS, NUMBER)
    ]
    faults += [
        f"{key!r} of {where} is not text; put it in quotes"
        for key in KEYS
        if not isinstance(row.get(key, ""), str)
    ]
    words = {key: str(row.get(key, "")) for key in KEYS}
    eye = words["eye"].lower()
    if eye not in ("", *EYES):
        faults.append(f"eye of {where} is {row['eye']!r}; use {', '.join(EYES)}")
    return Channel(**{**words, "eye": eye})


def _place(row: object, where: str, faults: list[str]) -> int | None:
    value = row.get(NUMBER) if isinstance(row, dict) else None
    if value is None:
        return None
    whole = isinstance(value, int) and not isinstance(value, bool)
    if whole and 1 <= value <= MOST_CHANNELS:
        return int(value)
    faults.append(
        f"number of {where} is {value!r:.60}; give its place, from 1 to {MOST_CHANNELS}"
    )
    return None
