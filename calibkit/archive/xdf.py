"""An XDF file as streams: read by a child process, described as live streams are."""

from __future__ import annotations

import importlib.util
import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.errors import DeviceError, InputError
from calibkit.kept import foreign
from calibkit.kept.reader import Item
from calibkit.kept.store import RECORDING_LIMIT_BYTES
from calibkit.streams import lsl_xml
from calibkit.streams.lsl_found import OURS

Array = NDArray[np.float64]
READER = "calibkit.archive.xdf_reader"
_DEVICE = ("manufacturer", "model", "serial_number")


@dataclass(frozen=True, kw_only=True, eq=False)
class XdfStream:
    """One stream of a file.

    Parameters
    ----------
    number : int
        Its number in the file.
    channels : tuple of Channel
    described : bool
        Whether it says what its channels are.
    setup : mapping
        What it says of the screen; empty where it says nothing.
    device : mapping
        Manufacturer, model and serial number, where it names them.
    time, time_raw : array (n,), s
        Stamps on the recorder's clock, and as they came.
    clock : array (k, 2), s
        When clock offsets were measured, and the offsets.
    breaks : array of int
        First samples after a clock was set anew.
    samples : array (n, c), or None for text
    texts : tuple of str
        n of them; channels of one sample parted by tabs.
    """

    number: int
    name: str
    kind: str
    source_id: str
    host: str
    form: str
    nominal_rate: float
    channels: tuple[Channel, ...]
    described: bool
    setup: Mapping[str, tuple[float, ...]]
    device: Mapping[str, str]
    read: bool
    time: Array
    time_raw: Array
    clock: Array
    breaks: NDArray[np.int64]
    samples: NDArray[np.floating] | None
    texts: tuple[str, ...]

    @property
    def label(self) -> str:
        """How messages name the stream."""
        return f"#{self.number} {self.name} ({self.source_id or 'no source_id'})"

    @property
    def is_ours(self) -> bool:
        """Whether it is calibrated gaze that we published, which is no input."""
        return self.source_id.startswith(OURS)

    def is_called(self, name: str) -> bool:
        """Whether this is its source_id, its name or its number, such as #3."""
        return name in (self.source_id, self.name, f"#{self.number}")


@dataclass(frozen=True, kw_only=True, eq=False)
class XdfFile:
    """All streams of a file; `notes` say what of it could not be used."""

    path: Path
    created: str
    streams: tuple[XdfStream, ...]
    notes: tuple[str, ...] = field(default=())


def load(path: Path, stream: str = "") -> XdfFile:
    """Read the gaze and marker streams of an XDF file.

    Parameters
    ----------
    path : path of an .xdf or .xdfz file
    stream : str
        Read this stream too, whatever its type.

    Returns
    -------
    XdfFile
        Streams of other types come without samples.

    Raises
    ------
    DeviceError
        When pyxdf is not installed.
    InputError
        When the file is missing, damaged, too large or no XDF file.
    """
    if importlib.util.find_spec("pyxdf") is None:
        raise DeviceError(
            "pyxdf is needed to read XDF files and is not installed; install it with "
            "`pip install calibkit[archive]`"
        )
    found = foreign.read(
        path, RECORDING_LIMIT_BYTES, module=READER, arguments=(stream[:1000],)
    )
    try:
        return _file(path, found)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            f"{path} is damaged ({type(error).__name__}); use another copy"
        ) from error


def _file(path: Path, found: Sequence[Item]) -> XdfFile:
    parts = {(item.path, item.attribute): item.array for item in found}
    numbers = [p[1:] for p, attribute in parts if attribute is None and p[1:].isdigit()]
    notes = _decoded(parts["/", "notes"]).splitlines()
    return XdfFile(
        path=path,
        created=lsl_xml.clean(_decoded(parts["/", "created"])),
        streams=tuple(_stream(number, parts) for number in numbers),
        notes=tuple(notes),
    )


def _stream(number: str, parts: Mapping[tuple[str, str | None], Any]) -> XdfStream:
    about = json.loads(_decoded(parts[f"/{number}", None]))
    width = int(about["width"])
    description = lsl_xml.read(_Node([about["desc"]]), width)
    device = about["desc"].get("acquisition")
    device = device if isinstance(device, dict) else {}

    def part(name: str, empty: Array) -> Any:
        return parts.get((f"/{number}/{name}", None), empty)

    nothing = np.empty(0)
    time = np.asarray(part("time", nothing), float)
    raw = np.asarray(part("time_raw", time), float)
    if raw.shape != time.shape:
        raise ValueError("stamps that do not fit")
    return XdfStream(
        number=int(number),
        name=lsl_xml.clean(str(about["name"])),
        kind=lsl_xml.clean(str(about["type"])),
        source_id=lsl_xml.clean(str(about["source_id"])),
        host=lsl_xml.clean(str(about["host"])),
        form=str(about["form"]),
        nominal_rate=float(about["rate"]),
        channels=description.channels,
        described=description.described,
        setup=description.setup,
        device={name: _first(device.get(name)) for name in _DEVICE if device.get(name)},
        read=bool(about["read"]),
        time=time,
        time_raw=raw,
        clock=np.asarray(part("clock", np.empty((0, 2))), float).reshape(-1, 2),
        breaks=np.asarray(part("breaks", nothing), np.int64),
        samples=_samples(part("samples", nothing), len(time), width, about),
        texts=_texts(
            part("texts", nothing), part("lengths", nothing), len(time), about
        ),
    )


def _samples(
    array: NDArray[Any], count: int, width: int, about: Mapping[str, Any]
) -> NDArray[np.floating] | None:
    if about["form"] == "string":
        return None
    if not about["read"]:
        return np.empty((0, width))
    if array.shape != (count, width):
        raise ValueError("samples that do not fit")
    small = array.dtype.kind in "iu" and array.dtype.itemsize < 4
    single = small or array.dtype == np.float32
    return array.astype(np.float32 if single else float)


def _texts(
    blob: NDArray[Any], lengths: NDArray[Any], count: int, about: Mapping[str, Any]
) -> tuple[str, ...]:
    if about["form"] != "string" or not about["read"]:
        return ()
    ends = np.cumsum(np.concatenate([[0], lengths]), dtype=np.int64)
    if len(lengths) != count or (lengths < 0).any() or ends[-1] != len(blob):
        raise ValueError("texts that do not fit")
    data = blob.astype("u1").tobytes()
    return tuple(
        data[a:b].decode("utf-8", "replace")
        for a, b in itertools.pairwise(ends.tolist())
    )


def _decoded(array: NDArray[Any]) -> str:
    return np.asarray(array, "u1").tobytes().decode("utf-8", "replace")


def _first(value: object) -> str:
    one = value[0] if isinstance(value, list) and value else ""
    return lsl_xml.clean(one) if isinstance(one, str) else ""


class _Node:
    """One of several elements of a name, walked as the live descriptions are."""

    def __init__(self, siblings: object, place: int = 0) -> None:
        self._siblings = siblings if isinstance(siblings, list) else [siblings]
        self._place = place

    def _value(self) -> object:
        return None if self.empty() else self._siblings[self._place]

    def empty(self) -> bool:
        return self._place >= len(self._siblings) or self._siblings[self._place] is None

    def child(self, name: str) -> _Node:
        value = self._value()
        return _Node(value.get(name) if isinstance(value, dict) else None)

    def child_value(self, name: str) -> str:
        value = self.child(name)._value()
        return value if isinstance(value, str) else ""

    def next_sibling(self, name: str) -> _Node:
        return _Node(self._siblings, self._place + 1)
