"""Lines of a log that each hold the hash of the line before, so that changes show.

It is no signature: who writes the whole file anew can make a new chain. A line that
was changed, taken out or put in between by itself is found.
"""

from __future__ import annotations

import hashlib
import json
import os
from typing import Any

KEY = "before_sha256"


def before(handle: int, limit_bytes: int) -> str:
    """Return the hash of an open file's last line, "" where there is none.

    Parameters
    ----------
    handle : int
    limit_bytes : int
        Of a line.
    """
    size = os.fstat(handle).st_size
    os.lseek(handle, max(0, size - limit_bytes - 2), os.SEEK_SET)
    parts = []
    while part := os.read(handle, limit_bytes + 2):
        parts.append(part)
    last = b"".join(parts).removesuffix(b"\n").rsplit(b"\n", 1)[-1]
    return of(last) if size else ""


def of(line: bytes) -> str:
    """Return the hash of a line, which is without its end."""
    return hashlib.sha256(line).hexdigest()


def broken(data: bytes) -> tuple[int, ...]:
    """Find the lines that do not follow from the line before.

    Parameters
    ----------
    data : bytes
        The whole log.

    Returns
    -------
    tuple of int
        Their numbers, from 1; a line without a hash, as older versions wrote it, is
        none of them unless one with a hash stands before it.
    """
    found, last, begun = [], "", False
    for number, line in enumerate(data.removesuffix(b"\n").split(b"\n"), 1):
        told = _told(line)
        if told is not None:
            begun = True
        if (told is None and begun and _whole(line)) or told not in (None, last):
            found.append(number)
        last = of(line)
    return tuple(found)


def _told(line: bytes) -> str | None:
    entry = _entry(line)
    value = entry.get(KEY) if isinstance(entry, dict) else None
    return value if isinstance(value, str) else None


def _whole(line: bytes) -> bool:
    """Whether it is an entry at all; one that a crash tore is not."""
    return isinstance(_entry(line), dict)


def _entry(line: bytes) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        return None
