"""Take the gaze and marker streams out of an XDF file, as plain numbers and text.

Run as `python -m calibkit.archive.xdf_reader BYTES CPU_S MEMORY_BYTES [STREAM]` it is
the disposable child that reads such files: the file is its standard input, plain arrays
go to its standard output. The only home of pyxdf.

Stamps are never smoothed: a camera drops frames, and a straight line through such
stamps is off by tenths of a second. Clock offsets are applied; stamps as they came and
the offsets go along.
"""

from __future__ import annotations

import functools
import io
import json
import logging
import sys
from collections.abc import Iterator
from typing import Any, BinaryIO
from xml.etree import ElementTree

import numpy as np

from calibkit.archive import xdf_chunks
from calibkit.archive.xdf_chunks import Found, Head
from calibkit.kept import reader
from calibkit.kept.reader import Item, Refused

MAX_TEXT_BYTES = 16384
MAX_DESCRIPTION_BYTES = 1 << 20
# The rest of a description is about other things than gaze, and may be large.
_BLOCKS = ("channels", "setup", "acquisition")


def items(source: BinaryIO, max_bytes: int, stream: str = "") -> Iterator[Item]:
    """Yield what is plain in an XDF file.

    Parameters
    ----------
    source : binary file, seekable
    max_bytes : int
        Largest sum of the arrays' sizes, and of what a packed file unpacks to.
    stream : str
        A stream that is wanted by its source_id, name or number ("#3"), whatever its
        type.

    Yields
    ------
    Item
        "/": a note and the date of the file; "/N": the head of stream number N, as
        JSON; below it, where its samples were read, time, time_raw, clock (k, 2),
        breaks, and samples (n, c) or texts with their lengths.

    Raises
    ------
    Refused
        When the file is none, is damaged, or holds more than a limit allows.
    """
    plain = xdf_chunks.unpacked(source, max_bytes)
    found = xdf_chunks.walk(plain, functools.partial(_wanted, stream=stream))
    loaded, notes = _load(found)
    notes = [*xdf_chunks.events(found), *notes]
    yield Item(path="/", attribute="created", array=_text(found.created[:64]))
    yield Item(path="/", attribute="notes", array=_text("\n".join(notes)))
    budget = max_bytes
    for number, head in found.heads.items():
        data = loaded.get(number)
        yield Item(path=f"/{number}", array=_text(_about(head, read=data is not None)))
        for name, array in _arrays(data).items() if data else ():
            budget -= array.nbytes
            if budget < 0:
                raise Refused("holds more data than such a file may hold")
            yield Item(path=f"/{number}/{name}", array=array)


def _wanted(head: Head, stream: str) -> bool:
    kind = head.text("type").lower()
    named = (head.text("source_id"), head.text("name"), f"#{head.number}")
    return (
        kind in ("gaze", "markers")
        or head.form == "string"
        or (bool(stream) and stream in named)
    )


class _Errors(logging.Handler):
    """Counts what the library complains of."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.count, self.unsynchronised = 0, 0

    def emit(self, record: logging.LogRecord) -> None:
        self.count += record.levelno >= logging.ERROR
        self.unsynchronised += "synchronization" in record.getMessage()


def _load(found: Found) -> tuple[dict[int, dict[str, Any]], list[str]]:
    try:
        import pyxdf
    except ImportError:
        raise Refused("cannot be read without pyxdf") from None
    raw: dict[int, list[Any]] = {}

    def keep(values: Any, stamps: Any, info: Any, number: int) -> Any:
        raw.setdefault(number, []).append(stamps.copy())
        return values, stamps, info

    errors = _Errors()
    logger = logging.getLogger("pyxdf")
    logger.addHandler(errors)
    logger.propagate = False
    try:
        streams, _ = pyxdf.load_xdf(
            io.BytesIO(bytes(found.clean)),
            on_chunk=keep,
            synchronize_clocks=True,
            dejitter_timestamps=False,
            verbose=False,
        )
    except MemoryError:
        raise
    except Exception as error:
        raise Refused(f"is damaged ({type(error).__name__} while reading)") from error
    notes = []
    if errors.count:
        notes.append(f"{errors.count} damaged part(s) of the streams were left out")
    if errors.unsynchronised:
        notes.append("the clock offsets of a stream could not be used for all of it")
    loaded = {one["info"]["stream_id"]: one for one in streams}
    for number, one in loaded.items():
        parts = raw.get(number, [])
        one["raw"] = np.concatenate(parts) if parts else np.empty(0)
    return loaded, notes


def _arrays(data: dict[str, Any]) -> dict[str, Any]:
    time = np.asarray(data["time_stamps"], "<f8")
    clock = np.column_stack([data["clock_times"], data["clock_values"]])
    breaks = [first for first, _ in data["info"]["clock_segments"][1:]]
    arrays = {
        "time": time,
        "time_raw": np.asarray(data["raw"][: len(time)], "<f8"),
        "clock": np.asarray(clock.reshape(-1, 2), "<f8"),
        "breaks": np.asarray(breaks, "<i8"),
    }
    values = data["time_series"]
    if isinstance(values, np.ndarray):
        return arrays | {"samples": values.astype(values.dtype.newbyteorder("<"))}
    rows = [_row(row) for row in values]
    return arrays | {
        "texts": np.frombuffer(b"".join(rows), "u1"),
        "lengths": np.array([len(row) for row in rows], "<i8"),
    }


def _row(row: list[Any]) -> bytes:
    text = "\t".join(str(one) for one in row if one is not None)
    return text.encode("utf-8", "replace")[:MAX_TEXT_BYTES]


def _about(head: Head, *, read: bool) -> str:
    """Return what a stream says of itself, as JSON."""
    desc = head.tree.find("desc")
    blocks = {} if desc is None else {n: desc.find(n) for n in _BLOCKS}
    about = {
        "name": head.text("name"),
        "type": head.text("type"),
        "source_id": head.text("source_id"),
        "host": head.text("hostname"),
        "form": head.form,
        "width": head.width,
        "rate": xdf_chunks.rate(head),
        "read": read,
        "desc": {n: _nested(b) for n, b in blocks.items() if b is not None},
    }
    text = json.dumps(about)
    if len(text) > MAX_DESCRIPTION_BYTES:
        raise Refused(f"describes stream {head.number} in too many words")
    return text


def _nested(node: ElementTree.Element) -> Any:
    """Return an element's text, or its children in lists by their names."""
    if not len(node):
        return (node.text or "").strip()
    found: dict[str, list[Any]] = {}
    for child in node:
        found.setdefault(child.tag, []).append(_nested(child))
    return found


def _text(text: str) -> Any:
    return np.frombuffer(text.encode("utf-8", "replace"), "u1")


def main(arguments: list[str]) -> int:
    """Read standard input, write frames to standard output."""
    stream = arguments[3] if len(arguments) > 3 else ""
    return reader.main(arguments[:3], functools.partial(items, stream=stream))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
