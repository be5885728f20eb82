"""Starter priors: one per kind of tracker, from simulated people, labelled so and wide.

For those who have no recordings of others yet. Where features are raw camera figures a
starter is refused at none and one usable targets, since no simulated desk is theirs.
"""

from __future__ import annotations

from pathlib import Path

from calibkit.errors import InputError
from calibkit.fitted.prior import SharedMapping

FOLDER = Path(__file__).parent / "starters"
PREFIX = "starter-"


def names() -> tuple[str, ...]:
    """Names of the starters that are installed, such as "starter-webcam"."""
    return tuple(PREFIX + path.stem for path in sorted(FOLDER.glob("*.h5")))


def load(name: str) -> SharedMapping:
    """Read a starter by its name.

    Raises
    ------
    InputError
        For an unknown name; it lists the known ones.
    """
    if name not in names():
        known = ", ".join(names()) or "none"
        raise InputError(f"there is no starter {name!r}; choose one of {known}")
    return SharedMapping.load(FOLDER / f"{name.removeprefix(PREFIX)}.h5")
