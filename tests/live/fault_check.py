"""The judge of a run with faults: looks only at what went in and what came out.

Source: the requirement for live gaze under faults. Every row is one known mapping
applied to one input sample; in order; no older than 150 ms beyond the stream's own
delay; never non-finite where it says valid; no gap over 500 ms while a tracker lives,
nor over 300 ms after kill -9 of the publisher.
How long the machine itself stood still, or let the programs wait for a processor, as
measured beside, is no fault of the publisher's and is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.mapping_live import live

if TYPE_CHECKING:
    from fault_world import World

Array = NDArray[np.float64]
STAMP, ARRIVAL, X, VALID, SEQUENCE, MAPPING, CONNECTION = 0, 1, 2, 6, 7, 8, 9
GAP_S, RESTART_S, AGE_S = 0.5, 0.3, 0.150
WAY_S = 0.1  # from the tracker's call to this reader's clock, on a busy machine
ALIVE_S = 0.1  # a tracker that sends nothing for longer is not alive


@dataclass
class Verdict:
    """What was found, and what breaks the requirement."""

    rows: int = 0
    mappings: int = 0
    gaps_s: list[float] = field(default_factory=list)
    worker_gaps_s: list[float] = field(default_factory=list)
    restart_gaps_s: list[float] = field(default_factory=list)
    oldest_s: float = 0.0
    late: int = 0  # rows older than that without any allowance for the way
    faults: list[str] = field(default_factory=list)
    excused: list[str] = field(default_factory=list)
    kinds: dict[str, int] = field(default_factory=dict)

    def text(self) -> str:
        gaps = np.array(self.gaps_s or [0.0])
        kinds = ", ".join(f"{n} {name}" for name, n in sorted(self.kinds.items()))
        return (
            f"{self.rows} rows of {self.mappings} mappings through "
            f"{sum(self.kinds.values())} faults ({kinds}); "
            f"violations {len(self.faults)}; oldest beyond its delay "
            f"{self.oldest_s * 1e3:.0f} ms, {self.late} rows more than "
            f"{AGE_S * 1e3:.0f} ms; gaps while a tracker lives: max "
            f"{gaps.max() * 1e3:.0f} ms; the machine's own: {len(self.excused)}; "
            f"after kill -9 of the worker: "
            f"{_spread(self.worker_gaps_s)}; of its parent too: "
            f"{_spread(self.restart_gaps_s)}"
        )


def _spread(gaps_s: list[float]) -> str:
    if not gaps_s:
        return "none"
    middle, most = 1e3 * np.median(gaps_s), 1e3 * np.max(gaps_s)
    return f"{len(gaps_s)}, median {middle:.0f} ms, max {most:.0f} ms"


def check(world: World, rows: Array) -> Verdict:
    inputs = world.inputs()
    found = Verdict(rows=len(rows), mappings=len(set(rows[:, MAPPING])))
    for _, name in world.done:
        found.kinds[name] = found.kinds.get(name, 0) + 1
    by_stamp = {stamp: k for k, stamp in enumerate(inputs[:, 0].tolist())}
    assert len(by_stamp) == len(inputs)
    maps = {number: live(mapping) for number, mapping in world.mappings.items()}
    offsets = np.zeros(len(rows))
    for k, row in enumerate(rows):
        place = by_stamp.get(row[STAMP])
        number = int(row[MAPPING])
        if place is None or number not in maps:
            found.faults.append(f"row {k}: no input or mapping is its source: {row}")
            continue
        offsets[k] = inputs[place, 2]
        want = maps[number](inputs[place, 3:].tolist())
        if not np.array_equal(row[X : X + 4], want, equal_nan=True):
            found.faults.append(f"row {k}: {row[X : X + 4]} instead of {want}")
        if row[VALID] != float(np.isfinite(row[X : X + 4]).all()):
            found.faults.append(f"row {k}: valid is {row[VALID]} of {row[X : X + 4]}")
    ages = rows[:, ARRIVAL] - (rows[:, STAMP] - offsets)
    found.oldest_s, found.late = float(ages.max()), int((ages > AGE_S).sum())
    for k in np.flatnonzero(ages > AGE_S + WAY_S):
        at = rows[k, ARRIVAL]
        lost_s = world.probe.lost_s(at - ages[k], at)
        text = f"row {k} is {ages[k] * 1e3:.0f} ms old, {lost_s * 1e3:.0f} ms of it "
        late = ages[k] - lost_s > AGE_S + WAY_S
        (found.faults if late else found.excused).append(text + "without a processor")
    _order(rows, offsets, found)
    _gaps(world, rows, found)
    return found


def _order(rows: Array, offsets: Array, found: Verdict) -> None:
    real = rows[:, STAMP] - offsets
    twice = len(rows) - len(np.unique(rows[:, STAMP]))
    if twice:
        found.faults.append(f"{twice} samples were published twice")
    # A publisher that was started again numbers from 0, and who connects late does not
    # get its first rows: only one connection's numbers have to follow each other.
    step, same = np.diff(rows[:, SEQUENCE]), np.diff(rows[:, CONNECTION]) == 0
    for k in np.flatnonzero((step != 1) & same):
        found.faults.append(f"rows {k} to {k + 1}: sequence steps by {step[k]}")
    for k in np.flatnonzero((np.diff(real) <= 0) & same):
        found.faults.append(f"rows {k} and {k + 1} are out of order")


def alive(world: World) -> list[tuple[float, float]]:
    """Return the times in which exactly one tracker of the right kind sent samples."""
    spans = []
    for path in world.logs:
        if path.exists() and path.stat().st_size:
            wide = 3 + world.width
            data = np.fromfile(path)
            sent = data[: len(data) // wide * wide].reshape(-1, wide)[:, 1]
            ends = np.flatnonzero(np.diff(sent) > ALIVE_S)
            edges = (
                np.concatenate([[0], ends + 1]),
                np.concatenate([ends, [len(sent) - 1]]),
            )
            spans += [(sent[a], sent[b]) for a, b in zip(*edges, strict=True)]
    return spans


def _gaps(world: World, rows: Array, found: Verdict) -> None:
    at = rows[:, ARRIVAL]
    spans = alive(world)
    kills = {
        which: np.array([t for t, name in world.done if name == f"kill_{which}"])
        for which in ("publisher", "worker")
    }
    found.restart_gaps_s = _restarts(world, kills["publisher"], at, spans, found)
    found.worker_gaps_s = _restarts(world, kills["worker"], at, spans, found)
    ended = np.concatenate(list(kills.values()))
    for k, (start, end) in enumerate(spans):
        others = [s for j, s in enumerate(spans) if j != k]
        inside = at[(at > max(start, at[0])) & (at < end)]
        marks = [max(start, at[0]), *inside.tolist(), max(end, at[0])]
        for a, b in pairwise(marks):
            # A tracker that halts meanwhile does not make a gap another one.
            since = at[max(np.searchsorted(at, a, side="right") - 1, 0)]
            if ((ended > since - 0.05) & (ended < b)).any():
                continue
            if any(s < b and e > a for s, e in others):
                continue  # two of one name: which is meant nobody knows
            found.gaps_s.append(b - a)
            if b - a <= GAP_S:
                continue
            _told(world, a, b, b - a, GAP_S, found)


def _told(
    world: World, a: float, b: float, gap_s: float, most_s: float, found: Verdict
) -> None:
    """Note a gap as a fault, or as the machine's own."""
    lost_s = world.probe.lost_s(a, b)
    last = [f"{name} {b - t:.2f} s before" for t, name in world.done if t < b]
    text = f"no gaze for {gap_s * 1e3:.0f} ms at {a:.2f} after {last[-3:]}"
    text += f", {lost_s * 1e3:.0f} ms of it without a processor"
    (found.faults if gap_s - lost_s > most_s else found.excused).append(text)


def _restarts(
    world: World,
    kills: Array,
    at: Array,
    spans: list[tuple[float, float]],
    found: Verdict,
) -> list[float]:
    gaps = around(kills, at, spans)
    for a, b, gap_s in gaps:
        if gap_s > RESTART_S:
            _told(world, a, b, gap_s, RESTART_S, found)
    return [gap_s for _, _, gap_s in gaps]


def around(
    kills: Array, at: Array, spans: list[tuple[float, float]]
) -> list[tuple[float, float, float]]:
    """When no row came as these happened, and for how long a tracker lived then."""
    gaps = []
    for kill in kills:
        k = int(np.searchsorted(at, kill + WAY_S / 2))  # what was on its way still came
        if 0 < k < len(at):
            a, b = at[k - 1], at[k]
            lived_s = sum(max(min(e, b) - max(s, a), 0.0) for s, e in spans)
            gaps.append((a, b, min(lived_s, b - a)))
    return gaps
