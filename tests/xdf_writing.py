"""A small writer of XDF files, for tests: from the XDF 1.0 specification alone.

It shares no code with the reader, nor with the library that the reader uses.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from calibkit.kept.recording import Recording

BOUNDARY = bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4")
CODES = {"float32": "f", "double64": "d", "int8": "b", "int16": "h", "int32": "i"}


def length(value: int) -> bytes:
    if value < 256:
        return struct.pack("<BB", 1, value)
    if value < 2**32:
        return struct.pack("<BI", 4, value)
    return struct.pack("<BQ", 8, value)


def chunk(tag: int, content: bytes) -> bytes:
    return length(len(content) + 2) + struct.pack("<H", tag) + content


def file_header(created: str = "2026-11-25T10:00:00+0100") -> bytes:
    text = f"<?xml version='1.0'?><info><version>1.0</version><datetime>{created}"
    return b"XDF:" + chunk(1, f"{text}</datetime></info>".encode())


def nested(values: Mapping[str, Any]) -> str:
    """XML of nested dictionaries; a list repeats its element."""
    parts = []
    for name, value in values.items():
        for one in value if isinstance(value, list) else [value]:
            inside = nested(one) if isinstance(one, Mapping) else escape(str(one))
            parts.append(f"<{name}>{inside}</{name}>")
    return "".join(parts)


def header(number: int, desc: Mapping[str, Any] | None = None, **fields: Any) -> bytes:
    about = {
        "name": "tracker",
        "type": "Gaze",
        "channel_count": 2,
        "nominal_srate": 0,
        "channel_format": "float32",
        "source_id": "tracker-1",
        "hostname": "desk",
        **fields,
        "desc": desc or {},
    }
    xml = f"<?xml version='1.0'?><info>{nested(about)}</info>"
    return chunk(2, struct.pack("<I", number) + xml.encode())


def footer(number: int, count: int) -> bytes:
    xml = f"<info><sample_count>{count}</sample_count></info>"
    return chunk(6, struct.pack("<I", number) + xml.encode())


def clock(number: int, time_s: float, offset_s: float) -> bytes:
    return chunk(4, struct.pack("<Idd", number, time_s, offset_s))


def samples(
    number: int, times: Sequence[float], rows: Iterable[Sequence[float]], code: str
) -> bytes:
    body = b"".join(
        struct.pack(f"<Bd{len(row)}{code}", 8, t, *row)
        for t, row in zip(times, rows, strict=True)
    )
    return chunk(3, struct.pack("<I", number) + length(len(times)) + body)


def texts(number: int, times: Sequence[float], words: Sequence[str]) -> bytes:
    body = b""
    for t, word in zip(times, words, strict=True):
        raw = word.encode()
        body += struct.pack("<Bd", 8, t) + length(len(raw)) + raw
    return chunk(3, struct.pack("<I", number) + length(len(times)) + body)


def described(rec: Recording, *, setup: bool = True) -> dict[str, Any]:
    """What a stream like the recording's says of itself."""
    rows = [
        {"label": c.label, "eye": c.eye, "type": c.type, "unit": c.unit}
        for c in rec.channels
    ]
    found: dict[str, Any] = {"channels": {"channel": rows}}
    if setup:
        found["setup"] = {
            "screen_px": "{} {}".format(*rec.setup.screen_px),
            "screen_mm": "{} {}".format(*rec.setup.screen_mm),
            "distance_mm": rec.setup.distance_mm,
        }
    return found


def gaze(
    rec: Recording,
    number: int = 1,
    *,
    shift_s: float = 0.0,
    block: int = 100,
    setup: bool = True,
    **fields: Any,
) -> bytes:
    """A gaze stream's header and samples, stamped on a clock that is `shift_s` off."""
    form = "float32" if rec.samples.dtype.itemsize == 4 else "double64"
    about = {"channel_count": len(rec.channels), "channel_format": form, **fields}
    about = {"source_id": rec.source_id or "tracker-1", **about}
    parts = [header(number, described(rec, setup=setup), **about)]
    for first in range(0, len(rec.time), block):
        piece = slice(first, first + block)
        times = (rec.time[piece] + shift_s).tolist()
        rows = rec.samples[piece].tolist()
        parts.append(samples(number, times, rows, CODES[form]))
    return b"".join(parts)


def marks(rec: Recording) -> list[tuple[float, str]]:
    """What a session of ours says of these targets."""
    setup = rec.setup
    start = {
        "event": "session_start",
        "screen_px": list(setup.screen_px),
        "screen_mm": list(setup.screen_mm),
        "distance_mm": setup.distance_mm,
    }
    found: list[tuple[float, dict[str, Any]]] = [(rec.targets["onset"].min(), start)]
    for k, row in enumerate(rec.targets):
        place = {} if row["x"] != row["x"] else {"x": row["x"], "y": row["y"]}
        about = {"id": k, "role": str(row["role"]), "advance": str(row["advance"])}
        found.append((row["onset"], {"event": "target_on", **about, **place}))
        off = {"event": "target_off", "id": k, "kept": int(row["kept"])}
        found.append((row["offset"], off))
    return [(float(t), json.dumps(e, default=float)) for t, e in found]


def markers(
    pairs: Sequence[tuple[float, str]], number: int = 2, **fields: Any
) -> bytes:
    about = {
        "name": "marks",
        "type": "Markers",
        "channel_count": 1,
        "channel_format": "string",
        "source_id": "marks-1",
        **fields,
    }
    body = texts(number, [t for t, _ in pairs], [w for _, w in pairs])
    return header(number, **about) + body


def whole(rec: Recording, path: Path, *more: bytes, setup: bool = True) -> Path:
    """A file as a recorder would write it of a session of ours."""
    parts = [file_header(), gaze(rec, setup=setup), markers(marks(rec)), *more]
    path.write_bytes(b"".join(parts))
    return path
