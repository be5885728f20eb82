"""What is wrong with a protocol, in sentences with the key's dotted path."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from typing import Any, get_args

from pydantic import BaseModel

from calibkit.kept.protocol_model import Protocol


def sentence(fault: Any) -> str:
    """Word one fault of the model: dotted path, value, what to do."""
    where = _dotted(fault["loc"])
    kind, context = fault["type"], fault.get("ctx", {})
    value = repr(fault["input"])
    value = value if len(value) <= 40 else value[:37] + "..."
    if kind == "extra_forbidden":
        return f"{where} is not a key of a protocol{_nearest_key(fault['loc'])}"
    if kind == "value_error":
        return f"{where} {context['error']}".strip()
    if kind == "string_pattern_mismatch" and fault["loc"][0] == "keys":
        return (
            f"{where} is {value}, which is no single key; use space, a, f5 or up, say"
        )
    if kind == "string_pattern_mismatch" and "pictures" in fault["loc"]:
        return (
            f"{where} is {value}; name a .png or .jpg file in the protocol's own "
            "folder, without .., a drive or an address"
        )
    words = _WORDS.get(kind, "cannot be used")
    return f"{where} {words.format(value=value, **context)}"


_WORDS = {
    "missing": "is missing; add it",
    "bool_type": "is {value}; it must be true or false",
    "float_type": "is {value}; it must be a number",
    "int_type": "is {value}; it must be a whole number",
    "string_type": "is {value}; it must be text",
    "tuple_type": "is {value}; it must be a list",
    "model_type": "is {value}; it must be a table",
    "model_attributes_type": "is {value}; it must be a table",
    "finite_number": "is {value}; it must be a finite number",
    "greater_than_equal": "is {value}; it must be {ge:g} or more",
    "less_than_equal": "is {value}; it must be {le:g} or less",
    "literal_error": "is {value}; it must be {expected}",
    "string_pattern_mismatch": "is {value}; use small letters, digits and dashes",
    "string_too_long": "is longer than {max_length} characters; shorten it",
    "too_long": "has more than {max_length} entries; shorten the list",
}


def _dotted(location: Sequence[str | int]) -> str:
    """Dotted path for people: the tagged branches of a union are left out."""
    parts = [part for part in location if not re.search(r"[\[(]", str(part))]
    text = ""
    for part in parts:
        text += f"[{part}]" if isinstance(part, int) else f".{part}"
    return text.lstrip(".")


def _nearest_key(location: Sequence[str | int]) -> str:
    model: Any = Protocol
    for part in location[:-1]:
        field = model.model_fields.get(part)
        options = [field.annotation, *get_args(field.annotation)] if field else []
        model = next((option for option in options if _is_table(option)), None)
        if model is None:
            return ""
    return nearest(str(location[-1]), tuple(model.model_fields))


def nearest(word: str, known: Sequence[str]) -> str:
    """Suggest the nearest known word, or list all."""
    near = difflib.get_close_matches(word, known, 1, 0.6)
    if near:
        return f"; did you mean {near[0]!r}?"
    return f"; it may be one of {', '.join(known)}"


def _is_table(option: Any) -> bool:
    return isinstance(option, type) and issubclass(option, BaseModel)
