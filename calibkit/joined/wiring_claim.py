"""One publisher a stream, and which outlet it read: a lock file that tells both."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from calibkit.errors import CallError
from calibkit.kept import lock
from calibkit.streams.lsl_found import Found


def _lock_file(folder: Path, source_id: str) -> Path:
    return lock.named(folder, "publish", source_id)


def _person_file(folder: Path, person: str) -> Path:
    return lock.named(folder, "person", person)


def use(folder: Path, person: str, head: int) -> None:
    """Note that a person's mapping is published, until this process ends."""
    with suppress(OSError):  # no disk stops the gaze
        lock.take(_person_file(folder, person), head)


def check_unused(folder: Path, person: str) -> None:
    """Refuse to take away what somebody is talking by.

    Raises
    ------
    CallError
        A publisher uses the person's mapping; the message names it.
    """
    path = _person_file(folder, person)
    holder = lock.holder(path)
    if holder:
        raise CallError(
            f"process {holder} publishes gaze by the mapping of {person}; end it "
            "first: nothing was deleted"
        )
    with suppress(OSError):
        path.unlink(missing_ok=True)


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
    path = _lock_file(folder, found.source_id)
    held = lock.take(path, head)
    if held is not None:
        return held.handle
    raise CallError(
        f"process {lock.holder(path) or 'unknown'} publishes {found.source_id!r} "
        "already; end it before starting another"
    )


def remember(handle: int, found: Found, head: int) -> None:
    """Note in the lock file who publishes, and which outlet is read."""
    lock.note(handle, f"{head} {found.uid}")


def was_read(folder: Path, found: Found) -> bool:
    """Whether this very outlet was read before, by a publisher that ended since."""
    try:
        text = _lock_file(folder, found.source_id).read_bytes()[:200]
    except OSError:
        return False
    return bool(found.uid) and text.split(b" ")[1:] == [found.uid.encode()]
