"""Take plain numbers and text out of an HDF5 file, and nothing else.

Run as `python -m calibkit.kept.reader BYTES CPU_S MEMORY_BYTES` it is the disposable
child that parses files of unknown origin: a damaged or hostile file can crash or freeze
the HDF5 library, and with it the whole interpreter. The file is its standard input,
plain arrays go to its standard output. It imports nothing of ours, so it starts fast.
"""

from __future__ import annotations

import contextlib
import json
import struct
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

MAX_DEPTH = 8
MAX_OBJECTS = 1000
MAX_ATTRIBUTES = 1000
MAX_ATTRIBUTE_BYTES = 64_000  # what the default file layout can hold
MAX_NAME = 256
MAX_TEXTS = 1_000_000
MAX_CHUNK_BYTES = 1 << 29
_GZIP, _SHUFFLE = 1, 2  # filter numbers of the HDF5 library


class Refused(Exception):
    """The file holds what we do not read; the text completes "FILE ..."."""


@dataclass(frozen=True, kw_only=True)
class Item:
    """One array: a dataset, or an attribute of `path`; a group without any has none."""

    path: str
    attribute: str | None = None
    array: Any = None
    dropped: str = ""


def items(source: BinaryIO, max_bytes: int) -> Iterator[Item]:
    """Yield all that is plain in an HDF5 file.

    Parameters
    ----------
    source : binary file, seekable
    max_bytes : int
        Largest sum of the arrays' sizes, as declared and as read.

    Yields
    ------
    Item
        Groups first, then their attributes and datasets. Text comes as fixed-length
        UTF-8 (`S`). What is not plain comes with `dropped`, the reason in words.

    Raises
    ------
    Refused
        When the file is no HDF5 or holds links, outside storage, foreign filters, or
        more than a limit allows.
    """
    import h5py

    try:
        file = h5py.File(source, "r")
    except Exception as error:
        raise Refused("is damaged or no HDF5 file") from error
    with file:
        budget = _Budget(max_bytes)
        try:
            yield from _group(file["/"].id, "/", budget, 0)
        except (Refused, MemoryError):
            raise
        except Exception as error:
            raise Refused(
                f"is damaged ({type(error).__name__} while reading)"
            ) from error


class _Budget:
    """What may still be read; one place counts it all."""

    def __init__(self, max_bytes: int) -> None:
        self.bytes, self.objects, self.attributes = max_bytes, 0, 0
        self.seen: set[int] = set()

    def take(self, size: int, where: str) -> None:
        self.bytes -= size
        if size < 0 or self.bytes < 0:
            raise Refused(f"claims more data than such a file may hold, at {where}")

    def enter(self, address: int, where: str) -> None:
        self.objects += 1
        if self.objects > MAX_OBJECTS:
            raise Refused(f"holds more than {MAX_OBJECTS} groups and datasets")
        if address in self.seen:
            raise Refused(f"holds one object under two names, at {where}")
        self.seen.add(address)


def _group(group: Any, path: str, budget: _Budget, depth: int) -> Iterator[Item]:
    import h5py

    if depth > MAX_DEPTH:
        raise Refused(f"is nested deeper than {MAX_DEPTH} groups, at {_short(path)}")
    budget.enter(h5py.h5o.get_info(group).addr, path)
    yield Item(path=path)
    yield from _attributes(group, path, budget)
    if group.get_num_objs() > MAX_OBJECTS:
        raise Refused(f"holds more than {MAX_OBJECTS} groups and datasets")
    for raw in list(group):
        name = _name(raw, path)
        where = path.rstrip("/") + "/" + name
        if group.links.get_info(raw).type != h5py.h5l.TYPE_HARD:
            raise Refused(f"holds a soft or external link, at {where}")
        child = h5py.h5o.open(group, raw)
        if isinstance(child, h5py.h5g.GroupID):
            yield from _group(child, where, budget, depth + 1)
        elif isinstance(child, h5py.h5d.DatasetID):
            budget.enter(h5py.h5o.get_info(child).addr, where)
            yield _dataset(child, where, budget)
            yield from _attributes(child, where, budget)
        else:
            yield Item(path=where, dropped="is a named type")


def _name(raw: bytes, path: str) -> str:
    name = raw.decode("utf-8", "replace")
    if not name.isprintable() or "\ufffd" in name or len(name) > MAX_NAME:
        raise Refused(f"holds an unprintable or overlong name in {_short(path)}")
    return name


def _short(path: str) -> str:
    return path if len(path) < 80 else path[:77] + "..."


def _attributes(owner: Any, path: str, budget: _Budget) -> Iterator[Item]:
    import h5py

    count = h5py.h5a.get_num_attrs(owner)
    budget.attributes += count
    if budget.attributes > MAX_ATTRIBUTES:
        raise Refused(f"holds more than {MAX_ATTRIBUTES} attributes")
    for index in range(count):
        attribute = h5py.h5a.open(owner, index=index)
        name = _name(attribute.name, path)
        where = f"{path} ({name})"
        reason = _unplain(attribute)
        if reason:
            yield Item(path=path, attribute=name, dropped=reason)
            continue
        if _declared(attribute) > MAX_ATTRIBUTE_BYTES:
            raise Refused(f"holds an attribute over 64,000 bytes, at {where}")
        budget.take(_declared(attribute), where)
        array = _plain(attribute.read, attribute, where, budget)
        yield Item(path=path, attribute=name, array=array)


def _dataset(dataset: Any, where: str, budget: _Budget) -> Item:
    import h5py

    plan = dataset.get_create_plist()
    if plan.get_external_count():
        raise Refused(f"keeps data in another file, at {where}")
    layout = plan.get_layout()
    if layout == h5py.h5d.VIRTUAL:
        raise Refused(f"borrows data from other files, at {where}")
    for index in range(plan.get_nfilters()):
        if plan.get_filter(index)[0] not in (_GZIP, _SHUFFLE):
            raise Refused(f"is packed by a filter other than gzip, at {where}")
    reason = _unplain(dataset)
    if reason:
        return Item(path=where, dropped=reason)
    size = dataset.get_type().get_size()
    if (
        layout == h5py.h5d.CHUNKED
        and _product(plan.get_chunk()) * size > MAX_CHUNK_BYTES
    ):
        raise Refused(f"is cut into chunks that are too large, at {where}")
    budget.take(_declared(dataset), where)

    def fill(array: Any) -> None:
        dataset.read(h5py.h5s.ALL, h5py.h5s.ALL, array)

    return Item(path=where, array=_plain(fill, dataset, where, budget))


def _product(shape: tuple[int, ...]) -> int:
    total = 1
    for length in shape:
        total *= length
    return total


def _declared(thing: Any) -> int:
    return _product(thing.shape) * int(thing.get_type().get_size())


def _unplain(thing: Any) -> str:
    """Say why a dataset or attribute is not plain numbers or text; "" when it is."""
    import h5py

    if thing.get_space().get_simple_extent_type() == h5py.h5s.NULL:
        return "is empty"
    kind = thing.get_type()
    if isinstance(kind, h5py.h5t.TypeCompoundID):
        members = [kind.get_member_type(i) for i in range(kind.get_nmembers())]
        names = [kind.get_member_name(i) for i in range(kind.get_nmembers())]
        if len(members) > 64 or not all(
            n.decode("utf-8", "replace").isprintable() for n in names
        ):
            return "has too many or unprintable fields"
    else:
        members = [kind]
    bad = [m for m in members if not _plain_type(m)]
    # The library hands a compound of two floats named r and i over as complex.
    if bad or thing.dtype.kind not in "biufSOV":
        return "holds something other than numbers and text"
    return ""


def _plain_type(kind: Any) -> bool:
    import h5py

    if isinstance(kind, h5py.h5t.TypeEnumID):
        return bool(kind.dtype == bool)
    plain = (h5py.h5t.TypeIntegerID, h5py.h5t.TypeFloatID, h5py.h5t.TypeStringID)
    return isinstance(kind, plain)


def _plain(read: Callable[[Any], None], thing: Any, where: str, budget: _Budget) -> Any:
    """Read into memory, then turn text, big-endian and bool into what crosses."""
    import numpy as np

    dtype = thing.dtype
    texts = (
        sum(dtype[n].kind == "O" for n in dtype.names)
        if dtype.names
        else dtype.kind == "O"
    )
    if texts and _product(thing.shape) * texts > MAX_TEXTS:
        raise Refused(f"holds more than {MAX_TEXTS:,} texts, at {where}")
    array = np.empty(thing.shape, dtype)
    if array.size:
        read(array)
    if dtype.names is None:
        return _column(array, where, budget)
    columns = {name: _column(array[name], where, budget) for name in dtype.names}
    result = np.empty(array.shape, [(n, c.dtype) for n, c in columns.items()])
    for name, column in columns.items():
        result[name] = column
    return result


def _column(array: Any, where: str, budget: _Budget) -> Any:
    import numpy as np

    if array.dtype.kind == "O":
        return _texts(array, where, budget)
    if array.dtype.kind == "S":
        return np.ascontiguousarray(array, f"S{max(1, array.dtype.itemsize)}").reshape(
            array.shape
        )
    if array.dtype.kind == "b":
        return array.astype("u1")
    size = min(array.dtype.itemsize, 8)
    return array.astype(f"<{array.dtype.kind}{size}", copy=False)


def _texts(array: Any, where: str, budget: _Budget) -> Any:
    import numpy as np

    raw = [
        v.encode("utf-8", "surrogateescape") if isinstance(v, str) else v or b""
        for v in array.ravel()
    ]
    if not all(isinstance(v, bytes) for v in raw):
        raise Refused(f"holds something other than numbers and text, at {where}")
    width = max([1, *map(len, raw)])
    budget.take(width * len(raw), where)
    return np.array(raw, f"S{width}").reshape(array.shape)


# --- the child ---------------------------------------------------------------------


def frame(item: Item) -> tuple[bytes, Any]:
    """Turn an item into a head (length, JSON) and the array's bytes."""
    array = item.array
    head: dict[str, Any] = {"path": item.path, "attribute": item.attribute}
    if item.dropped:
        head["dropped"] = item.dropped
    if array is not None:
        names = array.dtype.names
        head["shape"] = list(array.shape)
        head["dtype"] = (
            [[n, array.dtype[n].str] for n in names] if names else array.dtype.str
        )
    text = json.dumps(head).encode()
    body = b"" if array is None else array.tobytes()
    return struct.pack("<I", len(text)) + text, body


def _limit(cpu_s: int, memory_bytes: int) -> None:
    """Bound what this process may use, where the system can (not on Windows)."""
    try:
        import resource
    except ImportError:
        return
    for name, value in (
        ("RLIMIT_AS", memory_bytes),
        ("RLIMIT_CPU", cpu_s),
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_CORE", 0),
    ):
        with contextlib.suppress(OSError, ValueError, AttributeError):
            resource.setrlimit(getattr(resource, name), (value, value))


def main(
    arguments: list[str],
    read: Callable[[BinaryIO, int], Iterator[Item]] = items,
) -> int:
    """Read standard input, write frames to standard output, end with an empty head.

    `read` takes another kind of file apart; all that is said here of limits holds.
    """
    max_bytes, cpu_s, memory_bytes = map(int, arguments)
    _limit(cpu_s, memory_bytes)
    out = sys.stdout.buffer
    try:
        with open(0, "rb", closefd=False) as source:
            for item in read(source, max_bytes):
                for part in frame(item):
                    out.write(part)
        last: dict[str, Any] = {"end": True}
    except Refused as error:
        last = {"refused": str(error)}
    except MemoryError:
        last = {"refused": "needs more memory than such a file may use"}
    text = json.dumps(last).encode()
    out.write(struct.pack("<I", len(text)) + text)
    out.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
