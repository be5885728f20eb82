"""Frames of an append-only file: each checked by a CRC over its head and body.

Layout, little-endian: magic (4), body length (u4), sequence (u8), session mark (8),
kind (u1), three zero bytes, CRC-32 (u4, of all before it and of the body), body. A
damaged stretch costs the frames it touches: reading goes on at the next magic whose
CRC is right.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

MAGIC = b"\xcaKJ\x01"
MAX_BODY = 1 << 26
_HEAD = struct.Struct("<4sIQ8sB3x")
_CRC = struct.Struct("<I")
HEAD_BYTES = _HEAD.size + _CRC.size


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One frame; `skipped` bytes before it made no frame."""

    sequence: int
    session: bytes
    kind: int
    body: bytes
    skipped: int


def mark(session: str) -> bytes:
    """Return the 8 bytes that stand for a session in each of its frames."""
    return hashlib.sha256(session.encode()).digest()[:8]


def encode(sequence: int, session: bytes, kind: int, body: bytes) -> bytes:
    """Make a frame."""
    if len(body) > MAX_BODY:
        raise ValueError(f"a frame's body has {len(body)} bytes, over {MAX_BODY}")
    head = _HEAD.pack(MAGIC, len(body), sequence, session, kind)
    return head + _CRC.pack(zlib.crc32(body, zlib.crc32(head))) + body


def decode(data: bytes) -> Iterator[Frame]:
    """Yield the good frames in a file's bytes, in the order of the file.

    Parameters
    ----------
    data : bytes

    Yields
    ------
    Frame
        Last, when bytes remain that make no frame, one of kind -1 that counts them.
    """
    at = end = 0
    while (at := data.find(MAGIC, at)) >= 0:
        found = _one(data, at, at - end)
        if found is None:
            at += 1
            continue
        yield found
        at = end = at + HEAD_BYTES + len(found.body)
    if end < len(data):
        skipped = len(data) - end
        yield Frame(sequence=-1, session=b"", kind=-1, body=b"", skipped=skipped)


def _one(data: bytes, at: int, skipped: int) -> Frame | None:
    if at + HEAD_BYTES > len(data):
        return None
    head = data[at : at + _HEAD.size]
    _, length, sequence, session, kind = _HEAD.unpack(head)
    start = at + HEAD_BYTES
    if length > MAX_BODY or start + length > len(data):
        return None
    body = data[start : start + length]
    (crc,) = _CRC.unpack_from(data, at + _HEAD.size)
    # zero padding is part of the head that the CRC covers
    if crc != zlib.crc32(body, zlib.crc32(head)):
        return None
    return Frame(
        sequence=sequence, session=session, kind=kind, body=body, skipped=skipped
    )
