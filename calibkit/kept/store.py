"""Checked, versioned HDF5 files: named arrays to bytes and back.

Knows no type of ours: each type owns its schema. A file is 512 bytes of plain text
with the SHA-256 of all that follows, then HDF5 in the oldest layout without filters;
text is fixed-length UTF-8. Files are built in memory and written as bytes, so no crash
can leave half of one. h5py is imported only when a file is made or parsed.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.kept import disk, foreign, reader
from calibkit.kept.disk import sha256_of as sha256_of
from calibkit.kept.disk import write_bytes as write_bytes

RECORDING_LIMIT_BYTES = 4 << 30
MAPPING_LIMIT_BYTES = 16 << 20
BLOCK_BYTES = 512
MAGIC = b"calibkit checked file 1\nsha256 "
TAIL = b"\nend of calibkit block\n"  # a second mark, should the first be hit

Value = str | int | float | np.generic | NDArray[Any]


class ChangedFileWarning(UserWarning):
    """A file that we wrote was changed since, by a program or by an accident."""


class LeftOutWarning(UserWarning):
    """A file holds what we can neither use nor keep."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Tree:
    """Named values in groups, as in an HDF5 file.

    Parameters
    ----------
    attrs : {path of a group or dataset: {name: value}}
        Values are text, numbers or arrays. An entry without values is a group.
    data : {path: array}
        Numbers, fixed-length UTF-8 text (`S`), or structured arrays of these.
    dropped : {path or "path (attribute)": why}
        What a file held besides that is neither number nor text.
    changed : bool
        Whether it came from a file of ours that was changed since.
    """

    attrs: Mapping[str, Mapping[str, Value]] = field(default_factory=dict)
    data: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    dropped: Mapping[str, str] = field(default_factory=dict)
    changed: bool = False


def text_array(texts: str | Iterable[str]) -> NDArray[np.bytes_]:
    """Make a fixed-length UTF-8 array; a str gives a scalar one."""
    many = [texts] if isinstance(texts, str) else list(texts)
    raw = [text.encode("utf-8", "replace") for text in many]
    array = np.array(raw, f"S{max([1, *map(len, raw)])}")
    return array.reshape(()) if isinstance(texts, str) else array


def texts(array: NDArray[Any]) -> list[str]:
    """Decode a text array; a byte that is no UTF-8 becomes a question mark sign."""
    return [bytes(v).decode("utf-8", "replace") for v in np.asarray(array).ravel()]


def dump(tree: Tree, format: str, version: int) -> bytes:
    """Turn a tree into the bytes of a checked file; the same tree, the same bytes.

    Parameters
    ----------
    tree : Tree
    format, version : str, int
        Written as attributes of the root.

    Returns
    -------
    bytes
    """
    import h5py

    buffer = io.BytesIO()
    with h5py.File(buffer, "w", userblock_size=BLOCK_BYTES) as file:
        attrs = {p: dict(a) for p, a in tree.attrs.items()}
        root: dict[str, Value] = {"format": format, "version": np.int64(version)}
        attrs["/"] = root | {
            k: v for k, v in attrs.get("/", {}).items() if k not in root
        }
        for path, array in tree.data.items():
            file.create_dataset(path, data=_marked(array))
        for path, values in attrs.items():
            owner = file[path] if path in file else file.create_group(path)
            for name, value in values.items():
                owner.attrs.create(name, _marked(value))
    image = buffer.getbuffer()
    image[:BLOCK_BYTES] = _block(image[BLOCK_BYTES:])
    return bytes(image)


def _marked(value: Value) -> NDArray[Any]:
    """Return the value as an array whose text is marked as UTF-8 for h5py."""
    import h5py

    def one(dtype: np.dtype[Any]) -> Any:
        if dtype.kind == "S":
            return h5py.string_dtype("utf-8", dtype.itemsize)
        return dtype

    array = np.asarray(text_array(value) if isinstance(value, str) else value)
    names = array.dtype.names
    if names is None:
        return array.view(one(array.dtype))
    table = np.zeros(array.shape, [(n, one(array.dtype[n])) for n in names])
    for name in names:
        table[name] = array[name]
    return table


def _block(rest: bytes | memoryview) -> bytes:
    digest = hashlib.sha256(rest).hexdigest().encode()
    return (MAGIC + digest).ljust(BLOCK_BYTES - len(TAIL), b"\0") + TAIL


def claims_checksum(head: bytes) -> bool:
    """Whether the first bytes of a file say that it is ours, even when damaged."""
    return head.startswith(MAGIC[:8]) or head[:BLOCK_BYTES].endswith(TAIL)


def has_valid_checksum(data: bytes) -> bool:
    """Whether a file is, to the last bit, as we wrote it."""
    whole = memoryview(data)
    return len(data) > BLOCK_BYTES and whole[:BLOCK_BYTES] == _block(
        whole[BLOCK_BYTES:]
    )


def parse(
    data: bytes, *, format: str, max_version: int, name: str = "the file"
) -> Tree:
    """Parse bytes with our valid checksum; anything else is refused.

    Raises
    ------
    InputError
        When the checksum is wrong, or format or version are not what is wanted.
    """
    if not has_valid_checksum(data):
        raise InputError(f"{name} is damaged: its checksum is wrong; use another copy")
    try:
        found = list(reader.items(io.BytesIO(data), len(data)))
    except reader.Refused as error:
        raise InputError(f"{name} {error}; use another file") from error
    return _checked(found, format, max_version, name)


def read(
    path: Path | str,
    *,
    format: str,
    max_version: int,
    limit_bytes: int,
    changed: Literal["refuse", "accept"] = "refuse",
) -> Tree:
    """Read a file; one without our valid checksum is parsed by a child process.

    Parameters
    ----------
    path : path of the file
    format, max_version : str, int
        What the root's attributes must say; the newest version that we know.
    limit_bytes : int
        RECORDING_LIMIT_BYTES or MAPPING_LIMIT_BYTES.
    changed : "refuse" or "accept"
        What to do with a file of ours whose checksum no longer fits: refuse it, or
        have the child read it; the caller then says so by `warn_of`.

    Returns
    -------
    Tree

    Raises
    ------
    InputError
        When the file is missing, damaged, too large or of another kind or version.
    """
    path = Path(path)
    size = disk.check_regular(path, limit_bytes)
    if size == 0:
        raise InputError(f"{path} is empty; use another copy")
    with disk.opened(path) as file:
        ours = claims_checksum(file.read(BLOCK_BYTES))
    if ours:
        data = disk.read_regular(path, limit_bytes)
        if changed == "refuse" or has_valid_checksum(data):
            return parse(data, format=format, max_version=max_version, name=str(path))
        del data
    tree = _checked(foreign.read(path, limit_bytes), format, max_version, str(path))
    return replace(tree, changed=ours)


def warn_of(path: Path | str, tree: Tree) -> None:
    """Warn that a file was changed since we wrote it, or holds what we cannot keep."""
    if tree.changed:
        warnings.warn(
            f"{path} was changed after calibkit wrote it (its checksum differs); "
            "check its figures, or use an unchanged copy",
            ChangedFileWarning,
            stacklevel=4,
        )
    if tree.dropped:
        names = ", ".join(tree.dropped)
        warnings.warn(
            f"{path} holds more than numbers and text ({names:.200}); this is left out "
            "when the file is saved again",
            LeftOutWarning,
            stacklevel=4,
        )


def write(
    path: Path | str, tree: Tree, *, format: str, version: int, overwrite: bool = False
) -> None:
    """Write a tree as a checked file, whole or not at all.

    Raises
    ------
    CallError
        When the file exists and may not be replaced.
    StorageError
        When it cannot be written.
    """
    write_bytes(path, dump(tree, format, version), overwrite)


def _checked(
    found: Iterable[reader.Item], format: str, max_version: int, name: str
) -> Tree:
    attrs: dict[str, dict[str, Value]] = {}
    data: dict[str, NDArray[Any]] = {}
    dropped: dict[str, str] = {}
    for item in found:
        values = attrs.setdefault(item.path, {})
        if item.dropped:
            key = f"{item.path} ({item.attribute})" if item.attribute else item.path
            dropped[key] = item.dropped
        elif item.attribute is not None:
            values[item.attribute] = _value(item.array)
        elif item.array is not None:
            item.array.setflags(write=False)
            data[item.path] = item.array
    for path in [p for p, v in attrs.items() if not v and (p in data or p in dropped)]:
        del attrs[path]
    _check_kind(attrs.get("/", {}), format, max_version, name)
    return Tree(attrs=attrs, data=data, dropped=dropped)


def _value(array: NDArray[Any]) -> Value:
    if array.shape == () and array.dtype.kind == "S":
        return texts(array)[0]
    if array.shape == () and array.dtype.names is None:
        return array[()]
    array.setflags(write=False)
    return array


def _check_kind(
    root: Mapping[str, Value], format: str, max_version: int, name: str
) -> None:
    kind, version = root.get("format"), root.get("version")
    if isinstance(kind, np.ndarray) and kind.size == 1 and kind.dtype.kind == "S":
        kind = texts(kind)[0]
    if not isinstance(kind, str):
        raise InputError(f"{name} is not a {format} file: it names no format")
    if kind != format:
        raise InputError(f"{name} is a {kind[:64]!r} file; give a {format!r} file")
    # Other programs may write all attributes as text.
    as_text = isinstance(version, str) and version.isdecimal() and len(version) < 9
    number = np.asarray(int(str(version)) if as_text else version)
    if number.dtype.kind not in "iuf" or number.size != 1 or number.item() % 1:
        raise InputError(f"{name} names no version; write its version, 1 or later")
    if number.item() < 1 or number.item() > max_version:
        raise InputError(
            f"{name} has version {int(number.item())} and this calibkit reads versions "
            f"1 to {max_version}; use a newer calibkit"
        )
