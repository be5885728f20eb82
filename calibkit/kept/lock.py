"""A lock on an open file that goes with the process that holds it, however it ends."""

from __future__ import annotations

import os
import sys
from hashlib import sha256
from pathlib import Path

_FAR = 1 << 40  # Windows locks bytes; these are never written, so others may read


def hold(handle: int) -> bool:
    """Lock an open file for this process alone; False when another holds it.

    Parameters
    ----------
    handle : int
        Descriptor of a file opened for writing; closing it lets go.

    Returns
    -------
    bool
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            place = os.lseek(handle, 0, os.SEEK_CUR)
            os.lseek(handle, _FAR, os.SEEK_SET)
            try:
                msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            finally:
                os.lseek(handle, place, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


class Held:
    """A lock file that is held; closing it, or the process's end, lets go."""

    def __init__(self, handle: int) -> None:
        self.handle = handle

    def close(self) -> None:
        """Let go."""
        handle, self.handle = self.handle, -1
        if handle >= 0:
            os.close(handle)


def named(folder: Path, kind: str, what: str) -> Path:
    """Return the lock file for something whose name no file should bear."""
    name = sha256(what.encode("utf-8", "replace")).hexdigest()[:16]
    return folder / f"{kind}-{name}.lock"


def take(path: Path, who: int) -> Held | None:
    """Hold a lock file, and note in it the process to end; None when another does.

    Raises
    ------
    OSError
        When it cannot be opened or written.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    if hold(handle):
        note(handle, str(who))
        return Held(handle)
    os.close(handle)
    return None


def note(handle: int, text: str) -> None:
    """Put a text in place of what a lock file says."""
    os.ftruncate(handle, 0)
    os.lseek(handle, 0, os.SEEK_SET)  # Windows has no write at a place
    os.write(handle, text.encode())


def holder(path: Path) -> str:
    """Return the process that is noted in a lock file which is held, else ""."""
    try:
        handle = os.open(path, os.O_RDWR)
    except OSError:
        return ""
    try:
        if hold(handle):
            return ""
        text = os.read(handle, 20).decode("ascii", "replace").split(" ")[0]
        return text or "unknown"
    finally:
        os.close(handle)
