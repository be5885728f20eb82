"""Tables as text: numbers come back as they were, what is missing has a word."""

from __future__ import annotations

import contextlib
import gzip
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import StorageError

BLOCK = 50_000  # rows that are text at a time
PACKED = 6  # level 9 takes three times as long for hardly a smaller file


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """One column: its name, what it is, its values, and its unit if it has one.

    Parameters
    ----------
    name : str
    about : str
        A sentence for people.
    values : array (n,), or sequence of str
    unit : str
    digits : int, optional
        Decimals of a number; by default it comes back to the bit.
    """

    name: str
    about: str
    values: NDArray[Any] | Sequence[str]
    unit: str = ""
    digits: int | None = None


def cells(column: Column, rows: slice, missing: str) -> list[str]:
    """Return a column's values as text.

    Parameters
    ----------
    column : Column
    rows : slice
    missing : str
        Stands for what is not finite, and for an empty text.
    """
    part = column.values[rows]
    if not isinstance(part, np.ndarray):
        return [_line(text) or missing for text in part]
    if part.dtype.kind in "iu":
        return [str(value) for value in part.tolist()]
    if column.digits is not None:
        part = np.round(part.astype(float), column.digits)
    gone = ~np.isfinite(part)
    # numpy's own text of a float32 is the shortest that comes back the same.
    single = part.dtype == np.float32
    words = part.astype("U").tolist() if single else list(map(repr, part.tolist()))
    for k in np.flatnonzero(gone).tolist():
        words[k] = missing
    return words


def _line(text: str) -> str:
    printable = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(printable.split())


def tsv(columns: Sequence[Column], *, header: bool) -> Iterable[str]:
    """Yield a tab-separated table in blocks of lines; what is missing is n/a."""
    if header:
        yield "\t".join(column.name for column in columns) + "\n"
    count = len(columns[0].values)
    for first in range(0, count, BLOCK):
        rows = slice(first, first + BLOCK)
        parts = [cells(column, rows, "n/a") for column in columns]
        yield "\n".join(map("\t".join, zip(*parts, strict=True))) + "\n"


def write_text(path: Path, text: Iterable[str]) -> None:
    """Write text, in a folder that is not yet seen by anybody.

    Raises
    ------
    StorageError
        When it cannot be written.
    """
    with told(path), path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(text)


def write_gzip(path: Path, text: Iterable[str]) -> None:
    """Write packed text that names neither a file nor a time: same text, same bytes."""
    with (
        told(path),
        path.open("wb") as raw,
        gzip.GzipFile("", "wb", PACKED, raw, mtime=0) as packed,
        io.TextIOWrapper(packed, encoding="utf-8", newline="") as file,
    ):
        file.writelines(text)


def write_json(path: Path, value: Mapping[str, Any]) -> None:
    """Write JSON; a number that is not finite is a ValueError."""
    text = json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False)
    write_text(path, [text + "\n"])


@contextlib.contextmanager
def told(path: Path) -> Iterator[None]:
    """Make a file's folder, and say in words what goes wrong with the file."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        raise StorageError(
            f"{path} was not written: {error.strerror or error}; free some space or "
            "choose another folder"
        ) from error
