"""Look at a tree field by field; each look refuses what is unusable in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError

if TYPE_CHECKING:
    from calibkit.kept.store import Tree

MAX_ID = 64


class View:
    """A tree with the sentences that refuse it."""

    def __init__(self, tree: Tree, name: str) -> None:
        self.tree, self.name = tree, name

    def refuse(self, what: str, todo: str) -> InputError:
        """Make the sentence that names the file."""
        return InputError(f"{what} of {self.name}; {todo}")

    def array(self, path: str, shape: tuple[int, ...]) -> NDArray[Any]:
        """Return numbers of a shape; -1 stands for any length."""
        array = self.table(path)
        if array.dtype.kind not in "fiu":
            raise self.refuse(f"{path} holds {array.dtype}", "write it as numbers")
        fits = array.ndim == len(shape) and all(
            want in (-1, got) for want, got in zip(shape, array.shape, strict=True)
        )
        if not fits:
            raise self.refuse(
                f"found {_sized(array.shape)} instead of {_sized(shape)} in {path}",
                "it is damaged or made wrongly; use another copy",
            )
        return array

    def optional(self, path: str, shape: tuple[int, ...]) -> NDArray[Any] | None:
        """Return numbers of a shape, or None where there are none."""
        return self.array(path, shape) if path in self.tree.data else None

    def table(self, path: str) -> NDArray[Any]:
        """Return what lies at a path."""
        if path in self.tree.dropped:
            raise self.refuse(
                f"{path} {self.tree.dropped[path]}", "write it as the format says"
            )
        if path not in self.tree.data:
            raise self.refuse(
                f"{path} is missing in the recording", "use a complete file"
            )
        return self.tree.data[path]

    def column(self, path: str, field: str, kind: str = "S") -> Any:
        """Return a column of a table: a list of texts, or an array of numbers."""
        table = self.table(path)
        if table.ndim != 1 or table.dtype.names is None:
            raise self.refuse(f"{path} is no table", "write it as rows of named fields")
        if field not in table.dtype.names:
            raise self.refuse(
                f"{path} has no field {field!r}", "write it as the format says"
            )
        column = table[field]
        if (column.dtype.kind == "S") != (kind == "S"):
            want = "text" if kind == "S" else "numbers"
            raise self.refuse(
                f"{path} holds {column.dtype} in {field!r}", f"write it as {want}"
            )
        if kind != "S":
            return column
        return [bytes(v).decode("utf-8", "replace") for v in column]

    def value(self, path: str, name: str) -> Any:
        """Return an attribute as it is, or None."""
        return self.tree.attrs.get(path, {}).get(name)

    def text(self, path: str, name: str) -> str:
        """Return an attribute as text, "" where there is none."""
        value = self.value(path, name)
        if value is None:
            return ""
        array = np.asarray(value)
        if array.size != 1 or array.dtype.kind not in "SU":
            raise self.refuse(f"{name} in {path} is not text", "write it as text")
        one = array.item()
        return one if isinstance(one, str) else one.decode("utf-8", "replace")

    def identifier(self, path: str, name: str) -> str:
        """Return a short printable text."""
        text = self.text(path, name)
        if len(text) > MAX_ID or not text.isprintable():
            raise self.refuse(
                f"{name} is {text[:MAX_ID]!r} in {path}",
                f"write at most {MAX_ID} printable characters",
            )
        return text

    def numbers(self, path: str, name: str, count: int) -> tuple[float, ...] | None:
        """Return an attribute of so many numbers, or None where there is none."""
        value = self.value(path, name)
        if value is None:
            return None
        array = np.asarray(value)
        if array.dtype.kind not in "fiu" or array.size != count:
            raise self.refuse(
                f"{name} is {value!s:.60} in {path}",
                f"write {count} number{'s' * (count > 1)} there",
            )
        return tuple(float(v) for v in array.ravel())

    def number(self, path: str, name: str, default: float) -> float:
        """Return a finite number, or the default where there is none."""
        found = self.numbers(path, name, 1)
        if found is None:
            return default
        if not np.isfinite(found[0]):
            raise self.refuse(f"{name} is {found[0]} in {path}", "write a number there")
        return found[0]


def _sized(shape: tuple[int, ...]) -> str:
    """Say in words how numbers are arranged; -1 stands for any length."""
    many = ["" if size == -1 else f"{size} " for size in shape]
    if not shape:
        return "a single number"
    if len(shape) == 1:
        return f"a list of {many[0]}numbers"
    if len(shape) == 2:
        return f"{many[0]}rows of {many[1]}numbers"
    return f"numbers in {len(shape)} dimensions"
