"""The active mapping as a small hashed JSON file, for readers that must never fail.

First line: a mark and the SHA-256 of the rest. A publisher reads this alone, so no
HDF5 library is ever loaded beside a person's live gaze.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any

from calibkit.errors import InputError
from calibkit.kept import disk

LIMIT_BYTES = 64 * 1024
_HEAD = re.compile(rb"calibkit snapshot 1 sha256 ([0-9a-f]{64})\n")


def encode(content: dict[str, Any]) -> bytes:
    """Make a snapshot's bytes; every number must be finite.

    Raises
    ------
    InputError
        When a number is not finite, or the whole is larger than 64 KB.
    """
    try:
        body = json.dumps(content, allow_nan=False, separators=(",", ":")).encode()
    except ValueError:
        raise InputError(
            "the mapping holds a number that is not finite; record the person again"
        ) from None
    head = f"calibkit snapshot 1 sha256 {hashlib.sha256(body).hexdigest()}\n"
    data = head.encode() + body
    if len(data) > LIMIT_BYTES:
        raise InputError(
            f"the mapping takes {len(data):,} bytes as a snapshot, more than "
            f"{LIMIT_BYTES:,}; use fewer features"
        )
    return data


def decode(data: bytes, name: str) -> dict[str, Any]:
    """Turn a snapshot's bytes back, to the last bit as written.

    Raises
    ------
    InputError
        When anything differs from what was written.
    """
    head = _HEAD.match(data)
    if head is None:
        raise InputError(f"{name} is not a calibkit snapshot; use another version")
    body = data[head.end() :]
    if hashlib.sha256(body).hexdigest().encode() != head.group(1):
        raise InputError(f"{name} is damaged: its checksum is wrong; use another copy")
    try:
        content = json.loads(body, parse_constant=_not_finite)
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, dict):
        raise InputError(f"{name} holds no mapping; use another version")
    return content


def read(path: Path) -> dict[str, Any]:
    """Read a snapshot file; a link to elsewhere is refused.

    Raises
    ------
    InputError
        When it is missing, damaged, or a link.
    """
    if path.is_symlink():
        raise InputError(f"{path} is a link to elsewhere; use the file itself")
    return decode(disk.read_regular(path, LIMIT_BYTES), str(path))


def _not_finite(text: str) -> float:
    raise ValueError(text)
