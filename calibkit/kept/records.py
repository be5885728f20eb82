"""All that is kept of a person beside the mappings, and how it leaves.

recordings/PERSON/*.h5    sessions (and *.journal while one runs)
reports/PERSON/*          pages, where somebody keeps them there
history/PERSON.jsonl      one line for each attempt, appended, never changed; each holds
                          the hash of the line before
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calibkit.errors import CallError, InputError, StorageError
from calibkit.kept import chain, disk, lock
from calibkit.kept.home import private_folder
from calibkit.kept.profile import check_person, people

KINDS = ("profiles", "recordings", "reports")
LINE_LIMIT_BYTES = 64 * 1024
HISTORY_LIMIT_BYTES = 64 << 20
ALONE_S = 5.0


def folder(home: Path, kind: str, person: str) -> Path:
    """Make, private, and return a person's folder of recordings or reports.

    Parameters
    ----------
    home : path
    kind : "recordings" or "reports"
    person : str

    Returns
    -------
    Path
    """
    check_person(person)
    private_folder(home / kind)
    return private_folder(home / kind / person)


def recordings(home: Path, person: str) -> tuple[Path, ...]:
    """List a person's finished recordings, by name."""
    return tuple(sorted((home / "recordings" / check_person(person)).glob("*.h5")))


def everybody(home: Path) -> tuple[str, ...]:
    """List all persons of whom anything is stored."""
    found = set(people(home))
    for kind in KINDS:
        place = home / kind
        found |= {p.name for p in place.iterdir()} if place.is_dir() else set()
    found |= {p.stem for p in (home / "history").glob("*.jsonl")}
    return tuple(sorted(filter(_is_person, found)))


def add_history(home: Path, person: str, entry: Mapping[str, Any]) -> None:
    """Append one attempt to a person's history, flushed when this returns.

    Parameters
    ----------
    home : path
    person : str
    entry : dict
        Plain JSON; figures that are not known are None.

    Raises
    ------
    InputError
        When the entry is not plain JSON or too long.
    StorageError
        When it cannot be written.
    """
    path = _history(home, person)
    _line(entry, "0" * 64)  # refused before anything is made
    private_folder(path.parent)
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags, 0o600)
        try:
            _alone(handle, path)
            line = _line(entry, chain.before(handle, LINE_LIMIT_BYTES))
            # A line that a crash tore must not take this one with it.
            torn = _torn(handle)
            disk.write_all(handle, b"\n" + line if torn else line)
            disk.flush(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise disk.storage_error(path, error) from error


def _line(entry: Mapping[str, Any], before: str) -> bytes:
    try:
        text = json.dumps({**entry, chain.KEY: before}, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise InputError(
            f"the attempt is not plain JSON: {error}; report this"
        ) from None
    line = text.encode() + b"\n"
    if len(line) > LINE_LIMIT_BYTES:
        raise InputError(f"the attempt takes {len(line):,} bytes; keep it below 64 KB")
    return line


def _alone(handle: int, path: Path) -> None:
    """Wait until no other writes a line, but not for long."""
    end_s = time.monotonic() + ALONE_S
    while not lock.hold(handle):
        if time.monotonic() > end_s:
            raise StorageError(
                f"{path} is held by another program; try again when it has ended"
            )
        time.sleep(0.002)


def history_faults(home: Path, person: str) -> tuple[int, ...]:
    """Lines of a person's history that do not follow from the line before, from 1."""
    path = _history(home, person)
    if not path.exists():
        return ()
    return chain.broken(disk.read_regular(path, HISTORY_LIMIT_BYTES))


def history(home: Path, person: str) -> tuple[dict[str, Any], ...]:
    """Read a person's attempts, oldest first; a torn line is left out."""
    path = _history(home, person)
    if not path.exists():
        return ()
    found = []
    for line in disk.read_regular(path, HISTORY_LIMIT_BYTES).split(b"\n"):
        with contextlib.suppress(ValueError, RecursionError):
            entry = json.loads(line)
            if isinstance(entry, dict):
                entry.pop(chain.KEY, None)
                found.append(entry)
    return tuple(found)


def all_paths(home: Path, person: str) -> tuple[Path, ...]:
    """List every file that is kept of a person."""
    check_person(person)
    found = [p for kind in KINDS for p in _files(home / kind / person)]
    path = _history(home, person)
    return tuple([*found, *([path] if path.exists() else [])])


def export(home: Path, person: str, target: Path) -> tuple[Path, ...]:
    """Copy every file that is kept of a person into a new folder.

    Parameters
    ----------
    home : path
    person : str
    target : path
        Must not exist, or be an empty folder.

    Returns
    -------
    tuple of Path
        The copies.

    Raises
    ------
    CallError
        When the folder holds something already.
    InputError
        When nothing is stored of the person.
    StorageError
        When a copy cannot be written.
    """
    sources = _some(home, person)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise CallError(f"{target} exists; name a new or an empty folder")
    copies = []
    for source in sources:
        copy = target / source.relative_to(home)
        private_folder(copy.parent)
        try:
            shutil.copyfile(source, copy)
            copy.chmod(0o600)
        except OSError as error:
            raise StorageError(
                f"{copy} was not written: {error.strerror}; free some space or choose "
                "another folder"
            ) from error
        copies.append(copy)
    return tuple(copies)


def delete(home: Path, person: str) -> tuple[Path, ...]:
    """Delete all that is kept of a person, the mapping in use too.

    Parameters
    ----------
    home : path
    person : str

    Returns
    -------
    tuple of Path
        What is gone.

    Raises
    ------
    InputError
        When nothing is stored of the person.
    StorageError
        When a file cannot be deleted; it names it, and the rest may be gone.
    """
    gone = _some(home, person)
    try:
        for path in gone:
            path.unlink()
        for kind in KINDS:
            place = home / kind / person
            if place.is_dir() and not place.is_symlink():
                shutil.rmtree(place)
    except OSError as error:
        raise StorageError(
            f"{error.filename} cannot be deleted: {error.strerror}; close what uses it "
            "and delete again"
        ) from error
    return gone


def _some(home: Path, person: str) -> tuple[Path, ...]:
    paths = all_paths(home, person)
    if not paths:
        known = ", ".join(everybody(home)) or "nobody"
        raise InputError(f"nothing is stored of {person} in {home}; it knows {known}")
    return paths


def _files(place: Path) -> list[Path]:
    """List files below a folder, links as such, never what they lead to."""
    if not place.is_dir() or place.is_symlink():
        return []
    found = []
    for path in sorted(place.iterdir()):
        found += [path] if path.is_symlink() or not path.is_dir() else _files(path)
    return found


def _history(home: Path, person: str) -> Path:
    return home / "history" / f"{check_person(person)}.jsonl"


def _is_person(name: str) -> bool:
    try:
        return bool(check_person(name))
    except CallError:
        return False


def _torn(handle: int) -> bool:
    size = os.fstat(handle).st_size
    if not size:
        return False
    os.lseek(handle, size - 1, os.SEEK_SET)
    return os.read(handle, 1) != b"\n"
