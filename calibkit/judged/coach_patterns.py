"""Patterns that an attempt can show, and the smallest change that answers each.

A pattern is a function of the evidence and the protocol; it gives changes, or none.
Their order in PATTERNS is what comes first: what nothing else can mend without.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from calibkit.judged import coach_words as words
from calibkit.judged.coach_data import REST, SEATING, Change, Figure
from calibkit.judged.coach_evidence import Evidence
from calibkit.kept import protocol as protocols
from calibkit.kept.protocol_model import Protocol

# Thresholds, our judgement.
UNSEEN_LOSS = 0.5
ONE_EYE_LOSS, OTHER_EYE_LOSS = 0.6, 0.35
# An eye that is never seen is left out of the fit by itself: nothing is to be changed.
NEVER_SEEN_LOSS = 0.98
SHUT, BLINK_S, BLINKS_PER_MIN = 0.10, 0.3, 14.0
MISSED_SHARE, MISSED_LOW = 0.2, 0.05
EDGE_MORE, SURE = 0.15, 0.95
EYE_SURE, EYE_GAIN_DEG = 0.95, 0.3
HEAD_MM = 10.0
UNSTEADY_DEG, TREMBLING = 0.4, 0.9
SLOW_S = 0.8
SHIFT_DEG, SHIFT_LEFT = 0.4, 0.6
FEWEST_POINTS = 4
LONGER, LONGEST_LIMIT_S, LONGEST_HOLD_S = 1.6, 15.0, 3.0
MIDDLE = ((0.5, 0.5),)
LAST_RESORT = "too few"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """A pattern that was found: its changes; whether they need the mapping made now."""

    name: str
    changes: tuple[Change, ...]
    own_mapping: bool = False


Pattern = Callable[[Evidence, Protocol, bool], "Finding | None"]


def _change(
    protocol: Protocol, key: str, new: Any, reason: str, *evidence: Figure
) -> Change:
    table, name = key.split(".")
    old = getattr(getattr(protocol, table), name)
    return Change(key=key, old=old, new=new, reason=reason, evidence=evidence)


def _outside(key: str, reason: str, *evidence: Figure) -> Change:
    return Change(key=key, old=None, new=True, reason=reason, evidence=evidence)


def unseen(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """The tracker hardly sees the eyes."""
    best = min(seen.loss_left, seen.loss_right)
    if seen.loss < UNSEEN_LOSS and best < UNSEEN_LOSS:
        return None
    reason = words.unseen(seen.loss)
    return Finding(
        name="unseen",
        changes=(_outside(SEATING, reason, seen.figure("loss", seen.loss)),),
    )


def drowsy(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """The lids are closed for long."""
    life = seen.behaviour
    sleepy = life.shut >= SHUT and life.blinks_per_min >= BLINKS_PER_MIN
    if not (sleepy and life.blink_s >= BLINK_S):
        return None
    figures = (
        seen.figure("shut", life.shut),
        seen.figure("blinks", life.blinks_per_min, "1/min"),
        seen.figure("blink", life.blink_s, "s"),
    )
    reason = words.drowsy(life.shut, life.blinks_per_min)
    return Finding(name="drowsy", changes=(_outside(REST, reason, *figures),))


def one_eye(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """One eye is hardly seen."""
    losses = {"left": seen.loss_left, "right": seen.loss_right}
    good, poor = sorted(losses, key=lambda eye: losses[eye])
    if protocol.data.eyes != "both" or losses[poor] < ONE_EYE_LOSS:
        return None
    if losses[good] > OTHER_EYE_LOSS or losses[poor] >= NEVER_SEEN_LOSS:
        return None
    reason = words.one_eye(good, poor, losses[poor])
    figures = [seen.figure(f"loss {eye}", losses[eye]) for eye in (good, poor)]
    change = _change(protocol, "data.eyes", good, reason, *figures)
    return Finding(name="one eye", changes=(change,))


def taking_turns(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Now one eye is on the target, now the other; with one covered it stays one."""
    if protocol.data.eyes != "both" or not seen.turns:
        return None
    other = "right" if seen.turns == "left" else "left"
    reason = words.taking_turns(seen.turns, other)
    figure = seen.figure("error both", seen.error_deg, "deg")
    change = _change(protocol, "data.eyes", seen.turns, reason, figure)
    return Finding(name="taking turns", changes=(change,))


def better_alone(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """One eye alone is less far off, as where the other turns away."""
    eye, alone, both, sure = seen.better_eye
    if protocol.data.eyes != "both" or sure < EYE_SURE or both - alone < EYE_GAIN_DEG:
        return None
    figures = (
        seen.figure(f"error {eye}", alone, "deg"),
        seen.figure("error both", both, "deg"),
        seen.figure("probability", sure),
    )
    reason = words.better_eye(eye, alone, both, sure)
    change = _change(protocol, "data.eyes", eye, reason, *figures)
    return Finding(name="better eye", changes=(change,))


def elsewhere(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Gaze rested elsewhere, and was taken for a look: a person must decide."""
    if not _misses(seen) or not helper or protocol.pace.advance == "key":
        return None
    if seen.missed == seen.unlooked:
        return None
    reason = words.elsewhere(seen.missed, seen.shown)
    change = _change(protocol, "pace.advance", "key", reason, _missed(seen))
    return Finding(name="elsewhere", changes=(change,))


def contradicting(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Looks that give no mapping: some were elsewhere, and it cannot be told which."""
    if not seen.faulty or protocol.glides or not helper:
        return None
    if protocol.pace.advance == "key":
        return None
    # Where gaze was not met says nothing of which looks were elsewhere.
    figure = Figure(name="looks without a mapping", value=float(seen.shown))
    change = _change(protocol, "pace.advance", "key", words.contradicting(), figure)
    return Finding(name="contradicting", changes=(change,))


def unlooked(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Targets were not looked at in time: let them be found more easily."""
    look = protocol.targets
    if not _misses(seen) or protocol.glides or look.start_deg >= 4.0:
        return None
    reason = words.unlooked(seen.missed, seen.shown)
    changes = [_change(protocol, "targets.start_deg", 4.0, reason, _missed(seen))]
    if look.pulse_hz == 0.0:
        changes.append(_change(protocol, "targets.pulse_hz", 1.0, reason))
    return Finding(name="unlooked", changes=tuple(changes))


def wandering(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Still too much is missed: ask for less."""
    points = protocol.targets.points
    if not _misses(seen) or len(points) <= FEWEST_POINTS:
        return None
    few = fewer_points(points)
    reason = words.fewer(seen.missed, seen.shown, len(few))
    change = _change(protocol, "targets.points", few, reason, _missed(seen))
    return Finding(name="wandering", changes=(change,))


def gliding(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """A moving point instead of resting ones."""
    if not _misses(seen) or protocol.glides:
        return None
    reason = words.glide(seen.missed, seen.shown)
    return Finding(name="gliding", changes=glide_changes(protocol, reason, seen))


def glide_changes(
    protocol: Protocol, reason: str, seen: Evidence
) -> tuple[Change, ...]:
    """Make a moving point of resting ones."""
    way = protocols.load("glide").path.points
    return (
        _change(protocol, "targets.points", (), reason, _missed(seen)),
        _change(protocol, "path.points", way, reason),
    )


def lids(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """More is lost at one edge."""
    here, there, sure, low = seen.edge
    wide, high = protocol.targets.area
    if not (here - there >= EDGE_MORE and sure >= SURE) or high <= 0.6:
        return None
    reason = words.lids(here, there, low)
    area = (wide, round(max(0.6, 0.8 * high), 2))
    figures = (seen.figure("loss there", here), seen.figure("loss elsewhere", there))
    change = _change(protocol, "targets.area", area, reason, *figures)
    return Finding(name="lids", changes=(change,))


def head(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """The head moves."""
    if not seen.head_mm >= HEAD_MM:
        return None
    reason = words.head(seen.head_mm)
    figure = seen.figure("head movement", seen.head_mm, "mm")
    return Finding(name="head", changes=(_outside(SEATING, reason, figure),))


def unsteady(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Gaze spreads within a look: measure for longer."""
    hold_s = protocol.pace.hold_s
    if not seen.spread_deg >= UNSTEADY_DEG or hold_s >= LONGEST_HOLD_S:
        return None
    noise = seen.trembling >= TREMBLING
    reason = (words.noisy if noise else words.moving_eyes)(seen.spread_deg)
    new = round(min(LONGER * hold_s, LONGEST_HOLD_S), 1)
    figures = (
        seen.figure("spread", seen.spread_deg, "deg"),
        seen.figure("sample to sample over spread", seen.trembling),
    )
    change = _change(protocol, "pace.hold_s", new, reason, *figures)
    return Finding(name="unsteady", changes=(change,))


def shifted(amount: float, left: float, sure: float, error_deg: float) -> bool:
    """Whether being off the same way everywhere is most of an error; degrees."""
    return amount >= SHIFT_DEG and sure >= SURE and left <= SHIFT_LEFT * error_deg


def shift(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """All check points are off the same way."""
    amount, left, sure = seen.shift
    aside = shifted(amount, left, sure, seen.error_deg)
    if not aside or protocol.targets.points == MIDDLE:
        return None
    reason = words.shift(amount, left)
    figures = (seen.figure("shift", amount, "deg"), seen.figure("left", left, "deg"))
    changes = [_change(protocol, "targets.points", MIDDLE, reason, *figures)]
    if protocol.glides:
        changes.append(_change(protocol, "path.points", (), reason))
    return Finding(name="shift", changes=tuple(changes), own_mapping=True)


def slow(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """Looks begin late."""
    pace = protocol.pace
    if not seen.latency_s >= SLOW_S:
        return None
    figure = seen.figure("latency", seen.latency_s, "s")
    if pace.advance == "timer" and pace.hold_s < LONGEST_HOLD_S:
        new = round(min(pace.hold_s + seen.latency_s, LONGEST_HOLD_S), 1)
        reason = words.slow_hold(seen.latency_s)
        change = _change(protocol, "pace.hold_s", new, reason, figure)
        return Finding(name="slow", changes=(change,))
    if pace.advance == "gaze" and seen.unlooked and pace.limit_s < LONGEST_LIMIT_S:
        new = round(min(LONGER * pace.limit_s, LONGEST_LIMIT_S), 1)
        reason = words.slow_limit(seen.latency_s)
        change = _change(protocol, "pace.limit_s", new, reason, figure)
        return Finding(name="slow", changes=(change,))
    return None


def too_few(seen: Evidence, protocol: Protocol, helper: bool) -> Finding | None:
    """The looks are good, and more of them could follow the error over the screen."""
    points = len(protocol.targets.points)
    larger = [p for p in map(protocols.load, ("standard", "full", "wide"))
              if len(p.targets.points) > points]  # fmt: skip
    if protocol.glides or not larger or _misses(seen) or not seen.error_deg > 0:
        return None
    new = larger[0].targets.points
    reason = words.more_points(points, len(new), seen.error_deg)
    figure = seen.figure("error", seen.error_deg, "deg")
    change = _change(protocol, "targets.points", new, reason, figure)
    return Finding(name=LAST_RESORT, changes=(change,))


def fewer_points(
    points: tuple[tuple[float, float], ...],
) -> tuple[tuple[float, float], ...]:
    """Return the points that span most: farthest from the chosen ones, one by one.

    They stay as wide as they were, so that nothing has to be guessed beyond them.
    """
    left = list(points)
    first = max(left, key=lambda p: (p[0] - 0.5) ** 2 + (p[1] - 0.5) ** 2)
    chosen = [first]
    left.remove(first)
    while left and len(chosen) < FEWEST_POINTS:
        nearest = {
            p: min((p[0] - c[0]) ** 2 + (p[1] - c[1]) ** 2 for c in chosen)
            for p in left
        }
        best = max(left, key=lambda p: nearest[p])
        chosen.append(best)
        left.remove(best)
    return tuple(chosen)


def _misses(seen: Evidence) -> bool:
    return seen.missed_share >= MISSED_SHARE and seen.missed_low >= MISSED_LOW


def _missed(seen: Evidence) -> Figure:
    return Figure(
        name="missed points",
        value=float(seen.missed),
        unit=f"of {seen.shown}",
        where=seen.where,
    )


PATTERNS: tuple[Pattern, ...] = (
    unseen,
    drowsy,
    contradicting,
    one_eye,
    taking_turns,
    elsewhere,
    unlooked,
    wandering,
    gliding,
    lids,
    head,
    better_alone,
    shift,
    unsteady,
    slow,
    too_few,
)
