"""One publisher a stream, and which outlet it read: a lock file that tells both."""

from __future__ import annotations

import os
from hashlib import sha256
from pathlib import Path

from calibkit.errors import CallError
from calibkit.kept import lock
from calibkit.streams.lsl_found import Found


def _lock_file(folder: Path, source_id: str) -> Path:
    name = sha256(source_id.encode("utf-8", "replace")).hexdigest()[:16]
    return folder / f"publish-{name}.lock"


def claim(folder: Path, found: Found, head: int) -> int:
    """Make this process the only one that publishes a stream from this folder.

    Parameters
    ----------
    folder : Path
    found : Found
        The input.
    head : int
        The process to end, so that publishing ends; told to others.

    Returns
    -------
    int
        Descriptor of the lock file; closing it, or the process's end, lets go.

    Raises
    ------
    CallError
        Another process publishes it; the message names that one.
    """
    handle = os.open(_lock_file(folder, found.source_id), os.O_RDWR | os.O_CREAT, 0o600)
    if lock.hold(handle):
        os.ftruncate(handle, 0)
        os.pwrite(handle, str(head).encode(), 0)
        return handle
    holder = os.read(handle, 20).decode("ascii", "replace").split(" ")[0]
    os.close(handle)
    raise CallError(
        f"process {holder or 'unknown'} publishes {found.source_id!r} already; end it "
        "before starting another"
    )


def remember(handle: int, found: Found, head: int) -> None:
    """Note in the lock file who publishes, and which outlet is read."""
    os.ftruncate(handle, 0)
    os.pwrite(handle, f"{head} {found.uid}".encode(), 0)


def was_read(folder: Path, found: Found) -> bool:
    """Whether this very outlet was read before, by a publisher that ended since."""
    try:
        text = _lock_file(folder, found.source_id).read_bytes()[:200]
    except OSError:
        return False
    return bool(found.uid) and text.split(b" ")[1:] == [found.uid.encode()]
