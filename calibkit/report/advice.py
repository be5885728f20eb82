"""What the reader should know before trusting an assessment, one sentence or two each.

The limits are common practice without a source, except where one is named.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.judged.assess_figures import Assessment
from calibkit.judged.assess_looks import ELSEWHERE_DEG, MOST_ELSEWHERE
from calibkit.judged.keys import UsableKeys, usable_keys
from calibkit.language import _, plural
from calibkit.report import words

FEW_TARGETS = 5
MUCH_LOSS = 0.3
FAR_DEG = 3.0
FAR_TIMES = 4.0
BETTER_EYE_DEG = 0.3


def advice(result: Assessment, keys: UsableKeys) -> tuple[str, ...]:
    """Say what limits this result, the most important first.

    Parameters
    ----------
    result : Assessment
    keys : UsableKeys
        What was worked out from it.

    Returns
    -------
    tuple of str
        Empty when nothing stands out.
    """
    found = [
        *_unseen(result),
        *astray(result),
        *_far(result, keys),
        *_lost(result),
        *_few(result),
        *_outside(result, keys),
        *_one_eye(result),
        *_rate(result),
    ]
    return tuple(found)


def _places(result: Assessment, which: NDArray[np.bool_]) -> str:
    names = [
        f"{k + 1} ({words.place(result.setup, row['x'], row['y'])})"
        for k, row in enumerate(result.targets)
        if which[k]
    ]
    return ", ".join(names)


def _unseen(result: Assessment) -> list[str]:
    nothing = result.targets["samples"] == 0
    unseen = nothing & (result.targets["loss"] >= 1)
    away = nothing & ~unseen
    missed = ~result.targets["looked"] & ~nothing
    found = []
    if unseen.any():
        found.append(
            _(
                "No gaze was seen at target {places}. Keys there have not been tested; "
                "show these targets again."
            ).format(places=_places(result, unseen))
        )
    if away.any():
        found.append(
            _(
                "At target {places} gaze stayed far away, and the others were well "
                "met. It does not count: the person may have looked elsewhere, or the "
                "tracker may fail there. Show it again."
            ).format(places=_places(result, away))
        )
    if missed.any():
        found.append(
            _(
                "No steady look was found at target {places}. These targets do not "
                "count towards the key size; show them again."
            ).format(places=_places(result, missed))
        )
    return found


def left_out(result: Assessment) -> tuple[str, ...]:
    """Say which targets do not count since gaze stayed away, for the operator."""
    rows = result.targets[
        (result.targets["samples"] == 0) & (result.targets["loss"] < 1)
    ]
    if not len(rows):
        return ()
    names = [words.place(result.setup, row["x"], row["y"]) for row in rows]
    return (
        _(
            "Left out of this: {places}. Gaze stayed far from there, and the other "
            "check targets were well met. The person may have looked elsewhere, or the "
            "tracker may fail there; calibkit validate tells."
        ).format(places=", ".join(dict.fromkeys(names))),
    )


def astray(result: Assessment) -> tuple[str, ...]:
    """Say that gaze was far from so many targets that it cannot be told why."""
    rows = result.targets[np.isfinite(result.targets["accuracy_deg"])]
    far = int((rows["accuracy_deg"] > ELSEWHERE_DEG).sum())
    if not far > MOST_ELSEWHERE * len(rows):
        return ()
    return (
        _(
            "Gaze was more than {away:.0f}° away from {far} of {targets} check "
            "targets. Either the person looked elsewhere, and then this says nothing "
            "of the mapping, or it does not fit. After a rest, calibkit validate tells."
        ).format(away=ELSEWHERE_DEG, far=far, targets=len(rows)),
    )


def _far(result: Assessment, keys: UsableKeys) -> list[str]:
    """Targets so far off that a glance elsewhere is likelier than the tracker."""
    off = result.targets["accuracy_deg"]
    known = np.isfinite(off) & result.targets["looked"]
    if known.sum() < 3:
        return []
    with np.errstate(invalid="ignore"):
        far = known & (off > max(FAR_DEG, FAR_TIMES * float(np.median(off[known]))))
    if not far.any() or far.sum() * 3 > known.sum():
        return []
    rest = replace(result, targets=result.targets[~far])
    without = usable_keys(rest, setup=result.setup, reliability=keys.reliability)
    return [
        _(
            "Target {places} is far off, the others are not. The person may have "
            "looked elsewhere, or the tracker may fail there. Show it again. Without "
            "it, {rows} x {columns} keys (rows x columns) would be reliable."
        ).format(
            places=_places(result, far), rows=without.rows, columns=without.columns
        )
    ]


def _lost(result: Assessment) -> list[str]:
    if not MUCH_LOSS <= result.loss < 1:
        return []
    if words.too_slow(result.loss, result.absent):
        return [
            _(
                "{share} of the samples are missing, and most of them never came. "
                "Close other programs on this computer and on the tracker's, or lower "
                "the tracker's rate."
            ).format(share=words.percent(result.loss))
        ]
    return [
        _(
            "{share} of the samples were lost. Check light, glasses and seating, and "
            "whether the tracker sees both eyes."
        ).format(share=words.percent(result.loss))
    ]


def _few(result: Assessment) -> list[str]:
    number = int(np.isfinite(result.targets["accuracy_deg"]).sum())
    if number >= FEW_TARGETS or number == 0:
        return []
    return [
        plural(
            "Only {number} check target counted. More of them remove doubt, and often "
            "allow smaller keys.",
            "Only {number} check targets counted. More of them remove doubt, and often "
            "allow smaller keys.",
            number,
        )
    ]


def _outside(result: Assessment, keys: UsableKeys) -> list[str]:
    known = result.targets[np.isfinite(result.targets["accuracy_deg"])]
    if not keys.rows or keys.rows * keys.columns == 1 or not len(known):
        return []
    sides = []
    edges = (("x", _("left"), _("right")), ("y", _("top"), _("bottom")))
    for name, low, high in edges:
        size = result.setup.screen_px[name == "y"]
        parts = keys.columns if name == "x" else keys.rows
        first, last = size / parts / 2, size - size / parts / 2
        if known[name].min() > first + size / 6:
            sides.append(low)
        if known[name].max() < last - size / 6:
            sides.append(high)
    if not sides:
        return []
    return [
        _(
            "Nothing was checked near the edge of the screen: {sides}. What is said of "
            "keys there is an estimate from the other targets."
        ).format(sides=", ".join(sides))
    ]


def _one_eye(result: Assessment) -> list[str]:
    both = result.accuracy_deg
    seen = [eye for eye in ("left", "right") if result.eyes[eye].loss < 1]
    if len(seen) == 1:
        return [
            _(
                "Only the {eye} eye was seen. If the other eye is used too, check that "
                "the tracker sees it."
            ).format(eye=_(seen[0]))
        ]
    for eye, other in (("left", "right"), ("right", "left")):
        alone = result.eyes[eye].accuracy_deg
        if both - alone > BETTER_EYE_DEG and result.eyes[eye].loss < result.loss + 0.1:
            return [
                _(
                    "The {eye} eye alone is closer ({alone}) than both together "
                    "({both}). Calibrating with the {eye} eye only may help; the "
                    "{other} eye may point elsewhere."
                ).format(
                    eye=_(eye),
                    other=_(other),
                    alone=words.degrees(alone),
                    both=words.degrees(both),
                )
            ]
    return []


def _rate(result: Assessment) -> list[str]:
    if not result.measured_rate_hz < 0.9 * result.rate_hz:
        return []
    return [
        _(
            "The tracker promises {promised:.0f} samples a second and sent {sent:.0f}. "
            "The loss shown counts the missing ones."
        ).format(promised=result.rate_hz, sent=result.measured_rate_hz)
    ]
