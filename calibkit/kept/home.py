"""Where calibkit keeps what it stores, and that nobody else can change it there.

The folder is private to its owner. One that others may write to is refused: a mapping
from a stranger would move a person's pointer.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from calibkit.errors import StorageError

VARIABLE = "CALIBKIT_HOME"
SETTINGS = "settings.toml"


def resolve(
    home: Path | str | None = None,
    environ: Mapping[str, str] | None = None,
    *,
    create: bool = True,
) -> Path:
    """Find the home folder: the one given, else CALIBKIT_HOME, else the platform's.

    Parameters
    ----------
    home : path, optional
        From `--home`.
    environ : mapping, optional
        The environment, for tests.
    create : bool
        Make it, private to its owner, where it is missing.

    Returns
    -------
    Path

    Raises
    ------
    StorageError
        When it cannot be made, belongs to another user, or anyone may write to it.
    """
    environ = os.environ if environ is None else environ
    path = Path(home or environ.get(VARIABLE) or _platform_folder()).absolute()
    if create:
        private_folder(path)
    if path.exists():
        check(path)
    return path


def private_folder(path: Path) -> Path:
    """Make a folder, and those above it, for the owner alone; an existing one stays.

    Raises
    ------
    StorageError
        When it cannot be made.
    """
    try:
        # mkdir(parents=True) would leave those above open to others.
        for place in reversed([path, *path.parents]):
            if not place.is_dir():
                place.mkdir(mode=0o700, exist_ok=True)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise StorageError(
            f"the folder {path} cannot be made: {why}; choose another with --home DIR"
        ) from error
    return path


def check(path: Path) -> None:
    """Refuse a folder that belongs to, or can be changed by, another user.

    Raises
    ------
    StorageError
        With what to do.
    """
    found = path.stat()
    if not stat.S_ISDIR(found.st_mode):
        raise StorageError(f"{path} is not a folder; choose another with --home DIR")
    user = getattr(os, "geteuid", None)
    if user is None:
        return  # Windows: the platform's folder is the user's own
    if found.st_uid != user():
        raise StorageError(
            f"{path} belongs to another user (number {found.st_uid}); choose a folder "
            "of your own with --home DIR"
        )
    if found.st_mode & stat.S_IWOTH:
        raise StorageError(
            f"anyone on this computer may write to {path}; run chmod 700 on it, or "
            "choose another with --home DIR"
        )


def _platform_folder() -> Path:
    import platformdirs

    try:
        return platformdirs.user_data_path("calibkit", appauthor=False)
    except (RuntimeError, OSError) as error:
        raise StorageError(
            "this account has no home folder; choose a place with --home DIR"
        ) from error
