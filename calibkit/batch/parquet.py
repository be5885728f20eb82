"""The home of pyarrow: a table as Parquet, in groups of rows, so memory stays flat."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from calibkit.batch.columns import Column, Row
from calibkit.errors import CallError

GROUP_ROWS = 5000


def check() -> None:
    """Refuse, with the line that installs it, where pyarrow is missing.

    Raises
    ------
    CallError
    """
    if importlib.util.find_spec("pyarrow") is None:
        raise CallError(
            "a .parquet table needs pyarrow; run: pip install 'calibkit[cluster]', or "
            "name a .csv table"
        )


class ParquetRows:
    """Takes rows, writes groups of them; a column's meaning goes into the schema."""

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        import pyarrow
        from pyarrow import parquet

        kinds = {
            "text": pyarrow.string(),
            "number": pyarrow.float64(),
            "whole": pyarrow.int64(),
        }
        self._schema = pyarrow.schema(
            [
                pyarrow.field(c.name, kinds[c.kind], metadata={"meaning": c.meaning})
                for c in columns
            ]
        )
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        self._file = os.fdopen(os.open(path, flags, 0o600), "wb")
        self._writer = parquet.ParquetWriter(self._file, self._schema)
        self._waiting: list[Row] = []

    def add(self, row: Row) -> None:
        """Take one more row."""
        self._waiting.append({k: _text(v) for k, v in row.items()})
        if len(self._waiting) >= GROUP_ROWS:
            self._flush()

    def close(self) -> None:
        """Finish."""
        if self._waiting:
            self._flush()
        self._writer.close()
        self._file.close()

    def _flush(self) -> None:
        import pyarrow

        table = pyarrow.Table.from_pylist(self._waiting, schema=self._schema)
        self._writer.write_table(table)
        self._waiting.clear()


def _text(value: Any) -> Any:
    """Replace what is no text in UTF-8, as the CSV table does."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    return value
