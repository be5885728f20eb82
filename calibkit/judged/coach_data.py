"""What the coach works with and hands over: attempts, changes, advice. Plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from calibkit.errors import CallError
from calibkit.fitted.mapping import Mapping
from calibkit.judged.assess_figures import Assessment
from calibkit.judged.behaviour import Behaviour
from calibkit.judged.keys import UsableKeys
from calibkit.kept.protocol_model import Protocol

MOST_CHANGES = 2
# Changes that are no key of a protocol.
SEATING, REST = "seating", "rest"
OUTSIDE = (SEATING, REST)
KINDS = ("keep", "change", "rest", "lower", "end")


@dataclass(frozen=True, kw_only=True)
class Goal:
    """Keys that a person needs; four rows of six are a small board (our judgement)."""

    rows: int = 4
    columns: int = 6

    def met(self, rows: int, columns: int) -> bool:
        """Whether as many keys are there."""
        return rows * columns >= self.rows * self.columns


@dataclass(frozen=True, kw_only=True, eq=False)
class Tried:
    """One attempt.

    `mapping` is None where nothing could be fitted, `fault` says why it cannot be used.
    """

    protocol: Protocol
    behaviour: Behaviour
    mapping: Mapping | None = None
    result: Assessment | None = None
    keys: UsableKeys | None = None
    fault: str = ""
    outside: tuple[str, ...] = ()

    @property
    def grid(self) -> tuple[int, int]:
        """Rows and columns of the keys that it gave; 0 where none."""
        return (self.keys.rows, self.keys.columns) if self.keys else (0, 0)


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A piece of evidence: what, how much, between what (95 %), where."""

    name: str
    value: float
    unit: str = ""
    low: float = float("nan")
    high: float = float("nan")
    where: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Change:
    """One change for the next attempt.

    `key` is a dotted path of the protocol, or one of OUTSIDE.
    """

    key: str
    old: Any
    new: Any
    reason: str
    evidence: tuple[Figure, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What is better left as it is, and why."""

    key: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Advice:
    """What to do next.

    Parameters
    ----------
    kind : {"keep", "change", "rest", "lower", "end"}
        Enough has been reached; try once more with the changes; rest first; try for
        less; stop with what has been gained.
    words : str
    changes : tuple of Change
        Never more than MOST_CHANGES.
    kept : tuple of Kept
    goal : Goal
        What the next attempt is for.
    own_mapping : bool
        Whether the next attempt starts from the mapping of this one.
    """

    kind: str
    words: str
    changes: tuple[Change, ...]
    kept: tuple[Kept, ...]
    goal: Goal
    own_mapping: bool = False

    def __post_init__(self) -> None:
        if len(self.changes) > MOST_CHANGES or self.kind not in KINDS:
            raise CallError(
                f"advice of kind {self.kind!r} with {len(self.changes)} changes; it "
                f"may have {MOST_CHANGES} at most"
            )


def changed(protocol: Protocol, changes: Sequence[Change]) -> Protocol:
    """Return the protocol with the changes that concern it made.

    Parameters
    ----------
    protocol : Protocol
    changes : sequence of Change

    Returns
    -------
    Protocol
        Checked anew.
    """
    tables = protocol.model_dump()
    for change in changes:
        if change.key not in OUTSIDE:
            table, name = change.key.split(".")
            tables[table][name] = change.new
    return Protocol.model_validate(tables)
