"""The live form of a recording: an append-only file that survives a crash.

One write per batch, flushed to the medium each second. `finish` turns a journal into a
contract recording and removes it only after the recording was read again; `recover`
does so for those that a crash left behind.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from calibkit.channels import Channel
from calibkit.errors import CalibkitError, CallError, InputError, StorageError
from calibkit.kept import disk, frames, journal_contents, lock, recording_file
from calibkit.language import _

SUFFIX = ".journal"
DAMAGED_SUFFIX = ".journal-damaged"
SYNC_S = 1.0
HEADER_EVERY = 60  # flushes; a damaged first frame then costs a minute at most
# The length of a file is flushed too; its other times need not be.
_SYSTEM = replace(disk.SYSTEM, fsync=getattr(os, "fdatasync", os.fsync))


class Writer:
    """Appends a live session to a journal.

    Parameters
    ----------
    path : path ending in .journal, must not exist
    header : dict
        Fields of `Recording` that are known at the start: person, session, attempt,
        created, software, setup (Setup or dict), channels (Channel or 4 texts each),
        name, source_id, nominal_rate, protocol.
    clock : callable
        Monotonic seconds, for the flush each second.
    system : disk.System
        For tests.

    Raises
    ------
    StorageError
        When the file cannot be made; from each method, when it cannot be written.
    """

    def __init__(
        self,
        path: Path | str,
        header: dict[str, Any],
        *,
        clock: Callable[[], float] = time.monotonic,
        system: disk.System = _SYSTEM,
    ) -> None:
        self.path = Path(path)
        self._header = json.dumps(_plain_header(header)).encode()
        self._session = frames.mark(str(header.get("session", "")))
        self._clock, self._system = clock, system
        self._sequence = self._syncs = self._targets = 0
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        try:
            self._handle = os.open(self.path, flags | getattr(os, "O_BINARY", 0), 0o600)
        except FileExistsError:
            raise disk.exists_error(self.path) from None
        except OSError as error:
            raise disk.storage_error(self.path, error) from error
        lock.hold(self._handle)
        self._synced_s = clock()
        self._append("header", self._header)
        self.sync()

    def gaze(
        self, time: ArrayLike, samples: ArrayLike, time_raw: ArrayLike | None = None
    ) -> None:
        """Append samples: corrected times (k,), rows (k, c), times as they came."""
        stamps = np.asarray(time, "<f8").reshape(-1)
        rows = np.asarray(samples)
        rows = rows.astype("<f4" if rows.dtype == np.float32 else "<f8")
        raw = stamps if time_raw is None else np.asarray(time_raw, "<f8").reshape(-1)
        if rows.ndim != 2 or not len(stamps) == len(raw) == len(rows):
            raise ValueError(
                f"{len(stamps)} times, {len(raw)} raw times and samples of the shape "
                f"{rows.shape} do not fit one another"
            )
        if len(stamps):
            head = np.array([len(stamps), rows.shape[1], rows.itemsize], "<u4")
            parts = (head, stamps, raw, rows)
            self._append("gaze", b"".join(part.tobytes() for part in parts))

    def target(self, row: Sequence[Any], index: int | None = None) -> int:
        """Append a target row (TARGET_DTYPE), or set the one at `index` anew.

        Returns
        -------
        int
            The row's index.
        """
        index = self._targets if index is None else index
        self._targets = max(self._targets, index + 1)
        plain = [v.item() if isinstance(v, np.generic) else v for v in row]
        self._append("target", json.dumps([index, plain]).encode())
        return index

    def path_rows(self, rows: ArrayLike) -> None:
        """Append (time, x, y) of a moving target, shape (p, 3) or (3,)."""
        self._append("path", np.asarray(rows, "<f8").reshape(-1, 3).tobytes())

    def event(self, time_s: float, text: str) -> None:
        """Append a key press, pause, note, or a stream lost or found."""
        self._append("event", json.dumps([float(time_s), str(text)]).encode())

    def clock(self, time_s: float, correction_s: float) -> None:
        """Append a clock correction that was measured at a time."""
        self._append("clock", np.array([time_s, correction_s], "<f8").tobytes())

    def append(self, kind: str, *values: Any) -> None:
        """Append by the name of the kind: gaze, target, path, event or clock."""
        known: dict[str, Callable[..., object]] = {
            "gaze": self.gaze,
            "target": self.target,
            "path": self.path_rows,
            "event": self.event,
            "clock": self.clock,
        }
        known[kind](*values)

    def sync(self) -> None:
        """Bring all that was appended to the medium itself."""
        self._synced_s = self._clock()
        self._syncs += 1
        try:
            if self._syncs % HEADER_EVERY == 0:
                self._write("header", self._header)
            disk.flush(self._handle, self._system)
        except OSError as error:
            raise disk.storage_error(self.path, error) from error

    def close(self) -> None:
        """Mark the journal as complete, flush and close it; a second call is fine.

        A full disk is no reason to raise here: `finish` reads what is there and tells
        of a missing end.
        """
        if self._handle < 0:
            return
        with contextlib.suppress(StorageError):
            self._append("end", b"{}")
            self.sync()
        handle, self._handle = self._handle, -1
        with contextlib.suppress(OSError):  # all is flushed, or was told of
            os.close(handle)

    def __enter__(self) -> Writer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _append(self, kind: str, body: bytes) -> None:
        try:
            self._write(kind, body)
        except OSError as error:
            raise disk.storage_error(self.path, error) from error
        if self._clock() - self._synced_s >= SYNC_S:
            self.sync()

    def _write(self, kind: str, body: bytes) -> None:
        number = journal_contents.KINDS.index(kind)
        frame = frames.encode(self._sequence, self._session, number, body)
        self._sequence += 1
        disk.write_all(self._handle, frame)


@dataclass(frozen=True, kw_only=True)
class Recovered:
    """One journal found at the start: the recording made of it, or why none was."""

    journal: Path
    recording: Path | None
    text: str


def finish(path: Path | str) -> Path:
    """Turn a closed journal into a recording beside it, then remove the journal.

    Parameters
    ----------
    path : path of a journal

    Returns
    -------
    Path
        Of the recording: the same name, ending in .h5, or in -2.h5, ... where another
        recording has that name.

    Raises
    ------
    InputError
        When the journal cannot be read.
    StorageError
        When the recording cannot be written; the journal is then kept.
    """
    path = Path(path)
    parts = journal_contents.fields_of(journal_contents.read(path))
    data = recording_file.dump(parts)
    try:
        target = _written(path, data)
    except StorageError as error:
        raise StorageError(f"{error}; the session is kept in {path}") from error
    recording_file.read(target)
    with contextlib.suppress(OSError):  # the next start finds it finished already
        path.unlink(missing_ok=True)
    return target


def _written(path: Path, data: bytes) -> Path:
    """Write a recording beside its journal, under the next name that is free."""
    wanted = hashlib.sha256(data).hexdigest()
    stem, number = path.name.removesuffix(SUFFIX), 1
    while True:
        target = path.with_name(f"{stem}-{number}.h5" if number > 1 else f"{stem}.h5")
        if not target.exists():
            disk.write_bytes(target, data)
        # A crash may have come between an earlier writing and the removal.
        if disk.sha256_of(target) == wanted:
            return target
        number += 1


def recover(folder: Path | str) -> tuple[Recovered, ...]:
    """Finish the journals that a crash left in a folder and the folders in it.

    Journals that a living process writes are left alone. One that cannot be read is
    kept under another ending. Temporary files are removed.

    Parameters
    ----------
    folder : path

    Returns
    -------
    tuple of Recovered
    """
    found = []
    for path in sorted(Path(folder).rglob(f"*{SUFFIX}")):
        if not in_use(path):
            found.append(recovered(path))
            disk.sweep(path.parent)
    return tuple(found)


def rescue(path: Path) -> Recovered | None:
    """Finish a journal that a crash left where another recording is to be written.

    The recording of it gets a name of its own, so that the new one replaces nothing.

    Parameters
    ----------
    path : path of a journal; it need not exist

    Returns
    -------
    Recovered, or None where there is no journal

    Raises
    ------
    CallError
        When a living process writes it.
    StorageError
        When it cannot be moved.
    """
    if not path.exists():
        return None
    if in_use(path):
        raise CallError(f"another process writes {path} now; choose another name")
    stem, number = path.name.removesuffix(SUFFIX), 1
    while (aside := path.with_name(f"{stem}-unfinished-{number}{SUFFIX}")).exists():
        number += 1
    try:
        path.rename(aside)
    except OSError as error:
        raise disk.storage_error(aside, error) from error
    return recovered(aside)


def recovered(path: Path) -> Recovered:
    """Finish one journal that a crash left; whatever fails is told, not raised."""
    try:
        made = finish(path)
    except InputError as error:
        aside = path.with_name(path.name.removesuffix(SUFFIX) + DAMAGED_SUFFIX)
        with contextlib.suppress(OSError):
            path.rename(aside)
        return Recovered(journal=aside, recording=None, text=str(error))
    except CalibkitError as error:
        return Recovered(journal=path, recording=None, text=str(error))
    text = _("A session that did not end properly is now the recording {path}")
    text = text.format(path=made)
    return Recovered(journal=path, recording=made, text=text)


def in_use(path: Path) -> bool:
    """Whether a living process writes the journal, or it cannot be opened."""
    try:
        handle = os.open(path, os.O_RDWR)
    except OSError:
        return True
    try:
        return not lock.hold(handle)
    finally:
        os.close(handle)


def _plain_header(header: dict[str, Any]) -> dict[str, Any]:
    setup = header["setup"]
    channels = [
        asdict(c)
        if isinstance(c, Channel)
        else dict(zip(("label", "eye", "type", "unit"), c, strict=True))
        for c in header["channels"]
    ]
    plain = asdict(setup) if is_dataclass(setup) else dict(setup)  # type: ignore[arg-type]
    return {**header, "setup": plain, "channels": channels}
