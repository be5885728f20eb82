"""Read a small TOML file that a person may have written, and say plainly what is off.

Bounds come before parsing: a dotted key of 64 KB keeps the parser busy for seconds.
"""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

from calibkit.errors import InputError
from calibkit.kept import disk

LIMIT_BYTES = 64 * 1024
LINE_LIMIT = 4096


def read(path: Path, limit_bytes: int = LIMIT_BYTES) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : path
    limit_bytes : int

    Returns
    -------
    dict

    Raises
    ------
    InputError
        When it is missing, too large, no UTF-8, or no TOML.
    """
    return parse(disk.read_regular(path, limit_bytes), str(path))


def parse(data: bytes, name: str) -> dict[str, Any]:
    """Parse a TOML file's bytes; a byte order mark is accepted.

    Raises
    ------
    InputError
        With the place in the file.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name} is not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from None
    # Only \n ends a line in TOML, yet \r alone must not hide a long one.
    longest = max(map(len, re.split(r"[\r\n]", text)))
    if longest > LINE_LIMIT:
        raise InputError(
            f"{name} has a line of {longest:,} characters; keep each below {LINE_LIMIT}"
        )
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(f"{name} is too deeply nested; flatten it") from None
    except ValueError as error:
        raise InputError(f"{name} is not valid TOML: {error}; correct it") from None


def number(value: object) -> float | None:
    """Return a finite number that is no bool, else None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        result = float(value)
    except OverflowError:
        return None
    return result if math.isfinite(result) else None
