"""Fields that a user of the Builder fills in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from psychopy.experiment import Param

CATEGORY = "calibkit"
ICONS = Path(__file__).parent / "icons"
# Generated scripts call our functions under this name.
CALLED = "calibkit_running"
SCREEN = (
    ("screenMm", "Picture, mm", "Width and height of what the window shows, such as "
     "(527, 296). Blank: what calibkit or the Monitor Centre has stored."),
    ("distanceMm", "Distance, mm", "From the eyes to the screen. Blank: as stored."),
)  # fmt: skip


def require(exp: Any) -> None:
    """Let a generated script import what it calls."""
    exp.requireImport("running", importFrom="calibkit.builder", importAs=CALLED)


def code(value: str, label: str, hint: str, categ: str = "Basic") -> Any:
    """A field for an expression."""
    return Param(value, valType="code", inputType="single", categ=categ,
                 updates="constant", label=label, hint=hint)  # fmt: skip


def text(value: str, label: str, hint: str, categ: str = "Basic") -> Any:
    """A field for text, or for an expression after a $."""
    return Param(value, valType="str", inputType="single", categ=categ,
                 updates="constant", label=label, hint=hint)  # fmt: skip


def choice(
    value: str,
    values: Sequence[str],
    labels: Sequence[str],
    label: str,
    hint: str,
    categ: str = "Basic",
) -> Any:
    """A field for one of several."""
    return Param(value, valType="str", inputType="choice", categ=categ,
                 allowedVals=list(values), allowedLabels=list(labels),
                 updates="constant", label=label, hint=hint)  # fmt: skip


def blank(param: Any) -> bool:
    """Whether nothing was filled in."""
    return str(param.val).strip() in ("", "None")


def written(params: dict[str, Any], names: dict[str, str]) -> str:
    """Write the arguments of a call: `names` says which field gives which."""
    given = [
        f"{name}={params[field]}"
        for name, field in names.items()
        if not blank(params[field])
    ]
    return "".join(f"    {one},\n" for one in given)
