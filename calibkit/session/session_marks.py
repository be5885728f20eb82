"""What a session publishes and writes down of a target: marks and rows."""

from __future__ import annotations

from calibkit.session import session_words as words
from calibkit.session.session_plan import Plan, Target


def start(plan: Plan, time_s: float) -> list[words.Command]:
    """Say that a session begins, and on which screen."""
    setup = plan.setup
    event = {
        "event": "session_start",
        "screen_px": list(setup.screen_px),
        "screen_mm": list(setup.screen_mm),
        "distance_mm": setup.distance_mm,
    }
    text = f"session start, advance by {plan.advance}"
    note = words.Note(time_s=time_s, text=text)
    return [words.Mark(event=event, time_s=time_s), note]


def end(reason: str, time_s: float) -> list[words.Command]:
    """Say that a session ends, and why."""
    event = {"event": "session_end", "reason": reason}
    note = words.Note(time_s=time_s, text=f"session {reason}")
    mark = words.Mark(event=event, time_s=time_s)
    return [note, mark, words.Finish(reason=reason)]


def on(plan: Plan, target: Target, time_s: float) -> words.Mark:
    """Say that a target is visible, and what will end it."""
    mark = _at("target_on", target, time_s, target.x, target.y)
    return words.Mark(event={**mark.event, "advance": plan.advance}, time_s=time_s)


def moved(target: Target, time_s: float, x: float, y: float) -> words.Mark:
    """Say where a gliding target is, px."""
    return _at("target_path", target, time_s, x, y)


def off(
    plan: Plan, target: Target, onset_s: float | None, time_s: float, *, kept: bool
) -> list[words.Command]:
    """Take a target away; one that was seen leaves a mark and a row."""
    hide = words.Hide(fade_s=plan.pace.fade_s)
    if onset_s is None:
        return [hide]
    nowhere = float("nan")
    x, y = (nowhere, nowhere) if target.way else (target.x, target.y)
    offset_s = max(time_s, onset_s)
    row = (onset_s, offset_s, x, y, target.role, plan.advance, int(kept))
    mark = {
        "event": "target_off",
        "id": target.id,
        "role": target.role,
        "kept": int(kept),
    }
    return [words.Mark(event=mark, time_s=offset_s), words.Keep(row=row), hide]


def _at(name: str, target: Target, time_s: float, x: float, y: float) -> words.Mark:
    event = {"event": name, "id": target.id, "x": x, "y": y, "role": target.role}
    return words.Mark(event=event, time_s=time_s)
