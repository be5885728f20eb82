"""Named set-ups of a person, such as chair and bed: one id for both together."""

from __future__ import annotations

import re

from calibkit.errors import CallError
from calibkit.kept.profile import check_person

_NAME = re.compile(r"[a-z0-9](-?[a-z0-9]){0,15}")


def in_setup(person: str, setup: str | None) -> str:
    """Return the id under which a person's mappings for one set-up are kept.

    A person who uses gaze in a chair and in bed has a mapping for each, with versions,
    recordings and history of its own: "ana" in "bed" is kept as "ana--bed", and every
    command that takes a person takes that.

    Parameters
    ----------
    person : str
    setup : str, optional
        None is the person's only or usual one.

    Returns
    -------
    str

    Raises
    ------
    CallError
        When the set-up's name or both together are unusable.
    """
    check_person(person)
    if setup is None:
        return person
    if not _NAME.fullmatch(setup):
        raise CallError(
            f"the set-up's name {setup[:40]!r} is unusable; use 1 to 16 of a-z, 0-9 "
            "and -, such as chair or bed"
        )
    return check_person(f"{person}--{setup}")
