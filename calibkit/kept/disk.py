"""Write a file whole or not at all: aside, flushed, then moved into its place.

"Saved" is true only after the move and the flush of the folder. Nothing here knows
what the bytes mean. The system's calls are an argument, so that the branches of every
system run in tests on any system.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import stat
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import IO

from calibkit.errors import CallError, InputError, StorageError

TEMP_MARK = ".calibkit-tmp-"
RETRY_S = 2.5  # another program (a virus scanner) may hold the target for a moment
_HELD = (5, 32, 33)  # Windows: access denied, sharing violation, lock violation


class ExistsError(CallError):
    """The output exists and may not be replaced."""


@dataclass(frozen=True, kw_only=True)
class System:
    """The calls that differ between systems."""

    platform: str = sys.platform
    replace: Callable[[Path, Path], None] = os.replace
    link: Callable[[Path, Path], None] = os.link
    fsync: Callable[[int], None] = os.fsync
    sleep: Callable[[float], None] = time.sleep
    clock: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time


SYSTEM = System()


def write_bytes(
    path: Path | str,
    data: bytes | memoryview,
    overwrite: bool = False,
    *,
    system: System = SYSTEM,
) -> None:
    """Write a file, private to its owner, whole or not at all.

    Parameters
    ----------
    path : path of the file
    data : bytes
    overwrite : bool
        Whether an existing file may be replaced.
    system : System
        For tests.

    Raises
    ------
    CallError
        When the file exists and may not be replaced (ExistsError), is a folder or a
        device, or cannot bear such a name.
    StorageError
        When it cannot be written; a file that was there before is then unchanged.
    """
    path = Path(path)
    _check_target(path, overwrite)
    temp = path.with_name(f"{path.name[:100]}{TEMP_MARK}{secrets.token_hex(4)}")
    try:
        _write_temp(temp, data, system)
        _publish(temp, path, overwrite, system)
        _flush_folder(path.parent, system)
    except OSError as error:
        raise storage_error(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            temp.unlink(missing_ok=True)


def move_in(temp: Path, path: Path, *, overwrite: bool) -> None:
    """Bring a finished file beside its place to the medium, then into its place.

    Parameters
    ----------
    temp : path
        In the folder of `path`.
    path : path
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    CallError
        When the file exists and may not be replaced.
    OSError
        When it cannot be moved; a file that was there before is then unchanged.
    """
    _check_target(path, overwrite)
    handle = os.open(temp, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        flush(handle)
    finally:
        os.close(handle)
    _publish(temp, path, overwrite, SYSTEM)
    _flush_folder(path.parent, SYSTEM)


def storage_error(path: Path, error: OSError) -> StorageError:
    """Say in one sentence why `path` was not written, and what to do."""
    why = error.strerror or str(error)
    return StorageError(
        f"{path} was not written: {why}; nothing was replaced: free some space or "
        "choose another folder on this computer"
    )


def read_regular(path: Path, limit_bytes: int) -> bytes:
    """Read a regular file of at most `limit_bytes`, once; never wait for a pipe.

    Raises
    ------
    InputError
        When it is missing, no regular file, unreadable or larger.
    """
    size = check_regular(path, limit_bytes)
    with opened(path) as file:
        # Asking for the limit itself would allocate that much at once.
        data = file.read(size + 1)
    if len(data) > size:
        raise InputError(f"{path} grew while it was read; try again")
    return data


@contextlib.contextmanager
def opened(path: Path) -> Iterator[IO[bytes]]:
    """Open a file for reading; whatever fails while it is open is said in words."""
    try:
        with path.open("rb") as file:
            yield file
    except OSError as error:
        raise _unreadable(path, error) from error


def check_regular(path: Path, limit_bytes: int) -> int:
    """Return the size of a regular file of at most `limit_bytes`, or say why not."""
    try:
        found = path.stat()
    except FileNotFoundError:
        raise InputError(f"{path} does not exist; check its name and folder") from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    if not stat.S_ISREG(found.st_mode):
        raise InputError(f"{path} is not a file; name a file")
    if found.st_size > limit_bytes:
        raise _too_large(path, found.st_size, limit_bytes)
    return found.st_size


def sha256_of(path: Path | str) -> str:
    """Return the SHA-256 of a whole file in hexadecimal.

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(Path(path), error) from error


def sweep(
    folder: Path, min_age_s: float = 60.0, *, system: System = SYSTEM
) -> list[Path]:
    """Remove temporary files that a crash left in a folder; return what went.

    Younger ones may belong to another process that is writing just now.
    """
    gone: list[Path] = []
    try:
        left = listed(folder, f"*{TEMP_MARK}*")
    except StorageError:
        return gone  # tidying can wait
    for path in left:
        with contextlib.suppress(OSError):
            if system.wall() - path.stat().st_mtime >= min_age_s:
                path.unlink()
                gone.append(path)
    return gone


def listed(folder: Path, pattern: str = "*") -> list[Path]:
    """List a folder, sorted; one that does not exist is empty.

    Raises
    ------
    StorageError
        When it cannot be listed.
    """
    try:
        found = [path for path in folder.iterdir() if fnmatch(path.name, pattern)]
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise StorageError(
            f"{folder} cannot be listed: {error.strerror}; check its permissions"
        ) from error
    return sorted(found)


def _unreadable(path: Path, error: OSError | ValueError) -> InputError:
    why = getattr(error, "strerror", None) or str(error)
    return InputError(f"{path} cannot be read: {why}; check its permissions")


def _too_large(path: Path, size: int, limit: int) -> InputError:
    return InputError(
        f"{path} has {size:,} bytes, more than the {limit:,} that such a file may "
        "have; check that it is the right file"
    )


def _check_target(path: Path, overwrite: bool) -> None:
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        mode = None
    except PermissionError as error:
        raise storage_error(path, error) from error
    except (OSError, ValueError) as error:  # too long a name, a NUL in it, looped links
        why = getattr(error, "strerror", None) or str(error)
        raise CallError(f"{path} cannot be a file: {why}; name another") from error
    if mode is not None and not stat.S_ISREG(mode):
        raise CallError(f"{path} is not a file; name a file to write")
    if not overwrite and (mode is not None or path.is_symlink()):
        raise exists_error(path)


def exists_error(path: Path) -> ExistsError:
    """Say that an output exists and how to replace it."""
    return ExistsError(f"{path} exists; choose another name or add --force")


def _write_temp(temp: Path, data: bytes | memoryview, system: System) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    handle = os.open(temp, flags, 0o600)
    try:
        write_all(handle, data)
        flush(handle, system)
    finally:
        os.close(handle)


def write_all(handle: int, data: bytes | memoryview) -> None:
    """Write all of it: a full disk makes `os.write` return early before it fails."""
    rest = memoryview(data).cast("B")
    while len(rest):
        rest = rest[os.write(handle, rest[: 1 << 30]) :]


def flush(handle: int, system: System = SYSTEM) -> None:
    """Bring a file's data to the medium itself."""
    if system.platform == "darwin":
        # fsync leaves the data in the drive's own cache there.
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, getattr(fcntl, "F_FULLFSYNC", 51))
            return
    system.fsync(handle)


def _publish(temp: Path, path: Path, overwrite: bool, system: System) -> None:
    if overwrite:
        _patiently(lambda: system.replace(temp, path), system)
        return
    try:
        # A link never replaces what another process wrote since we looked.
        system.link(temp, path)
    except FileExistsError:
        raise exists_error(path) from None
    except OSError:
        # No hard links on this file system (FAT, some network drives): claim the name.
        try:
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            raise exists_error(path) from None
        try:
            _patiently(lambda: system.replace(temp, path), system)
        except OSError:
            path.unlink(missing_ok=True)
            raise


def _patiently(action: Callable[[], None], system: System) -> None:
    end = system.clock() + RETRY_S
    while True:
        try:
            return action()
        except PermissionError as error:
            held = getattr(error, "winerror", None) in _HELD
            if not (system.platform == "win32" and held and system.clock() < end):
                raise
        system.sleep(0.05)


def _flush_folder(folder: Path, system: System) -> None:
    if system.platform == "win32":
        return  # folders cannot be opened there; the move itself is journaled
    handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    try:
        flush(handle, system)
    except OSError as error:
        # Some network drives cannot flush folders.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)
