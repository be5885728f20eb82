"""The summary of a batch as one self-contained page, in plain words first.

Why a recording could not be judged stays in English, as the table and refusals are.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Any

from calibkit.batch import strips
from calibkit.batch.columns import CHECKED, Row
from calibkit.batch.summary import Group, Summary
from calibkit.language import _, plural
from calibkit.report import page, words
from calibkit.report.data import CAUTIONS

MOST_STRIPS = 30
MOST_TROUBLES = 30
MUCH_LOSS = 0.3
ONE_WAY = 0.7  # of the error; then all targets are missed to the same side


def render(summary: Summary, about: Sequence[tuple[str, str]]) -> str:
    """Make the whole page, in the language that is spoken.

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
    people = sorted(summary.people, key=lambda g: (-g.median_deg, g.name))
    troubles = summary.troubles
    return page.filled(
        page.companion("calibkit.batch", "summary_page.html"),
        title=_("Many recordings, judged"),
        about=about,
        headline=headline(summary),
        sentences=sentences(summary),
        troubles=troubles[:MOST_TROUBLES],
        more=_more(len(troubles) - MOST_TROUBLES),
        groups=[
            _part(_("Accuracy by tracker"), _("Tracker"), summary.trackers),
            _part(_("Accuracy by person"), _("Person"), people),
        ],
        worst=[_line(row) for row in summary.worst],
        cautions=[_(text) for text in CAUTIONS],
    )


def headline(summary: Summary) -> str:
    """Say in one line what came of it."""
    files = plural(
        "{number} recording", "{number} recordings", summary.files - summary.other
    )
    if summary.judged == summary.files - summary.other:
        return _("Judged: all of {files}.").format(files=files)
    return _("Judged: {judged} of {files}.").format(judged=summary.judged, files=files)


def sentences(summary: Summary) -> tuple[str, ...]:
    """Say how far off gaze was, how that was found, and what is not in the figures."""
    found = []
    known = [v for g in summary.people for v in g.accuracies_deg]
    if known:
        found.append(
            _(
                "In half of them the gaze point lies, on average, no more than "
                "{degrees} away from what the person looks at."
            ).format(degrees=_degrees(statistics.median(known)))
        )
    return (*found, *_methods(summary), *_beside(summary))


def _methods(summary: Summary) -> list[str]:
    found = []
    checked = summary.methods.get(CHECKED, 0)
    alone = sum(summary.methods.values()) - checked
    if checked:
        found.append(
            plural(
                "{number} recording had check targets: calibration targets fitted, "
                "check targets judged.",
                "{number} recordings had check targets: calibration targets fitted, "
                "check targets judged.",
                checked,
            )
        )
    if alone:
        found.append(
            plural(
                "{number} recording had none: there each calibration target was judged "
                "by a mapping fitted without it. That is a weaker check.",
                "{number} recordings had none: there each calibration target was "
                "judged by a mapping fitted without it. That is a weaker check.",
                alone,
            )
        )
    return found


def _beside(summary: Summary) -> list[str]:
    found = []
    if summary.copies:
        found.append(
            plural(
                "{number} file is a copy of another one. It has its row, and does not "
                "count again in what follows.",
                "{number} files are copies of other ones. They have their rows, and do "
                "not count again in what follows.",
                summary.copies,
            )
        )
    if summary.other:
        found.append(
            plural(
                "{number} other file of calibkit, such as a mapping, is left out.",
                "{number} other files of calibkit, such as mappings, are left out.",
                summary.other,
            )
        )
    return found


def reason(row: Row) -> str:
    """Say in plain words why a recording is far off, and what to do.

    Parameters
    ----------
    row : dict
        A row of the table that was judged.

    Returns
    -------
    str
    """
    found = []
    loss, missed = row["loss"] or 0.0, row["targets"] - row["targets_looked_at"]
    if loss >= MUCH_LOSS:
        found.append(
            _(
                "{share} of the samples were lost. Check light, glasses and seating, "
                "and whether the tracker sees both eyes."
            ).format(share=words.percent(loss))
        )
    if missed:
        found.append(
            plural(
                "At {number} check target no steady look was found. Show it again.",
                "At {number} check targets no steady look was found. Show them again.",
                missed,
            )
        )
    right, down = row["offset_right_deg"], row["offset_down_deg"]
    one_way = right is not None and (
        math.hypot(right, down) >= ONE_WAY * row["accuracy_deg"]
    )
    if one_way:
        found.append(
            _(
                "Gaze lies to one side everywhere: {direction}. One look at one target "
                "corrects that (protocol offset)."
            ).format(direction=words.direction(right, down))
        )
    return " ".join(found) or _(
        "The error points to another side at each target. More calibration targets, or "
        "a shared mapping (--shared), may help."
    )


def _part(title: str, kind: str, groups: Sequence[Group]) -> dict[str, Any]:
    from markupsafe import Markup

    shown = groups[:MOST_STRIPS]
    less = _("Shown are the {shown} of {count} whose median is largest.")
    return {
        "title": title,
        "kind": kind,
        "rows": [_group(group) for group in shown],
        "picture": Markup(strips.picture(shown, title)),
        "less": less.format(shown=len(shown), count=len(groups))
        if len(groups) > len(shown)
        else "",
    }


def _group(group: Group) -> dict[str, Any]:
    low, high = group.accuracies_deg[0], group.accuracies_deg[-1]
    return {
        "name": group.name,
        "count": group.count,
        "median": _degrees(group.median_deg),
        "range": _("{low} to {high}").format(low=_degrees(low), high=_degrees(high)),
    }


def _line(row: Row) -> dict[str, Any]:
    return {
        "file": row["file"],
        "whose": ", ".join(filter(None, (row["person"], row["tracker"]))),
        "accuracy": _degrees(row["accuracy_deg"]),
        "loss": words.percent(math.nan if row["loss"] is None else row["loss"]),
        "grid": f"{row['rows']} x {row['columns']}",
        "reason": reason(row),
    }


def _more(number: int) -> str:
    if number <= 0:
        return ""
    return plural(
        "And {number} more reason; the table has it.",
        "And {number} more reasons; the table has them all.",
        number,
    )


def _degrees(value: float | None) -> str:
    known = value is not None and math.isfinite(value)
    return words.degrees(value if known and value is not None else math.nan)
