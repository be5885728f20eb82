"""The recording file's schema: fields of a recording to a tree and back (keeper: fill in).

It knows no Recording: `read` returns the fields as a dict, `write` takes them.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

ROLES = ("calibration", "validation", "pointing")
ADVANCES = ("gaze", "timer", "key")
TARGET_DTYPE = np.dtype(
    [
        ("onset", "f8"),
        ("offset", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("role", "U16"),
        ("advance", "U8"),
        ("kept", "u1"),
    ]
)


def read(path: Path) -> dict[str, Any]:
    """Read the fields of `Recording` from a file."""
    raise NotImplementedError


def write(path: Path, parts: dict[str, Any], *, overwrite: bool) -> None:
    """Write the fields of `Recording` to a file."""
    raise NotImplementedError
