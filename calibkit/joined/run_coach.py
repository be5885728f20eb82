"""The coach beside a session: earlier attempts, and advice in words and as data."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CalibkitError
from calibkit.kept import protocol as protocols
from calibkit.kept import records
from calibkit.kept.recording import Recording
from calibkit.language import SOURCE, _, speaking

if TYPE_CHECKING:
    from calibkit.joined.run_attempt import Attempt
    from calibkit.joined.run_conclude import Outcome
    from calibkit.judged.coach import Comparison
    from calibkit.judged.coach_data import Advice, Goal, Tried
    from calibkit.kept.protocol_model import Protocol

# Attempts further apart than this are of another sitting (our judgement).
SITTING = timedelta(minutes=45)
MOST_EARLIER = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Coached:
    """The attempts of a sitting as the coach sees them; advice in words of any time.

    Parameters
    ----------
    now : Tried
    earlier : tuple of Tried
        Those before it, oldest first.
    goal : Goal, optional
        The keys that the protocol asks for.
    worse : float
        How probable it is that the new mapping is worse than the one in use before, on
        the same check points; NaN where there was none.
    """

    now: Tried
    earlier: tuple[Tried, ...] = ()
    goal: Goal | None = None
    worse: float = math.nan

    def advice(self) -> Advice:
        """What to do next, in the language that is spoken."""
        from calibkit.judged import coach

        return coach.advise(self.now, self.earlier, self.goal)

    def compared(self) -> Comparison | None:
        """How this attempt compares with what was there before it.

        Two mappings on the same check points say more than two attempts side by side.
        """
        from calibkit.judged import coach

        if math.isfinite(self.worse):
            return coach.comparison(1.0 - self.worse)
        return coach.compare(self.now, self.earlier[-1]) if self.earlier else None

    def words(self) -> str:
        """Return the advice as lines for the operator."""
        return sentences(self.advice(), self.compared())

    def data(self) -> dict[str, Any]:
        """Return the advice as plain data, in English."""
        with speaking(SOURCE):
            return data(self.advice(), self.compared())


def coached(attempt: Attempt, outcome: Outcome, rec: Recording) -> Coached:
    """Gather what the coach needs of this attempt and of those before it.

    Parameters
    ----------
    attempt : Attempt
        Just made, not yet in the person's history.
    outcome : Outcome
    rec : Recording
        Its recording.

    Returns
    -------
    Coached
    """
    before = _entries(attempt)
    asked = [(), *map(_asked, before)]
    earlier = tuple(
        tried
        for entry, outside in zip(before, asked, strict=False)
        if (tried := _again(attempt, entry, outside)) is not None
    )
    now = _tried(attempt.protocol, outcome, rec, asked[-1])
    goal = _goal(attempt.protocol)
    return Coached(now=now, earlier=earlier, goal=goal, worse=outcome.worse)


def _goal(protocol: Protocol) -> Goal | None:
    """The keys that the protocol asks for, where it asks for any."""
    from calibkit.judged.coach_data import Goal

    asked = protocol.pace.enough_keys
    return None if asked is None else Goal(rows=asked[0], columns=asked[1])


def _tried(
    protocol: Protocol, outcome: Outcome, rec: Recording, outside: tuple[str, ...]
) -> Tried:
    from calibkit.judged.behaviour import watch
    from calibkit.judged.coach_data import Tried

    return Tried(
        protocol=protocol,
        behaviour=watch(rec, outcome.mapping, outcome.result),
        mapping=outcome.mapping,
        result=outcome.result,
        keys=outcome.keys,
        fault=outcome.fault,
        outside=outside,
    )


def _entries(attempt: Attempt) -> list[dict[str, Any]]:
    """Calibrations of this sitting, from the person's history."""
    found: list[dict[str, Any]] = []
    last = datetime.fromisoformat(attempt.created)
    for entry in reversed(records.history(attempt.home, attempt.person)):
        if entry.get("kind") != "calibration":
            continue
        try:
            made = datetime.fromisoformat(str(entry["created"]))
            if last - made > SITTING:
                break
        except (KeyError, ValueError, TypeError):
            break
        found.insert(0, entry)
        last = made
    return found[-MOST_EARLIER:]


def _asked(entry: dict[str, Any]) -> tuple[str, ...]:
    """What was advised outside the protocol after an attempt; taken as done."""
    from calibkit.judged.coach_data import OUTSIDE

    keys = entry.get("advised")
    return tuple(key for key in OUTSIDE if isinstance(keys, list) and key in keys)


def _again(
    attempt: Attempt, entry: dict[str, Any], outside: tuple[str, ...]
) -> Tried | None:
    """Work an earlier attempt out anew from its recording, where it is still there."""
    from calibkit.joined.run_conclude import Outcome, checked
    from calibkit.joined.run_verdict import fault, fitted

    place = records.folder(attempt.home, "recordings", attempt.person)
    try:
        rec = Recording.load(place / Path(str(entry["recording"])).name)
        protocol = protocols.parse(rec.protocol)
        other = rec.setup.differences(attempt.setup) or rec.channels != attempt.channels
        if other or rec.source_id != attempt.source_id:
            return None  # another tracker or screen tells nothing of this one
        mapping = fitted(rec, protocol, None)
        found = fault(mapping, rec)
        result, keys = (None, None) if found else checked(mapping, rec)
        outcome = Outcome(mapping=mapping, fault=found, result=result, keys=keys)
        return _tried(protocol, outcome, rec, outside)
    except (CalibkitError, KeyError):
        return None


def sentences(advice: Advice, compared: Comparison | None) -> str:
    """Return the advice as lines for the operator, with the flags that carry it out."""
    from calibkit.judged.coach_data import OUTSIDE

    flags = [f"--set {c.key}={_value(c.new)}" for c in advice.changes
             if c.key not in OUTSIDE]  # fmt: skip
    if advice.own_mapping:
        flags.append("--shared own")
    lines = [compared.words if compared else "", advice.words]
    places = [place for c in advice.changes for f in c.evidence for place in f.where]
    if places:
        listed = ", ".join(dict.fromkeys(places))
        lines.append(_("It was at: {places}.").format(places=listed))
    if advice.changes:
        lines.append(" ".join(kept.reason for kept in advice.kept))
    if flags:
        lines.append(_("Add to the command: {flags}").format(flags=" ".join(flags)))
    return "\n".join(line for line in lines if line)


def _value(value: Any) -> str:
    if isinstance(value, tuple | list):
        return "[" + ",".join(_value(one) for one in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def data(advice: Advice, compared: Comparison | None) -> dict[str, Any]:
    """Return the advice as plain data."""
    found = asdict(advice)
    found["compared"] = None if compared is None else asdict(compared)
    return found


def keys(advice: Advice) -> list[str]:
    """Return what was advised, for the history."""
    return [change.key for change in advice.changes]
