"""Journals that lie outside the home folder, so that the next start finds them too.

While one is written, a tiny note in the home folder says where:

    unfinished/HASH.path    the journal's place, as text

A note goes when its journal has become a recording.
"""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path

from calibkit.errors import InputError, StorageError
from calibkit.kept import disk, journal
from calibkit.kept.home import private_folder
from calibkit.kept.journal import Recovered

FOLDER = "unfinished"
_ENDING = ".path"
_LIMIT_BYTES = 64 * 1024
# A younger note may belong to a journal that is only about to be made.
_YOUNG_S = 60.0


def note(home: Path, path: Path) -> None:
    """Note where a journal is going to be written.

    Parameters
    ----------
    home : path
    path : path of a journal; it need not exist

    Raises
    ------
    StorageError
        When it cannot be noted; the journal can be written all the same.
    """
    text = str(path.absolute()).encode("utf-8", "surrogateescape")
    private_folder(home / FOLDER)
    disk.write_bytes(_place(home, path), text, overwrite=True)


def forget(home: Path, path: Path) -> None:
    """Drop the note of a journal that has become a recording."""
    if not path.exists():
        with contextlib.suppress(OSError):  # the next start drops it
            _place(home, path).unlink(missing_ok=True)


def left(home: Path) -> tuple[Path, ...]:
    """List the journals, in the home folder and elsewhere, that nobody writes now.

    Parameters
    ----------
    home : path

    Returns
    -------
    tuple of Path
    """
    own = (home / "recordings").rglob(f"*{journal.SUFFIX}")
    every = dict.fromkeys([*sorted(own), *_noted(home).values()])
    return tuple(path for path in every if path.exists() and not journal.in_use(path))


def recover(home: Path, *, system: disk.System = disk.SYSTEM) -> tuple[Recovered, ...]:
    """Finish every journal that a crash left, in the home folder and elsewhere.

    Parameters
    ----------
    home : path
    system : disk.System
        For tests.

    Returns
    -------
    tuple of Recovered
    """
    found = list(journal.recover(home / "recordings"))
    for slip, path in _noted(home).items():
        if path.exists():
            if not journal.in_use(path):
                found.append(journal.recovered(path))
                disk.sweep(path.parent)
                forget(home, path)
        # A medium that is not there now may come back with its journal.
        elif path.parent.is_dir() and _old(slip, system):
            with contextlib.suppress(OSError):
                slip.unlink()
    return tuple(found)


def _place(home: Path, path: Path) -> Path:
    text = str(path.absolute()).encode("utf-8", "surrogateescape")
    return home / FOLDER / (hashlib.sha256(text).hexdigest()[:16] + _ENDING)


def _noted(home: Path) -> dict[Path, Path]:
    """Journals by their notes; what is no note of ours is left alone."""
    found: dict[Path, Path] = {}
    try:
        slips = disk.listed(home / FOLDER, f"*{_ENDING}")
    except StorageError:
        return found
    for slip in slips:
        with contextlib.suppress(InputError, OSError, ValueError):
            data = disk.read_regular(slip, _LIMIT_BYTES)
            path = Path(data.decode("utf-8", "surrogateescape"))
            ours = path.is_absolute() and path.suffix == journal.SUFFIX
            if ours and slip == _place(home, path):
                path.exists()  # a place that no system could name is none
                found[slip] = path
    return found


def _old(slip: Path, system: disk.System) -> bool:
    try:
        return system.wall() - slip.stat().st_mtime >= _YOUNG_S
    except OSError:
        return False
