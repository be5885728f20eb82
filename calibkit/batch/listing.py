"""The recordings below some folders, one after another, always in the same order."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from calibkit.errors import CallError

ENDINGS = (".h5", ".hdf5")


@dataclass(frozen=True, kw_only=True)
class Listed:
    """A file: its name in the table, its path here; or a folder that is closed."""

    name: str
    path: Path
    problem: str = ""


def listed(folders: Sequence[Path]) -> Iterator[Listed]:
    """Walk folders, and give the files that may be recordings.

    Parameters
    ----------
    folders : sequence of path
        A file among them is taken as it is.

    Yields
    ------
    Listed
        By name within each folder. Names are relative to the one folder; where several
        were given they begin with the folder as given. Links are followed; each real
        folder is walked once, so that a loop ends. Hidden folders are left out.

    Raises
    ------
    CallError
        When one of them does not exist.
    """
    for folder in folders:
        if not folder.exists():
            raise CallError(f"{folder} does not exist; name a folder with recordings")
    seen: set[tuple[int, int]] = set()
    for folder in folders:
        prefix = "" if len(folders) == 1 else f"{folder.as_posix().rstrip('/')}/"
        if folder.is_dir():
            yield from _walk(folder, prefix, seen)
        else:
            yield Listed(name=folder.as_posix(), path=folder.absolute())


def _walk(folder: Path, prefix: str, seen: set[tuple[int, int]]) -> Iterator[Listed]:
    try:
        found = folder.stat()
        mark = (found.st_dev, found.st_ino)
        if mark in seen:
            return
        seen.add(mark)
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError as error:
        why = f"the folder cannot be listed: {error.strerror}; check its permissions"
        yield Listed(name=prefix or ".", path=folder, problem=why)
        return
    for entry in entries:
        if _is_folder(entry):
            if not entry.name.startswith("."):
                yield from _walk(Path(entry.path), f"{prefix}{entry.name}/", seen)
        elif entry.name.lower().endswith(ENDINGS) and not entry.name.startswith("."):
            name = f"{prefix}{entry.name}".encode("utf-8", "replace").decode()
            yield Listed(name=name, path=Path(entry.path).absolute())


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False  # a link into nowhere, or round in a circle: its row will say
