"""The coach: what to change for the next attempt, if anything, and which was better.

From the recording, its mapping and its check targets it finds the smallest change,
never more than two, and says why with figures. After three attempts it lowers the goal,
and it never asks for the same attempt again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibkit.judged import coach_patterns as patterns
from calibkit.judged import coach_words as words
from calibkit.judged import fatigue
from calibkit.judged.coach_data import (
    MOST_CHANGES,
    OUTSIDE,
    REST,
    Advice,
    Change,
    Goal,
    Kept,
    Tried,
    changed,
)
from calibkit.judged.coach_evidence import (
    Evidence,
    evidence,
    nearer_probable,
)
from calibkit.judged.coach_patterns import Finding

TRIES = 3
PROBABLE = 0.9


def advise(
    now: Tried,
    earlier: Sequence[Tried] = (),
    goal: Goal | None = None,
    *,
    helper: bool = True,
) -> Advice:
    """Say what to do after an attempt.

    Parameters
    ----------
    now : Tried
        The attempt just made.
    earlier : sequence of Tried
        Those before it in this sitting, oldest first.
    goal : Goal, optional
        Keys that the person needs.
    helper : bool
        Whether somebody can press a key when the person looks.

    Returns
    -------
    Advice
    """
    goal = goal or Goal()
    seen = evidence(now)
    if not now.fault and goal.met(*now.grid):
        return _keep(now, seen, goal)
    if not now.fault and now.mapping is not None and now.result is None:
        return _advice("keep", words.enough_unknown(), (), seen, now, goal)
    tired = fatigue.judge([t.behaviour for t in (*earlier, now)])
    if tired.kind == "end":
        return _ended(now, earlier, seen, goal, tired.words)
    if len(earlier) + 1 >= TRIES:
        return _less(now, earlier, seen, goal)
    found = _findings(now, earlier, seen, helper)
    if tired.kind == "rest" and not _was_outside(REST, (*earlier, now)):
        rest = Change(
            key=REST, old=None, new=True, reason=tired.words, evidence=tired.figures
        )
        found.insert(0, Finding(name="tired", changes=(rest,)))
    if not found:
        gained = best_grid((*earlier, now)) != (0, 0)
        why = words.nothing_found() if gained else ""
        return _ended(now, earlier, seen, goal, why)
    changes, own = _smallest(found)
    kind = "rest" if changes[0].key == REST else "change"
    text = "\n".join(
        [words.rest() if kind == "rest" else words.change(), *_reasons(changes)]
    )
    return _advice(kind, text, changes, seen, now, goal, own_mapping=own)


def _reasons(changes: Sequence[Change]) -> list[str]:
    return list(dict.fromkeys(change.reason for change in changes))


def _findings(
    now: Tried, earlier: Sequence[Tried], seen: Evidence, helper: bool
) -> list[Finding]:
    """Patterns in order, without what was tried already or changes nothing."""
    before = (*earlier, now)
    found: list[Finding] = []
    for pattern in patterns.PATTERNS:
        finding = pattern(seen, now.protocol, helper)
        if finding is None or (finding.own_mapping and now.fault):
            continue
        outside = [c.key for c in finding.changes if c.key in OUTSIDE]
        if any(_was_outside(key, before) for key in outside):
            continue
        if not outside and is_tried(changed(now.protocol, finding.changes), before):
            continue
        # More points are for when every look is good, and nothing else is found.
        if finding.name != patterns.LAST_RESORT or not found:
            found.append(finding)
    return found


def _was_outside(key: str, tried: Sequence[Tried]) -> bool:
    return any(key in attempt.outside for attempt in tried)


def is_tried(protocol: object, tried: Sequence[Tried]) -> bool:
    """Whether the very same protocol has been tried."""
    return any(attempt.protocol == protocol for attempt in tried)


def _smallest(found: Sequence[Finding]) -> tuple[tuple[Change, ...], bool]:
    """Return the first finding; beside a change of seating or a rest, one more.

    Two settings at once would leave open which of them helped.
    """
    first = found[0]
    if first.changes[0].key not in OUTSIDE:
        return first.changes, first.own_mapping
    for other in found[1:]:
        if other.name == patterns.LAST_RESORT:
            continue
        fits = len(first.changes) + len(other.changes) <= MOST_CHANGES
        if fits and other.changes[0].key not in OUTSIDE and not other.own_mapping:
            return (*first.changes, *other.changes), False
    return first.changes, first.own_mapping


def _keep(now: Tried, seen: Evidence, goal: Goal) -> Advice:
    return _advice("keep", words.keep(*now.grid), (), seen, now, goal)


def _less(now: Tried, earlier: Sequence[Tried], seen: Evidence, goal: Goal) -> Advice:
    """After three attempts: less, or the end. Never a fourth of the same."""
    before = (*earlier, now)
    rows, columns = best_grid(before)
    usable = rows * columns > 1
    if usable or len(before) > TRIES:
        return _ended(now, earlier, seen, goal)
    lower = Goal(rows=max(1, goal.rows // 2), columns=max(1, goal.columns // 2))
    for finding in (
        patterns.wandering(_as_missing(seen), now.protocol, False),
        patterns.gliding(_as_missing(seen), now.protocol, False),
    ):
        if finding is None or is_tried(changed(now.protocol, finding.changes), before):
            continue
        text = "\n".join([words.lower(rows, columns), *_reasons(finding.changes)])
        return _advice("lower", text, finding.changes, seen, now, lower)
    return _advice("end", words.end(rows, columns), (), seen, now, lower)


def _ended(
    now: Tried, earlier: Sequence[Tried], seen: Evidence, goal: Goal, why: str = ""
) -> Advice:
    """Stop with the best that any attempt gave."""
    rows, columns = best_grid((*earlier, now))
    lines = [why, words.end(rows, columns)]
    if rows and (now.fault or now.grid[0] * now.grid[1] < rows * columns):
        lines.append(words.go_back())
    text = "\n".join(line for line in lines if line)
    return _advice("end", text, (), seen, now, goal)


def _as_missing(seen: Evidence) -> Evidence:
    """Take it that targets were missed, since three attempts have not been enough."""
    from dataclasses import replace

    share = max(seen.missed, int(np.ceil(0.5 * seen.shown)))
    return replace(seen, missed=share, missed_low=1.0)


def best_grid(tried: Sequence[Tried]) -> tuple[int, int]:
    """Return the most keys that any attempt gave; 0, 0 where none did."""
    grids = [attempt.grid for attempt in tried if not attempt.fault]
    return max(grids, key=lambda grid: grid[0] * grid[1], default=(0, 0))


def _advice(
    kind: str,
    text: str,
    changes: tuple[Change, ...],
    seen: Evidence,
    now: Tried,
    goal: Goal,
    *,
    own_mapping: bool = False,
) -> Advice:
    return Advice(
        kind=kind,
        words=text,
        changes=changes,
        kept=_left_alone(seen, now, {change.key for change in changes}),
        goal=goal,
        own_mapping=own_mapping,
    )


def _left_alone(seen: Evidence, now: Tried, keys: set[str]) -> tuple[Kept, ...]:
    """What is better not changed, as far as this attempt can tell."""
    found = []
    if seen.missed == 0 and seen.shown and "targets.points" not in keys:
        found.append(Kept(key="targets.points", reason=words.kept_points(seen.shown)))
    if seen.latency_s < patterns.SLOW_S and "pace.limit_s" not in keys:
        found.append(Kept(key="pace.limit_s", reason=words.kept_pace(seen.latency_s)))
    blind = max(seen.loss_left, seen.loss_right) >= patterns.ONE_EYE_LOSS
    if seen.better_eye[0] and not blind and "data.eyes" not in keys:
        found.append(Kept(key="data.eyes", reason=words.kept_eyes()))
    here, there = seen.edge[:2]
    if here - there < patterns.EDGE_MORE and "targets.area" not in keys:
        found.append(Kept(key="targets.area", reason=words.kept_area()))
    if seen.head_mm < patterns.HEAD_MM and "seating" not in keys:
        found.append(Kept(key="seating", reason=words.kept_seating(seen.head_mm)))
    return tuple(found)


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """How a new attempt compares with an old one: "better", "worse", "can't tell"."""

    verdict: str
    better: float
    words: str


def compare(new: Tried, old: Tried) -> Comparison:
    """Compare two attempts by the error at their check points.

    Parameters
    ----------
    new, old : Tried

    Returns
    -------
    Comparison
        `better` is the probability that the new one's mean error is smaller: paired
        where both have the same check points, Welch's otherwise; a verdict needs 90 %.
    """
    return comparison(_better(new, old))


def comparison(sure: float) -> Comparison:
    """Say what a probability of being better means."""
    verdict = (
        "better"
        if sure >= PROBABLE
        else "worse"
        if sure <= 1 - PROBABLE
        else "can't tell"
    )
    text = words.compared(verdict, max(sure, 1 - sure))
    return Comparison(verdict=verdict, better=sure, words=text)


def _better(new: Tried, old: Tried) -> float:
    sound = [not t.fault for t in (new, old)]
    if not all(sound):
        return 0.5 if sound[0] == sound[1] else float(sound[0])
    if new.result is None or old.result is None:
        return 0.5  # nothing was checked, so nothing can be told
    return nearer_probable(new.result, old.result)
