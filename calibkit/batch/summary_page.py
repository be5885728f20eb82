"""The summary of a batch as one self-contained page, in plain words first."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Any

from calibkit.batch import strips
from calibkit.batch.columns import Row
from calibkit.batch.summary import Group, Summary
from calibkit.report import page, words
from calibkit.report.data import CAUTIONS

MOST_STRIPS = 30
MOST_TROUBLES = 30
ONE_WAY = 0.7  # of the error; then all targets are missed to the same side


def render(summary: Summary, about: Sequence[tuple[str, str]]) -> str:
    """Make the whole page.

    Parameters
    ----------
    summary : Summary
    about : sequence of (label, text)
        The table, when, with what, from which settings.

    Returns
    -------
    str
        HTML, with style and pictures inside.
    """
    from markupsafe import Markup

    people = sorted(summary.people, key=lambda g: (-g.median_deg, g.name))
    kinds = (("tracker", summary.trackers), ("person", people))
    groups = [
        {
            "kind": kind,
            "rows": [_group(group) for group in found[:MOST_STRIPS]],
            "count": len(found),
            "picture": Markup(
                strips.picture(found[:MOST_STRIPS], f"Accuracy by {kind}, in degrees")
            ),
        }
        for kind, found in kinds
    ]
    return page.filled(
        page.companion("calibkit.batch", "summary_page.html"),
        title="Many recordings, judged",
        about=about,
        headline=headline(summary),
        sentences=sentences(summary),
        troubles=summary.troubles[:MOST_TROUBLES],
        more=max(0, len(summary.troubles) - MOST_TROUBLES),
        groups=groups,
        worst=[_line(row) for row in summary.worst],
        cautions=CAUTIONS,
    )


def headline(summary: Summary) -> str:
    """Say in one line what came of it."""
    files = summary.files - summary.other
    if summary.judged == files:
        return f"All {words.count(files, 'recording')} could be judged."
    return f"{summary.judged} of {words.count(files, 'recording')} could be judged."


def sentences(summary: Summary) -> tuple[str, ...]:
    """Say how far off gaze was, how that was found, and what is not in the figures."""
    found = []
    known = [v for g in summary.people for v in g.accuracies_deg]
    if known:
        middle = statistics.median(known)
        found.append(
            "In half of them the gaze point lies, on average, no more than "
            f"{_degrees(middle)} away from what the person looks at."
        )
    checked = summary.methods.get("check-targets", 0)
    alone = sum(summary.methods.values()) - checked
    if checked:
        found.append(
            f"{words.count(checked, 'recording')} had check targets: the calibration "
            "targets fitted, the check targets judged."
        )
    if alone:
        found.append(
            f"{words.count(alone, 'recording')} had none: there each calibration "
            "target was judged by a mapping fitted without it. That is a weaker check: "
            "it is the same minute, and the mapping had one target less."
        )
    if summary.copies:
        found.append(
            f"{words.count(summary.copies, 'file is a copy', 'files are copies')} of "
            "another one. A copy has its row, and counts once in what follows."
        )
    if summary.other:
        found.append(
            f"Left out: {words.count(summary.other, 'other file')} of calibkit "
            "(mappings, tables) in these folders."
        )
    return tuple(found)


def reason(row: Row) -> str:
    """Say in plain words why a recording is far off, and what to do."""
    found = [str(row["advice"])] if row.get("advice") else []
    right, down = row["offset_right_deg"], row["offset_down_deg"]
    if right is None or down is None:
        found.append("No target was met. Check that the eyes were seen.")
    elif math.hypot(right, down) >= ONE_WAY * row["accuracy_deg"]:
        found.append(
            f"Gaze lies to one side everywhere: {words.direction(right, down)}. One "
            "look at one target corrects that (protocol offset)."
        )
    return " ".join(found) or (
        "The error points to a different side at each target. More calibration "
        "targets, or a shared mapping (--shared), may help."
    )


def _line(row: Row) -> dict[str, Any]:
    return {
        "file": row["file"],
        "person": row["person"] or "",
        "tracker": row["tracker"] or "",
        "accuracy": _degrees(row["accuracy_deg"]),
        "loss": words.percent(math.nan if row["loss"] is None else row["loss"]),
        "grid": f"{row['rows']} x {row['columns']}",
        "reason": reason(row),
    }


def _degrees(value: float | None) -> str:
    known = value is not None and math.isfinite(value)
    return words.degrees(value if known and value is not None else math.nan)


def _group(group: Group) -> dict[str, Any]:
    low, high = group.accuracies_deg[0], group.accuracies_deg[-1]
    return {
        "name": group.name,
        "count": group.count,
        "median": _degrees(group.median_deg),
        "range": f"{_degrees(low)} to {_degrees(high)}",
    }
