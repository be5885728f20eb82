"""An XDF file's chunks, looked at before any library sees them.

No length that the file claims is believed: a chunk that runs over the end, samples that
cannot fit into their chunk, and descriptions that are no plain XML are left out or
refused here. What is passed on is a file that is well-formed chunk by chunk, with only
the streams that are wanted.

Source: XDF 1.0 specification (magic "XDF:", then length, tag and content of each chunk,
tags 1 to 6, little-endian).
"""

from __future__ import annotations

import contextlib
import gzip
import io
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO
from xml.etree import ElementTree

from calibkit.kept.reader import Refused

MAGIC = b"XDF:"
GZIP_MAGIC = b"\x1f\x8b"
FILE_HEADER, STREAM_HEADER, SAMPLES, CLOCK, BOUNDARY, FOOTER = range(1, 7)
BOUNDARY_MARK = bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4")
MAX_STREAMS = 1000
MAX_CHANNELS = 4096
MAX_XML_BYTES = 4 << 20
MAX_DEPTH = 32
SIZES = {"int8": 1, "int16": 2, "int32": 4, "int64": 8, "float32": 4, "double64": 8}
_BLOCK = 1 << 20


@dataclass(kw_only=True)
class Head:
    """What a stream's header says, and how much of it was found."""

    number: int
    tree: ElementTree.Element
    form: str
    width: int
    samples: int = 0

    def text(self, name: str) -> str:
        """Return a text of the header, "" where there is none."""
        return (self.tree.findtext(name) or "").strip()


class NoXml(Refused):
    """A description that is damaged, not hostile: only its stream is lost."""


@dataclass(kw_only=True)
class Found:
    """All that a walk over a file found."""

    heads: dict[int, Head] = field(default_factory=dict)
    created: str = ""
    damaged: int = 0
    undescribed: int = 0
    cut_bytes: int = 0
    clean: bytearray = field(default_factory=lambda: bytearray(MAGIC))


def unpacked(source: BinaryIO, max_bytes: int) -> BinaryIO:
    """Return the file itself, or what a packed one (.xdfz) unpacks to, within limits.

    Raises
    ------
    Refused
        When it unpacks to more than `max_bytes`, or is damaged.
    """
    head = source.read(2)
    source.seek(0)
    if head != GZIP_MAGIC:
        return source
    plain = bytearray()
    try:
        with gzip.GzipFile(fileobj=source, mode="rb") as packed:
            while part := packed.read(_BLOCK):
                plain += part
                if len(plain) > max_bytes:
                    raise Refused("unpacks to more than such a file may hold")
    except EOFError:
        pass  # cut off: what came before is told of and used
    except (OSError, zlib.error) as error:
        raise Refused("is damaged: it does not unpack") from error
    return io.BytesIO(bytes(plain))


def walk(source: BinaryIO, wanted: Callable[[Head], bool]) -> Found:
    """Read every chunk; keep those of the wanted streams that are sound.

    Parameters
    ----------
    source : binary file, seekable
    wanted : callable
        Whether the samples of a stream are to be kept.

    Returns
    -------
    Found

    Raises
    ------
    Refused
        When the file is no XDF file, or a description is not plain.
    """
    size = source.seek(0, io.SEEK_END)
    source.seek(0)
    if source.read(4) != MAGIC:
        raise Refused("is no XDF file")
    found, kept = Found(), set[int]()
    while source.tell() < size:
        start = source.tell()
        length = _length(source)
        if length is None or length < 2 or source.tell() + length > size:
            if not _to_boundary(source, start, size):
                found.cut_bytes = size - start
                break
            found.damaged += 1
            continue
        end = source.tell() + length
        (tag,) = struct.unpack("<H", source.read(2))
        _chunk(source, found, kept, wanted, tag=tag, length=length - 2)
        source.seek(end)
    return found


def _length(source: BinaryIO) -> int | None:
    """Read a length of one, four or eight bytes; None where there is none."""
    width = source.read(1)
    formats = {b"\x01": "<B", b"\x04": "<I", b"\x08": "<Q"}
    if width not in formats:
        return None
    raw = source.read(width[0])
    return int(struct.unpack(formats[width], raw)[0]) if len(raw) == width[0] else None


def _to_boundary(source: BinaryIO, start: int, size: int) -> bool:
    """Go on behind the next boundary mark, if there is one in the file."""
    place, before = start, b""
    source.seek(start)
    while place < size:
        block = source.read(_BLOCK)
        at = (before + block).find(BOUNDARY_MARK)
        if at >= 0:
            source.seek(place - len(before) + at + len(BOUNDARY_MARK))
            return True
        place += len(block)
        before = (before + block)[-len(BOUNDARY_MARK) :]
    return False


def _chunk(
    source: BinaryIO,
    found: Found,
    kept: set[int],
    wanted: Callable[[Head], bool],
    *,
    tag: int,
    length: int,
) -> None:
    if tag == FILE_HEADER and length <= MAX_XML_BYTES:
        content = source.read(length)
        with contextlib.suppress(NoXml):
            found.created = (_xml(content).findtext("datetime") or "").strip()
        _keep(found, tag, b"<info><version>1.0</version></info>")
        return
    if tag not in (STREAM_HEADER, SAMPLES, CLOCK, FOOTER) or length < 4:
        return
    raw = source.read(4)
    (number,) = struct.unpack("<I", raw)
    if tag == STREAM_HEADER:
        _header(source, found, kept, wanted, number, length - 4)
    elif number in kept:
        content = source.read(length - 4)
        sound = _sound(found.heads[number], tag, content)
        found.damaged += not sound
        if sound:
            _keep(found, tag, raw + (_footer(content) if tag == FOOTER else content))


def _header(
    source: BinaryIO,
    found: Found,
    kept: set[int],
    wanted: Callable[[Head], bool],
    number: int,
    length: int,
) -> None:
    if length > MAX_XML_BYTES:
        raise Refused(f"describes stream {number} in more than {MAX_XML_BYTES:,} bytes")
    if number in found.heads:
        found.damaged += 1  # a second header would start the stream anew
        return
    if len(found.heads) >= MAX_STREAMS:
        raise Refused(f"holds more than {MAX_STREAMS} streams")
    content = source.read(length)
    try:
        head = _head(number, _xml(content))
    except NoXml:
        found.undescribed += 1
        return
    found.heads[number] = head
    if head.width and wanted(head):
        kept.add(number)
        _keep(found, STREAM_HEADER, struct.pack("<I", number) + _short_header(head))


def _head(number: int, tree: ElementTree.Element) -> Head:
    form = (tree.findtext("channel_format") or "").strip()
    width = (tree.findtext("channel_count") or "").strip()
    count = int(width) if width.isascii() and width.isdigit() and len(width) < 6 else 0
    known = form in (*SIZES, "string") and 0 < count <= MAX_CHANNELS
    return Head(number=number, tree=tree, form=form, width=count if known else 0)


def rate(head: Head) -> float:
    """Return the nominal rate in Hz; 0 where it is irregular, missing or absurd."""
    try:
        value = float(head.text("nominal_srate"))
    except ValueError:
        return 0.0
    return value if 0 < value < 1e6 else 0.0


def _short_header(head: Head) -> bytes:
    """Return as much of a header as the library needs to read the samples."""
    return (
        f"<info><name>{head.number}</name><type></type>"
        f"<channel_count>{head.width}</channel_count>"
        f"<nominal_srate>{rate(head):.17g}</nominal_srate>"
        f"<channel_format>{head.form}</channel_format></info>"
    ).encode()


def _xml(content: bytes) -> ElementTree.Element:
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        raise Refused("holds a description with declarations of its own")
    parser: Any = ElementTree.XMLPullParser(("start", "end"))
    depth, root = 0, ElementTree.Element("info")
    try:
        parser.feed(content.decode("utf-8", "replace"))
        parser.close()
        for event, node in parser.read_events():
            depth += 1 if event == "start" else -1
            if depth > MAX_DEPTH:
                raise Refused(f"nests a description deeper than {MAX_DEPTH}")
            root = node
    except (ElementTree.ParseError, ValueError) as error:
        raise NoXml(f"holds a description that is no XML ({error})") from error
    return root


def _sound(head: Head, tag: int, content: bytes) -> bool:
    """Whether a chunk's content can be what it says it is."""
    if tag == CLOCK:
        return len(content) == 16
    if tag == FOOTER:
        return bool(_footer(content))
    buffer = io.BytesIO(content)
    count = _length(buffer)
    if count is None:
        return False
    rest = len(content) - buffer.tell()
    if head.form == "string":
        fits = count * (1 + 2 * head.width) <= rest
    else:
        over = rest - count * (1 + head.width * SIZES[head.form])
        fits = 0 <= over <= 8 * count and over % 8 == 0
    head.samples += count if fits else 0
    return fits


def _footer(content: bytes) -> bytes:
    """Return as much of a footer as the library needs; nothing for a damaged one."""
    try:
        count = (_xml(content).findtext("sample_count") or "").strip()
    except Refused:
        return b""
    known = count.isascii() and count.isdigit() and len(count) < 16
    inside = f"<sample_count>{count}</sample_count>" if known else ""
    return f"<info>{inside}</info>".encode()


def _keep(found: Found, tag: int, content: bytes) -> None:
    length = len(content) + 2
    found.clean += struct.pack("<BIH", 4, length, tag) + content


def events(found: Found) -> Iterator[str]:
    """Yield, in words, what was left out of the file."""
    if found.damaged:
        yield f"{found.damaged} damaged part(s) of the file were left out"
    if found.undescribed:
        yield f"{found.undescribed} stream(s) whose description is no XML were left out"
    if found.cut_bytes:
        yield f"the file is cut off: its last {found.cut_bytes:,} bytes were left out"
