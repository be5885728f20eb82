"""Have a file of unknown origin read by a disposable child; take only plain arrays.

A checksum finds accidents but is no signature. So whatever does not carry our valid
checksum is parsed by `calibkit.kept.reader` in a process of its own, with limits, and
what it sends is checked again here.
"""

from __future__ import annotations

import json
import math
import os
import re
import struct
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np

from calibkit.errors import InputError
from calibkit.kept import disk
from calibkit.kept.reader import Item

MIN_DECODED_BYTES = 256 << 20
MAX_RATIO = 100  # unpacked size over file size; gaze packs far less well
_HEAD_BYTES = 1 << 20
_PLAIN = re.compile(r"[<|](f[248]|[iu][1248]|S[1-9][0-9]{0,9})")


READER = "calibkit.kept.reader"


def read(
    path: Path,
    limit_bytes: int,
    *,
    timeout_s: float | None = None,
    module: str = READER,
    arguments: Sequence[str] = (),
) -> list[Item]:
    """Read the plain contents of a file in a child process.

    Parameters
    ----------
    path : path of a regular file, at most `limit_bytes` large
    limit_bytes : int
        Bounds what it may unpack to, as well.
    timeout_s : float, optional
        After this the child is ended; by default it grows with the file's size.
    module : str
        The module of ours that the child runs; that of HDF5 files by default.
    arguments : sequence of str
        What it takes besides the limits.

    Returns
    -------
    list of Item

    Raises
    ------
    InputError
        When the child refuses the file, dies, or takes too long.
    """
    size = disk.check_regular(path, limit_bytes)
    decoded = min(limit_bytes, max(MIN_DECODED_BYTES, MAX_RATIO * size))
    cpu_s = 10 + decoded // (50 << 20)
    wait_s = timeout_s if timeout_s is not None else 2.0 * cpu_s + 10
    with disk.opened(path) as file:
        limits = [decoded, cpu_s, (1 << 30) + 2 * decoded]
        child = _start(file, module, [*map(str, limits), *arguments])
    late = threading.Event()

    def give_up() -> None:
        late.set()
        child.kill()

    timer = threading.Timer(wait_s, give_up)
    timer.start()
    try:
        assert child.stdout is not None
        return _receive(path, child.stdout, decoded, late)
    finally:
        timer.cancel()
        child.kill()
        child.wait()
        if child.stdout is not None:
            child.stdout.close()


def _start(
    file: IO[bytes], module: str, arguments: Sequence[str]
) -> subprocess.Popen[bytes]:
    # -P: a module lying in the working folder is never imported.
    command = [sys.executable, "-P", "-W", "ignore", "-m", module]
    try:
        return subprocess.Popen(
            [*command, *arguments],
            stdin=file,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=_environment(),
            start_new_session=True,  # a signal to all of us shall not look like damage
        )
    except (OSError, ValueError) as error:
        raise InputError(
            f"{file.name} carries no valid checksum of ours and the process that reads "
            f"such files did not start ({error}); check the Python installation"
        ) from error


def _environment() -> dict[str, str]:
    here = str(Path(__file__).resolve().parent.parent.parent)
    known = [p for p in sys.path if p]
    paths = known if here in known else [*known, here]
    return os.environ | {
        "PYTHONPATH": os.pathsep.join(paths),
        "HDF5_PLUGIN_PRELOAD": "::",  # no filter plug-ins from any folder
        "OPENBLAS_NUM_THREADS": "1",  # its threads would use up the memory limit
        "OMP_NUM_THREADS": "1",
    }


def _receive(
    path: Path, stream: IO[bytes], budget: int, late: threading.Event
) -> list[Item]:
    found: list[Item] = []
    while True:
        head = _head(stream)
        if head is None:
            why = "took too long" if late.is_set() else "stopped without an answer"
            raise InputError(
                f"{path} is damaged or not what it says: the process that read it {why}"
                "; use another copy of the file"
            )
        if "refused" in head:
            raise InputError(f"{path} {str(head['refused'])[:200]}; use another file")
        if head.get("end") is True:
            return found
        item, size = _item(head, stream, budget)
        if item is None:
            raise InputError(f"{path} is damaged or not what it says; use another copy")
        budget -= size
        found.append(item)


def _head(stream: IO[bytes]) -> dict[str, Any] | None:
    raw = stream.read(4)
    if len(raw) < 4:
        return None
    (length,) = struct.unpack("<I", raw)
    text = stream.read(length) if length <= _HEAD_BYTES else b""
    try:
        head = json.loads(text)
    except ValueError:
        return None
    return head if isinstance(head, dict) else None


def _item(
    head: dict[str, Any], stream: IO[bytes], budget: int
) -> tuple[Item | None, int]:
    path, attribute = head.get("path"), head.get("attribute")
    if not isinstance(path, str) or not isinstance(attribute, str | None):
        return None, 0
    dropped = str(head.get("dropped", ""))[:200]
    if "dtype" not in head:
        return Item(path=path, attribute=attribute, dropped=dropped), 0
    dtype, shape = _dtype(head["dtype"]), head.get("shape")
    if dtype is None or not isinstance(shape, list) or len(shape) > 8:
        return None, 0
    if not all(isinstance(n, int) and n >= 0 for n in shape):
        return None, 0
    size = math.prod(shape) * dtype.itemsize
    if size > budget:
        return None, 0
    array = np.empty(shape, dtype)
    if size and not _fill(stream, memoryview(array.reshape(-1).view("u1").data)):
        return None, 0
    return Item(path=path, attribute=attribute, array=array), size


def _dtype(text: object) -> np.dtype[Any] | None:
    """Make a dtype of plain numbers and text only; None for anything else."""
    if isinstance(text, str):
        return np.dtype(text) if _PLAIN.fullmatch(text) else None
    if not isinstance(text, list) or not 0 < len(text) <= 64:
        return None
    if not all(
        isinstance(f, list)
        and len(f) == 2
        and all(isinstance(v, str) for v in f)
        and _PLAIN.fullmatch(f[1])
        for f in text
    ):
        return None
    names = [f[0] for f in text]
    if len(set(names)) != len(names) or "" in names:
        return None
    return np.dtype([(f[0], f[1]) for f in text])


def _fill(stream: IO[bytes], view: memoryview) -> bool:
    got = 0
    while got < len(view):
        read = stream.readinto(view[got:])  # type: ignore[attr-defined]
        if not read:
            return False
        got += read
    return True
