"""What a stream can do wrong: each rule with what it costs and the fix, as one table.

The rules themselves are pure functions in `rules_said`, `rules_stamps` and
`rules_values`; this table is what they, the command and the developers' page share.
Its rows lie in `rules_table` and `rules_table_values`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from calibkit.language import _
from calibkit.streams.rules_table import STREAM, Level, Rule
from calibkit.streams.rules_table_values import NUMBERS


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something that a stream does wrong, with the figure that shows it.

    Parameters
    ----------
    id : str
        The rule's, which stays.
    level : {"blocks", "harms", "note"}
    what : str
    value : float
    unit : str
        Of the value: "share", "s", "Hz", "channels", ...
    costs, remedy : str
        Like `what` in the language that is spoken.
    """

    id: str
    level: Level
    what: str
    value: float
    unit: str
    costs: str
    remedy: str


def found(rule: str, what: str, value: float = math.nan, unit: str = "") -> Finding:
    """Make the finding that a rule is broken.

    Parameters
    ----------
    rule : str
        Its id.
    what : str
        What was seen, in words, with the figure.
    value : float
    unit : str

    Returns
    -------
    Finding
    """
    row = RULES[rule]
    return Finding(
        id=rule,
        level=row.level,
        what=what,
        value=float(value),
        unit=unit,
        costs=_(row.costs),
        remedy=_(row.remedy),
    )


RULES: Mapping[str, Rule] = {**STREAM, **NUMBERS}


def table() -> str:
    """Return all rules as a Markdown table, for the developers' page."""
    rows = [
        f"| `{name}` | {rule.level} | {rule.when} | {rule.costs} |"
        for name, rule in RULES.items()
    ]
    head = ["| id | level | when | what it costs |", "| --- | --- | --- | --- |"]
    return "\n".join([*head, *rows])
