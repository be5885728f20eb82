"""Nested dictionaries of numbers and text, as a file's tree and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    from calibkit.kept.store import Tree


def numbers(values: ArrayLike, digits: int = 9) -> list[Any]:
    """Turn an array into nested lists of floats with so many significant digits."""
    rounded: list[Any] = _rounded(np.asarray(values, float).tolist(), digits)
    return rounded


def _rounded(value: Any, digits: int) -> Any:
    if isinstance(value, list):
        return [_rounded(item, digits) for item in value]
    return float(f"{value:.{digits}g}")


def to_tree(plain: dict[str, Any], group: str = "/") -> Tree:
    """Turn a nested dictionary into named values in groups.

    Numbers and text become attributes, lists of numbers arrays, lists of text arrays
    of text, dictionaries groups, None nothing.
    """
    from calibkit.kept import store

    attrs: dict[str, dict[str, Any]] = {group: {}}
    data: dict[str, Any] = {}
    for name, value in plain.items():
        path = f"{group.rstrip('/')}/{name}"
        if isinstance(value, dict):
            below = to_tree(value, path)
            attrs.update({k: dict(v) for k, v in below.attrs.items()})
            data.update(below.data)
        elif isinstance(value, list):
            texts = bool(value) and isinstance(value[0], str)
            if texts or name in TEXT_LISTS:
                # A dataset cannot hold a list of no texts apart from one empty text.
                data[path] = store.text_array(value or [""])
            else:
                data[path] = np.asarray(value, float)
        elif value is not None:
            attrs[group][name] = value
    return store.Tree(attrs=attrs, data=data)


# Names of lists that hold text even when they are empty.
TEXT_LISTS = ("notes", "covariates", "groups", "reasons", "recordings", "setup_notes")


def from_tree(tree: Tree) -> dict[str, Any]:
    """Turn named values in groups into a nested dictionary: the way back."""
    from calibkit.kept import store

    plain: dict[str, Any] = {}
    for path, values in tree.attrs.items():
        place = _place(plain, path)
        for name, value in values.items():
            place[name] = value.item() if isinstance(value, np.generic) else value
    for path, array in tree.data.items():
        parent, _, name = path.rpartition("/")
        place = _place(plain, parent)
        if array.dtype.kind == "S":
            place[name] = [text for text in store.texts(array) if text]
        else:
            place[name] = array.tolist()
    return plain


def _place(plain: dict[str, Any], path: str) -> dict[str, Any]:
    for part in path.split("/"):
        if part:
            plain = plain.setdefault(part, {})
    return plain
