"""A table, row by row into a file beside its place, then moved there whole."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import secrets
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Protocol

from calibkit.batch.columns import Column, Row
from calibkit.errors import CallError
from calibkit.kept import disk

ENDINGS = (".csv", ".parquet")


class Rows(Protocol):
    """What takes rows."""

    def add(self, row: Row) -> None:
        """Take one more row."""

    def close(self) -> None:
        """Finish."""


def check_name(path: Path) -> None:
    """Refuse a table that is neither CSV nor Parquet, or that cannot be made here.

    Raises
    ------
    CallError
        Naming the ending, or the line that installs what is missing.
    """
    if path.suffix.lower() not in ENDINGS:
        raise CallError(f"{path} is neither .csv nor .parquet; name one of these")
    if path.suffix.lower() == ".parquet":
        from calibkit.batch import parquet

        parquet.check()


class Table:
    """A table that is there whole or not at all.

    Parameters
    ----------
    path : path, ending in .csv or .parquet
    columns : sequence of Column
    overwrite : bool
        Whether an existing file may be replaced.
    """

    def __init__(
        self, path: Path, columns: Sequence[Column], *, overwrite: bool
    ) -> None:
        self._path, self._overwrite = path, overwrite
        self._aside = path.with_name(
            f"{path.name[:100]}{disk.TEMP_MARK}{secrets.token_hex(4)}"
        )
        self._rows = self._guarded(lambda: _maker(path)(self._aside, columns))

    def add(self, row: Row) -> None:
        """Take one more row; keys that are no columns are left out.

        Raises
        ------
        StorageError
            When it cannot be written; a table that was there before is unchanged.
        """
        self._guarded(lambda: self._rows.add(row))

    def __enter__(self) -> Table:
        return self

    def __exit__(self, kind: type[BaseException] | None, *rest: object) -> None:
        try:
            if kind is None:
                self._guarded(self._rows.close)
                self._guarded(self._move)
            else:
                with contextlib.suppress(OSError):
                    self._rows.close()
        finally:
            with contextlib.suppress(OSError):
                self._aside.unlink(missing_ok=True)

    def _move(self) -> None:
        disk.move_in(self._aside, self._path, overwrite=self._overwrite)

    def _guarded(self, action: Callable[[], Any]) -> Any:
        try:
            return action()
        except OSError as error:
            raise disk.storage_error(self._path, error) from error


def sweep(path: Path | None) -> None:
    """Remove what a crash left beside a table that is held by this process."""
    mark = f"{path.name[:100]}{disk.TEMP_MARK}" if path else ""
    for left in path.parent.iterdir() if path else ():
        if left.name.startswith(mark):
            with contextlib.suppress(OSError):
                left.unlink()


def _maker(path: Path) -> Callable[[Path, Sequence[Column]], Rows]:
    if path.suffix.lower() == ".parquet":
        from calibkit.batch import parquet

        return parquet.ParquetRows
    return CsvRows


class CsvRows:
    """RFC 4180 with plain line ends, UTF-8; numbers as short as they stay exact."""

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        self._columns = tuple(columns)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        raw = os.fdopen(handle, "wb")
        self._file = io.TextIOWrapper(raw, "utf-8", newline="", errors="replace")
        self._writer = csv.writer(self._file, lineterminator="\n")
        self._writer.writerow([column.name for column in columns])

    def add(self, row: Row) -> None:
        """Take one more row."""
        self._writer.writerow([_cell(row.get(c.name)) for c in self._columns])

    def close(self) -> None:
        """Finish."""
        self._file.close()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else str(value)
