"""What is done, beside the table: one checked line a recording, only ever appended.

FORMAT calibkit-batch, version 1. A line is the CRC-32 of the rest in eight hexadecimal
digits, a space, and one JSON object; the first names format and version. A line that
was cut off by a crash costs itself alone. Results lie under the recording's SHA-256
and the settings' name, so that nothing done once is done again.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibkit.batch.worker import Result
from calibkit.errors import CallError, InputError
from calibkit.kept import disk, lock

FORMAT, VERSION = "calibkit-batch", 1
FLUSH_S = 1.0


@dataclass(frozen=True, kw_only=True)
class _Place:
    start: int
    size: int


class Progress:
    """The progress file of one table, held by one process at a time.

    Parameters
    ----------
    path : path
        Made where it does not exist.
    settings : str
        `Settings.name()`; results under other names are left alone.

    Raises
    ------
    CallError
        When another batch is at work on it, or it is some other file.
    InputError
        When a newer calibkit wrote it.
    StorageError
        When it cannot be opened or written.
    """

    def __init__(self, path: Path, settings: str) -> None:
        self._path, self._settings = path, settings
        self._places: dict[str, _Place] = {}
        self._flushed_s = time.monotonic()
        flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0)
        try:
            self._handle = os.open(path, flags, 0o600)
        except OSError as error:
            raise disk.storage_error(path, error) from error
        try:
            self._open()
        except BaseException:
            os.close(self._handle)
            raise

    def __contains__(self, sha256: str) -> bool:
        """Whether the result of a recording is there."""
        return sha256 in self._places

    def __len__(self) -> int:
        """How many results are there."""
        return len(self._places)

    def add(self, result: Result) -> None:
        """Append a result.

        Raises
        ------
        StorageError
            When it cannot be written; what was done before stays.
        """
        line = {"settings": self._settings, **result}
        self._places[result["sha256"]] = self._append(line)

    def result(self, sha256: str) -> Result:
        """Read a result back."""
        place = self._places[sha256]
        os.lseek(self._handle, place.start, os.SEEK_SET)
        found = _checked(_read(self._handle, place.size))
        if found is None:
            raise InputError(f"{self._path} changed meanwhile; delete it and run again")
        return found

    def close(self) -> None:
        """Bring all of it to the medium and let go."""
        with contextlib.suppress(OSError):
            disk.flush(self._handle)
        os.close(self._handle)

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _open(self) -> None:
        held = lock.hold(self._handle)
        who = 0
        for number, (line, place) in enumerate(self._lines()):
            if number == 0:
                self._check(line)
            elif line is None:
                continue
            elif "process" in line:
                who = line["process"]
            elif line.get("settings") == self._settings and line.get("keep"):
                self._places[line["sha256"]] = place
        if not held:
            raise CallError(
                f"process {who or 'unknown'} is at work on {self._path}; wait for it, "
                "or name another table"
            )
        if os.lseek(self._handle, 0, os.SEEK_END) == 0:
            self._append({"format": FORMAT, "version": VERSION})
        self._append({"process": os.getpid()})

    def _lines(self) -> Iterator[tuple[dict[str, Any] | None, _Place]]:
        os.lseek(self._handle, 0, os.SEEK_SET)
        with os.fdopen(os.dup(self._handle), "rb") as file:
            start = 0
            for raw in file:
                place = _Place(start=start, size=len(raw))
                start += len(raw)
                yield _checked(raw), place

    def _check(self, first: dict[str, Any] | None) -> None:
        if first is None or first.get("format") != FORMAT:
            raise CallError(
                f"{self._path} is another file, and what is done is kept under this "
                "name; move it, or name another table"
            )
        if not 1 <= first["version"] <= VERSION:
            raise InputError(
                f"{self._path} has version {first['version']} and this calibkit reads "
                f"versions 1 to {VERSION}; use a newer calibkit"
            )

    def _append(self, line: dict[str, Any]) -> _Place:
        body = json.dumps(line, allow_nan=False, separators=(",", ":")).encode()
        try:
            start = os.lseek(self._handle, 0, os.SEEK_END)
            # A line that a crash or a full disk cut off must not swallow this one.
            if start and not self._ends_well(start):
                disk.write_all(self._handle, b"\n")
                start += 1
            raw = b"%08x %s\n" % (zlib.crc32(body), body)
            disk.write_all(self._handle, raw)
            if time.monotonic() - self._flushed_s > FLUSH_S:
                disk.flush(self._handle)
                self._flushed_s = time.monotonic()
        except OSError as error:
            raise disk.storage_error(self._path, error) from error
        return _Place(start=start, size=len(raw))

    def _ends_well(self, size: int) -> bool:
        os.lseek(self._handle, size - 1, os.SEEK_SET)
        well = os.read(self._handle, 1) == b"\n"
        os.lseek(self._handle, 0, os.SEEK_END)
        return well


def _read(handle: int, size: int) -> bytes:
    parts = []
    while size:
        part = os.read(handle, size)
        if not part:
            break
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


def _checked(raw: bytes) -> dict[str, Any] | None:
    """Return the object of a line; None for one that is damaged."""
    crc, _, body = raw.rstrip(b"\r\n").partition(b" ")
    if crc != b"%08x" % zlib.crc32(body):
        return None
    try:
        found = json.loads(body)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
