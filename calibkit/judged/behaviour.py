"""What the person and the tracker did during an attempt, target by target.

Read from the recording, not from the protocol: when the look began, how much of each
eye was lost, blinks, where the head went. The mapping tells which looks were looks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel, covariate_columns, feature_sources, plain_unit
from calibkit.fitted import features, fixation, looks
from calibkit.fitted.mapping import Mapping
from calibkit.judged.assess_figures import Assessment
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

# A look of less weight in the fit than this was not believed.
BELIEVED = 0.3
# A check point so far off, and so much farther than most, was not looked at.
ELSEWHERE_DEG, ELSEWHERE_TIMES = 5.0, 4.0
# Lids shut: shorter gaps are the tracker's, longer ones are sleep or a turned head.
BLINK_S, SHUT_S = (0.06, 0.6), 0.6
# Mean distance between adults' pupils, Dodgson 2004 (Proc. SPIE 5291:36).
EYES_APART_MM = 63.0

WATCH_DTYPE = np.dtype(
    [
        ("time", "f8"),
        ("seconds", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("role", "U16"),
        ("missed", "?"),
        ("latency_s", "f8"),
        ("loss", "f8"),
        ("loss_left", "f8"),
        ("loss_right", "f8"),
        ("blinks", "i4"),
        ("head_mm", "f8", (3,)),
    ]
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Behaviour:
    """An attempt, watched.

    Parameters
    ----------
    targets : structured array, WATCH_DTYPE
        One row each time a target was shown; `time` counts from the first onset, `loss`
        is of both eyes at once, `latency_s` lasts until the look began, `head_mm` is
        the head's mean place. NaN where it is not known.
    seconds : float
        From the first target to the last: what the person gave.
    blinks_per_min, blink_s, shut : float
        How often, how long in the middle, and share of the time with lids shut.
    """

    targets: NDArray[np.void]
    seconds: float
    blinks_per_min: float
    blink_s: float
    shut: float


def watch(
    rec: Recording, mapping: Mapping | None = None, result: Assessment | None = None
) -> Behaviour:
    """Look at what happened in a recording.

    Parameters
    ----------
    rec : Recording
    mapping : Mapping, optional
        Fitted to it, for which looks it believed.
    result : Assessment, optional
        Of its check points.

    Returns
    -------
    Behaviour
    """
    rec = rec.in_time_order()
    shown = np.flatnonzero(_counted(rec))
    targets = rec.targets[shown]
    plan = features.layout(rec.channels)
    signals = features.read(plan, rec.samples, rec.setup)
    path = np.empty((0, 3)) if rec.target_path is None else rec.target_path
    sight = fixation.sight(rec.time, signals.xy, signals.extra, targets, path)
    missed = _missed(rec, shown, mapping, result)
    lost = np.asarray(~np.isfinite(signals.xy).all(axis=-1), bool)
    neither = np.asarray(lost.all(axis=0), bool)
    gaps = _gaps(rec, neither)
    head = head_mm(rec)
    rows = np.zeros(len(shown), WATCH_DTYPE)
    start_s = float(targets["onset"].min()) if len(targets) else 0.0
    for k, (row, target) in enumerate(zip(rows, targets, strict=True)):
        inside = (rec.time >= target["onset"]) & (rec.time < target["offset"])
        row["time"] = target["onset"] - start_s
        row["seconds"] = target["offset"] - target["onset"]
        row["x"], row["y"], row["role"] = target["x"], target["y"], target["role"]
        row["missed"] = missed[k]
        row["latency_s"] = _latency(rec, target, sight.seen[k])
        row["loss"] = _share(neither, inside)
        for eye in ("left", "right"):
            at = plan.names.index(eye) if eye in plan.names else None
            row[f"loss_{eye}"] = 1.0 if at is None else _share(lost[at], inside)
        row["blinks"] = sum(target["onset"] <= g[0] < target["offset"] for g in gaps)
        row["head_mm"] = _middle(head[inside])
    rows.setflags(write=False)
    return _behaviour(rec, rows, gaps, targets)


def _behaviour(
    rec: Recording,
    rows: NDArray[np.void],
    gaps: list[tuple[float, float]],
    targets: NDArray[np.void],
) -> Behaviour:
    if not len(rows):
        nothing = math.nan
        return Behaviour(
            targets=rows, seconds=0.0, blinks_per_min=nothing, blink_s=nothing, shut=0.0
        )
    first, last = float(targets["onset"].min()), float(targets["offset"].max())
    seconds = max(last - first, 1e-9)
    lasting = np.array([end - begin for begin, end in gaps])
    blinks = lasting[lasting <= SHUT_S]
    return Behaviour(
        targets=rows,
        seconds=seconds,
        blinks_per_min=60.0 * len(blinks) / seconds,
        blink_s=float(np.median(blinks)) if len(blinks) else math.nan,
        shut=float(min(1.0, lasting.sum() / seconds)),
    )


def _counted(rec: Recording) -> NDArray[np.bool_]:
    """Targets that were shown for good, or that nobody looked at.

    Those that the operator left out or that were broken off say nothing of the person.
    """
    unseen = [time_s for time_s, text in rec.events if text.endswith(": no look")]
    stamps = np.array(unseen).reshape(1, -1)
    near = np.abs(rec.targets["offset"][:, None] - stamps) < 0.05
    return (rec.targets["kept"] != 0) | near.any(axis=1)


def _missed(
    rec: Recording,
    shown: NDArray[np.intp],
    mapping: Mapping | None,
    result: Assessment | None,
) -> NDArray[np.bool_]:
    unseen = [time_s for time_s, text in rec.events if text.endswith(": no look")]
    stamps = np.array(unseen).reshape(1, -1)
    near = np.abs(rec.targets["offset"][:, None] - stamps) < 0.05
    missed: NDArray[np.bool_] = near.any(axis=1)
    if mapping is not None:
        for look in mapping.looks:
            if rec.targets["kept"][look["target"]] and look["weight"] < BELIEVED:
                missed[look["target"]] = True
    if result is not None:
        missed |= _elsewhere(rec, result)
    return missed[shown]


def _elsewhere(rec: Recording, result: Assessment) -> NDArray[np.bool_]:
    """Check points far off while most are not."""
    which = (rec.targets["role"] == result.role) & (rec.targets["kept"] != 0)
    found = np.zeros(len(which), bool)
    off = result.targets["accuracy_deg"]
    known = off[np.isfinite(off)]
    if which.sum() != len(off) or len(known) < 3:
        return found
    far = max(ELSEWHERE_DEG, ELSEWHERE_TIMES * float(np.median(known)))
    with np.errstate(invalid="ignore"):
        found[which] = (off > far) | ~result.targets["looked"]
    return found


def _latency(rec: Recording, target: np.void, seen: looks.Seen) -> float:
    """Time until the look began; NaN where gaze was there before, or a key ended it."""
    if str(target["advance"]) == "key" or not np.isfinite(target["x"]):
        return math.nan
    if not seen.looks or not len(seen.looks[0].rows):
        return math.nan
    waited = float(rec.time[seen.looks[0].rows[0]] - target["onset"])
    return waited if waited > 2.0 * fixation.BIN_S else math.nan


def _share(lost: NDArray[np.bool_], inside: NDArray[np.bool_]) -> float:
    return float(lost[inside].mean()) if inside.any() else 1.0


def _gaps(rec: Recording, gone: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Times without any eye, as long as a blink or longer, while targets were shown."""
    if not len(gone) or not len(rec.targets):
        return []
    change = np.flatnonzero(np.diff(np.concatenate([[0], gone, [0]]).astype(int)))
    last = len(rec.time) - 1
    found = []
    for begin, end in change.reshape(-1, 2):
        gap = (float(rec.time[begin]), float(rec.time[min(end, last)]))
        if gap[1] - gap[0] >= BLINK_S[0]:
            found.append(gap)
    onset, offset = rec.targets["onset"].min(), rec.targets["offset"].max()
    return [gap for gap in found if onset <= gap[0] < offset]


def _middle(values: Array) -> Array:
    """Median per column, NaN where a column is empty."""
    known = [column[np.isfinite(column)] for column in values.T]
    return np.array([np.median(k) if len(k) else np.nan for k in known])


def head_mm(rec: Recording) -> Array:
    """Where the head was, (n, 3) mm from anywhere: right, down, away; NaN if unknown.

    From eye positions in millimetres; else from both eyes in one camera's picture,
    taking the distance between them as `EYES_APART_MM`. Pupils without reflexes move
    with the eyes, and may be given within each eye's own frame, so they tell nothing.
    """
    positions = _positions(rec)
    return _from_picture(rec) if positions is None else positions


def _positions(rec: Recording) -> Array | None:
    columns = covariate_columns(rec.channels).get("position", ())
    found = np.full((len(rec.time), 3), np.nan)
    for axis, name in enumerate("xyz"):
        mine = [c for c in columns if _is_mm(rec.channels[c], f"position{name}")]
        if mine:
            values = np.asarray(rec.samples[:, mine], float)
            there = np.isfinite(values)
            number = np.where(there.any(axis=1), there.sum(axis=1), np.nan)
            found[:, axis] = np.where(there, values, 0.0).sum(axis=1) / number
    return found if np.isfinite(found).any() else None


def _is_mm(channel: Channel, kind: str) -> bool:
    return channel.type.lower() == kind and plain_unit(channel.unit) == "mm"


def _from_picture(rec: Recording) -> Array:
    found = np.full((len(rec.time), 3), np.nan)
    sources = feature_sources(rec.channels)
    if not {"left", "right"} <= set(sources):
        return found
    eyes = []
    for eye in ("left", "right"):
        source = sources[eye]
        if source.kind != "pupil-reflex":
            return found
        use = list(source.columns[2:4])  # reflexes hardly move with the eye
        eyes.append(np.asarray(rec.samples[:, use], float))
    apart = np.hypot(*(eyes[0] - eyes[1]).T)
    usual = (
        float(np.median(apart[np.isfinite(apart)])) if np.isfinite(apart).any() else 0
    )
    if usual <= 0.0:
        return found
    scale = EYES_APART_MM / usual
    found[:, :2] = scale * 0.5 * (eyes[0] + eyes[1])
    with np.errstate(divide="ignore"):
        found[:, 2] = rec.setup.distance_mm * usual / apart
    return found
