"""A folder that is made whole: built beside its place, then put there."""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from calibkit.archive.tables import told
from calibkit.errors import CallError, StorageError
from calibkit.kept.disk import TEMP_MARK


def check(target: Path, is_ours: Callable[[Path], bool], *, replace: bool) -> None:
    """Refuse a folder that holds anything but an export of ours that may go.

    Parameters
    ----------
    target : path
    is_ours : callable
        Whether a folder is such an export.
    replace : bool
        Whether one may go.

    Raises
    ------
    CallError
        When it holds something.
    StorageError
        When the folder above it is missing.
    """
    if not target.exists():
        if not target.absolute().parent.is_dir():
            raise StorageError(
                f"the folder {target.parent} does not exist; make it first"
            )
        return
    if not target.is_dir():
        raise CallError(f"{target} is a file; name a folder")
    if not any(target.iterdir()):
        return
    if not replace:
        raise CallError(f"{target} exists already; add --force to replace it")
    if target.is_symlink() or not is_ours(target):
        raise CallError(
            f"{target} is no folder that calibkit exported so, and is not replaced; "
            "name a new one"
        )


def noted(path: Path) -> dict[str, Any]:
    """Return a JSON object, empty where there is none."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


@contextlib.contextmanager
def built(target: Path) -> Iterator[Path]:
    """Give a folder to build in; it takes the target's place when nothing failed.

    Raises
    ------
    StorageError
        When it cannot be put there.
    """
    build = _beside(target)
    try:
        yield build
        with told(target):
            old = _beside(target)
            if target.exists():
                target.rename(old)
            build.rename(target)
            shutil.rmtree(old, ignore_errors=True)
    finally:
        shutil.rmtree(build, ignore_errors=True)


def _beside(target: Path) -> Path:
    place = target.absolute()
    return place.with_name(f"{place.name}{TEMP_MARK}{secrets.token_hex(4)}")
