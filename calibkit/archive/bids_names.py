"""File names in a BIDS data set: one for each recording, none twice.

Labels hold letters and digits only, persons' codes and sessions' ids may hold more; so
what is lost is made up by a short hash, and the same code gives the same label in
every export.

Source: Brain Imaging Data Structure 1.11, file names: entities in the order sub, ses,
task, acq, run, recording.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from calibkit.errors import CallError, InputError

NOBODY = "unknown"
_SETUP_MARK = "--"  # between a person's code and the name of a set-up


@dataclass(frozen=True, kw_only=True)
class Take:
    """What names a recording.

    Parameters
    ----------
    person, session, created : str
    attempt : int
    start_s : float
        First time stamp, to order what names no date.
    """

    person: str
    session: str
    created: str
    attempt: int
    start_s: float


@dataclass(frozen=True, kw_only=True)
class Name:
    """The entities of a recording's files."""

    subject: str
    session: str = ""
    task: str
    setup: str = ""
    run: int = 0

    @property
    def folder(self) -> PurePosixPath:
        """Folder of the files, in the data set."""
        parts = [f"sub-{self.subject}", *[f"ses-{self.session}"] * bool(self.session)]
        return PurePosixPath(*parts, "beh")

    def file(self, ending: str, recording: str = "") -> str:
        """Return a file's name, such as sub-p01_task-looking_events.tsv."""
        pairs = (
            ("sub", self.subject),
            ("ses", self.session),
            ("task", self.task),
            ("acq", self.setup),
            ("run", str(self.run or "")),
            ("recording", recording),
        )
        return "_".join([*(f"{k}-{v}" for k, v in pairs if v), ending])


def label(text: str, empty: str = NOBODY) -> str:
    """Return a text as a BIDS label, one for each text.

    Parameters
    ----------
    text : str
    empty : str
        Stands for no text.
    """
    if not text:
        return empty
    plain = re.sub(r"[^0-9A-Za-z]", "", text)
    if plain == text and plain == plain.lower() and plain != empty:
        return plain
    # Folders that differ by case alone are one on many computers.
    return f"{plain.lower()[:40]}x{hashlib.sha256(text.encode()).hexdigest()[:6]}"


def task_label(task: str) -> str:
    """Return a task's name as a label, as the standard makes it.

    Raises
    ------
    CallError
        When nothing is left of it.
    """
    plain = re.sub(r"[^0-9A-Za-z]", "", task)
    if not plain:
        raise CallError(f"the task {task!r} holds no letter and no digit; name another")
    return plain


def names(takes: Sequence[Take], task: str) -> list[Name]:
    """Name recordings; several of a person become sessions, and runs within these.

    Parameters
    ----------
    takes : sequence of Take
    task : str
        A label.

    Returns
    -------
    list of Name, in the order of the recordings

    Raises
    ------
    InputError
        When two persons cannot be told apart by their labels.
    """
    people: dict[str, dict[str, list[int]]] = {}
    for k in sorted(range(len(takes)), key=lambda k: _when(takes[k], k)):
        who = takes[k].person.partition(_SETUP_MARK)[0]
        sitting = takes[k].session or f"#{k}"
        people.setdefault(who, {}).setdefault(sitting, []).append(k)
    many = any(len(sittings) > 1 for sittings in people.values())
    if len({label(who) for who in people}) < len(people):
        raise InputError(
            f"two of the persons {', '.join(people)} get the same label; export them "
            "apart"
        )
    found: dict[int, Name] = {}
    for who, sittings in people.items():
        for number, members in enumerate(sittings.values(), 1):
            for run, k in enumerate(members, 1):
                setup = takes[k].person.partition(_SETUP_MARK)[2]
                found[k] = Name(
                    subject=label(who),
                    session=f"{number:02d}" if many else "",
                    task=task,
                    setup=label(setup, ""),
                    run=run if len(members) > 1 else 0,
                )
    return [found[k] for k in range(len(takes))]


def _when(take: Take, k: int) -> tuple[str, int, float, int]:
    return take.created, take.attempt, take.start_s, k
