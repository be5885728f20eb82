"""Stream descriptions: XDF "Gaze" metadata out and in, and the user's channel map.

Nothing here imports the streaming library: elements are walked by the few methods that
its XML nodes have. Text that comes from outside is cut and stripped of controls.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from calibkit import errors
from calibkit.channels import EYES, ORIGINS, SENTINELS, Channel, groups, plain_unit

TEXT_LIMIT = 64
CHANNEL_LIMIT = 1024
ChannelMap = Mapping[str, Any]
Element = Any  # an XML node: child, child_value, next_sibling, append_child, ...


@dataclass(frozen=True, kw_only=True)
class Description:
    """What a stream says about itself.

    Parameters
    ----------
    channels : tuple of Channel
        As many as the stream has; a nameless one gets a number.
    setup : mapping
        As far as it names one.
    described : bool
        Whether each channel has metadata.
    listed : int
        How many channels the metadata list, which may be another number.
    delay_s : float
        By how much its stamps lag behind what they are of, NaN where it does not say.
    """

    channels: tuple[Channel, ...]
    setup: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    described: bool = True
    listed: int = 0
    delay_s: float = math.nan


def clean(text: str) -> str:
    """Printable text of at most 64 characters."""
    return "".join(letter for letter in text if letter.isprintable())[:TEXT_LIMIT]


def write(
    desc: Element,
    channels: Sequence[Channel],
    setup: Mapping[str, Sequence[float]] | None = None,
    about: Mapping[str, Mapping[str, str]] | None = None,
) -> None:
    """Write channels, and a set-up where there is one, under a stream's `<desc>`.

    Parameters
    ----------
    desc : Element
    channels : sequence of Channel
    setup : mapping, optional
        `screen_px` (w, h), `screen_mm` (w, h), `distance_mm` (d,)
    about : mapping of mappings, optional
        Further blocks, such as "synchronization", each with its texts by name.

    Source
    ------
    XDF "Gaze" meta-data page; `<setup>` is calibkit's own addition.
    """
    listed = desc.append_child("channels")
    for channel in channels:
        node = listed.append_child("channel")
        for name in ("label", "eye", "type", "unit"):
            node.append_child_value(name, getattr(channel, name))
    if setup:
        node = desc.append_child("setup")
        for name, values in setup.items():
            node.append_child_value(name, " ".join(f"{value:g}" for value in values))
    for block, texts in (about or {}).items():
        node = desc.append_child(block)
        for name, text in texts.items():
            node.append_child_value(name, text)


def read(desc: Element, channel_count: int) -> Description:
    """Read a `<desc>`, however poor: a channel that it does not name gets a number.

    Parameters
    ----------
    desc : Element
    channel_count : int

    Returns
    -------
    Description
    """
    nodes: list[Element] = []
    node = desc.child("channels").child("channel")
    while not node.empty() and len(nodes) < CHANNEL_LIMIT:
        nodes.append(node)
        node = node.next_sibling("channel")
    named = [_channel(node, k) for k, node in enumerate(nodes[:channel_count])]
    bare = unnamed(channel_count)
    return Description(
        channels=(*named, *bare[len(named) :]),
        setup=_setup(desc.child("setup")),
        described=len(named) == channel_count and any(c.type for c in named),
        listed=len(nodes),
        delay_s=_delay_s(desc.child("synchronization")),
    )


def unnamed(channel_count: int) -> tuple[Channel, ...]:
    """Return channels that nothing is known of but their place."""
    return tuple(
        Channel(label=f"channel {k + 1}", eye="", type="", unit="")
        for k in range(channel_count)
    )


def undescribed(channel_count: int) -> Description:
    """Return the description of a stream that was not asked for one."""
    return Description(channels=unnamed(channel_count), described=False)


def _channel(node: Element, k: int) -> Channel:
    words = {
        name: clean(node.child_value(name)) for name in ("label", "eye", "type", "unit")
    }
    return Channel(**{**words, "label": words["label"] or f"channel {k + 1}"})


def _setup(node: Element) -> dict[str, tuple[float, ...]]:
    counts = {"screen_px": 2, "screen_mm": 2, "distance_mm": 1}
    found = {name: _numbers(node.child_value(name), n) for name, n in counts.items()}
    return {name: values for name, values in found.items() if values}


def _delay_s(node: Element) -> float:
    """LSL's documentation, "Time synchronization": to be subtracted from the stamps."""
    try:
        value = float(node.child_value("offset_mean"))
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _numbers(text: str, count: int) -> tuple[float, ...]:
    try:
        values = tuple(float(word) for word in text.split())
    except ValueError:
        return ()
    fine = all(np.isfinite(value) and value > 0 for value in values)
    return values if len(values) == count and fine else ()


def channel_map(
    channels: Sequence[Channel], origin: str = "top-left"
) -> dict[str, object]:
    """Return the stored form of a naming of channels, for a TOML file.

    Parameters
    ----------
    channels : sequence of Channel
    origin : {"top-left", "bottom-left", "center", "center-up"}
        Where (0, 0) of the stream's screen positions lies; y runs down from the top
        and the centre, up from the bottom and in "center-up".
    """
    rows = [
        {name: getattr(c, name) for name in ("label", "eye", "type", "unit")}
        for c in channels
    ]
    return {"origin": origin, "channels": rows}


def named(channels: Sequence[Channel], names: ChannelMap | None) -> tuple[Channel, ...]:
    """Return the channels as the user names them, checked against the stream.

    Parameters
    ----------
    channels : sequence of Channel
        What the stream says.
    names : mapping, optional
        As `channel_map` makes it; None keeps the stream's own names.

    Raises
    ------
    InputError
        The map has another number of channels, or an unknown origin.
    """
    if not names:
        return tuple(channels)
    rows = cast("Sequence[Mapping[str, str]]", names.get("channels", ()))
    if len(rows) != len(channels):
        raise errors.InputError(
            f"the channel map names {len(rows)} channels but the stream has "
            f"{len(channels)}; name every channel once, in the stream's order"
        )
    if names.get("origin", "top-left") not in ORIGINS:
        raise errors.InputError(
            f"origin {names['origin']!r} in the channel map is unknown; write one of "
            + ", ".join(ORIGINS)
        )
    return tuple(
        Channel(
            label=clean(str(row.get("label") or channels[k].label)),
            eye=clean(str(row.get("eye", ""))),
            type=clean(str(row.get("type", ""))),
            unit=clean(str(row.get("unit", ""))),
        )
        for k, row in enumerate(rows)
    )


def to_top_left(
    samples: NDArray[np.float64],
    channels: Sequence[Channel],
    origin: str,
    setup: Mapping[str, Sequence[float]],
) -> NDArray[np.float64]:
    """Move screen positions to the top-left origin, y down.

    Parameters
    ----------
    samples : array (n, c)
    channels : sequence of Channel
    origin : str
        One of `ORIGINS`.
    setup : mapping
        `screen_px` and `screen_mm`, for positions in these units.

    Returns
    -------
    array (n, c); a pair that holds a sentinel (all 0 or all -1) becomes NaN, because
    after the move nobody could tell it from a position

    Raises
    ------
    InputError
        The screen's size in the stream's unit is unknown.
    """
    if origin == "top-left":
        return samples
    moved = samples.copy()
    for pair, unit in _screen_pairs(channels):
        values = samples[:, pair]
        gone = np.logical_or.reduce([(values == s).all(axis=1) for s in SENTINELS])
        moved[:, pair] = _moved(values, _size(unit, setup), origin)
        moved[np.ix_(gone, pair)] = np.nan
    return moved


def mender(
    names: ChannelMap | None,
    channels: Sequence[Channel],
    said: Mapping[str, Sequence[float]],
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]] | None:
    """Return what puts samples right as the user's channel map asks.

    Parameters
    ----------
    names : mapping, optional
        With `origin`, `missing`, and `setup` where the user gave one.
    channels : sequence of Channel
    said : mapping
        The set-up that the stream gives itself.

    Returns
    -------
    callable of samples (n, c), or None where nothing is to be done
    """
    origin = str((names or {}).get("origin", "top-left"))
    missing = tuple((names or {}).get("missing", ()))
    if origin == "top-left" and not missing:
        return None
    screen = {**said, **(names or {}).get("setup", {})}

    def mend(samples: NDArray[np.float64]) -> NDArray[np.float64]:
        return to_top_left(blanked(samples, missing), channels, origin, screen)

    return mend


def blanked(
    samples: NDArray[np.float64], missing: Sequence[float]
) -> NDArray[np.float64]:
    """Put NaN for the numbers that the user says mean "not seen".

    Parameters
    ----------
    samples : array (n, c)
    missing : sequence of float
        Met as closely as 32-bit numbers can hold them.

    Returns
    -------
    array (n, c)
    """
    if not len(missing):
        return samples
    gone = np.isclose(samples[..., None], np.asarray(missing, float), 1e-6, 1e-9)
    return np.where(gone.any(axis=-1), np.nan, samples)


def _screen_pairs(channels: Sequence[Channel]) -> list[tuple[list[int], str]]:
    return [
        (list(pair), channels[pair[0]].unit)
        for eye in EYES
        for pair in groups(channels, "Screen", eye)
    ]


def _size(unit: str, setup: Mapping[str, Sequence[float]]) -> NDArray[np.float64]:
    if plain_unit(unit) in ("normalized", "none"):
        return np.ones(2)
    name = "screen_mm" if plain_unit(unit) == "mm" else "screen_px"
    if name not in setup:
        raise errors.InputError(
            f"{name} is unknown, so the stream's screen positions cannot be moved to "
            "the top-left origin; give the screen's size with --window or --screen-mm"
        )
    return np.asarray(setup[name], float)


def _moved(
    values: NDArray[np.float64], size: NDArray[np.float64], origin: str
) -> NDArray[np.float64]:
    if origin == "bottom-left":
        return np.column_stack([values[:, 0], size[1] - values[:, 1]])
    sign = -1.0 if origin == "center-up" else 1.0
    return values * [1.0, sign] + size / 2.0
