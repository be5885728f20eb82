"""One ask of the pointing trial, what came of it, and what all of them say together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.geometry import Setup
from calibkit.judged import quality
from calibkit.session.pointing_dwell import Chosen
from calibkit.session.pointing_grid import Cell, Grid

Array = NDArray[np.float64]

# ISO/TS 9241-411 (method of): 4.133 standard deviations, sqrt(2 pi e), are the width
# within which 96 % of selections end.
WIDTH_SD = 4.133
FEWEST_FOR_SPREAD = 3

# What `keys_predict.predict` needs of a target.
OFFSET_DTYPE = np.dtype(
    [
        (name, "f8")
        for name in (
            *("x", "y", "accuracy_deg", "offset_x_deg", "offset_y_deg"),
            *("seconds", "effective_samples", "variance_x_deg2", "variance_y_deg2"),
        )
    ]
    + [("looked", "?")]
)


@dataclass(frozen=True, kw_only=True)
class Ask:
    """One key that was asked for.

    Parameters
    ----------
    rows, columns : int
        Of the grid.
    dwell_s : float
    aim : (row, column)
    target_px, start_px : pair of float
        Its middle, and where gaze was when it was asked for (NaN if not known).
    outcome : {"hit", "beside", "elsewhere", "none"}
        The aim was chosen; a key that touches it; one farther off; no key in time.
    seconds : float
        From its appearance to the choice, dwell included; NaN where nothing was chosen.
    gaze_px : pair of float
        Mean gaze of the dwell, NaN where nothing was chosen.
    variance_deg2, worth : pair of float, float
        Scatter of gaze within the dwell, and how many independent samples it has.
    """

    rows: int
    columns: int
    dwell_s: float
    aim: Cell
    target_px: tuple[float, float]
    start_px: tuple[float, float]
    outcome: str
    seconds: float
    gaze_px: tuple[float, float]
    variance_deg2: tuple[float, float]
    worth: float

    @property
    def hit(self) -> bool:
        """Whether the key asked for was chosen."""
        return self.outcome == "hit"


def ask_of(
    grid: Grid,
    aim: Cell,
    start_px: tuple[float, float],
    onset_s: float,
    dwell_s: float,
    chosen: Chosen | None,
) -> Ask:
    """Say what came of an ask.

    Parameters
    ----------
    grid : Grid
    aim : (row, column)
    start_px : pair of float
    onset_s, dwell_s : float
    chosen : Chosen, optional
        None when the time was up.
    """
    nowhere = (math.nan, math.nan)
    known: dict[str, Any] = {
        "rows": grid.rows,
        "columns": grid.columns,
        "dwell_s": dwell_s,
        "aim": aim,
        "target_px": grid.centre(aim),
        "start_px": start_px,
    }
    if chosen is None:
        return Ask(
            **known,
            outcome="none",
            seconds=math.nan,
            gaze_px=nowhere,
            variance_deg2=nowhere,
            worth=0.0,
        )
    middle = chosen.gaze_px.mean(axis=0)
    cov = quality.covariance_deg2(grid.setup, chosen.gaze_px)
    return Ask(
        **known,
        outcome=_outcome(aim, chosen.cell),
        seconds=chosen.time_s - onset_s,
        gaze_px=(float(middle[0]), float(middle[1])),
        variance_deg2=(float(cov[0, 0]), float(cov[1, 1])),
        worth=min(quality.effective_n(axis) for axis in chosen.gaze_px.T),
    )


def _outcome(aim: Cell, cell: Cell) -> str:
    if cell == aim:
        return "hit"
    apart = max(abs(cell[0] - aim[0]), abs(cell[1] - aim[1]))
    return "beside" if apart == 1 else "elsewhere"


def offsets(asks: Sequence[Ask], setup: Setup) -> NDArray[np.void]:
    """Where gaze fell from each aim, as rows from which key sizes are predicted.

    A choice far from the aim says that the person looked elsewhere, not how far the
    mapping is off, so only hits and neighbours are in it.
    """
    near = [ask for ask in asks if ask.outcome in ("hit", "beside")]
    rows = np.zeros(len(near), OFFSET_DTYPE)
    for row, ask in zip(rows, near, strict=True):
        off = geometry.offset_deg(setup, ask.target_px, ask.gaze_px)[0]
        row["x"], row["y"] = ask.target_px
        row["offset_x_deg"], row["offset_y_deg"] = off
        row["accuracy_deg"] = math.hypot(*off)
        row["seconds"], row["effective_samples"] = ask.dwell_s, max(ask.worth, 1.0)
        row["variance_x_deg2"], row["variance_y_deg2"] = ask.variance_deg2
        row["looked"] = True
    return rows


@dataclass(frozen=True, kw_only=True)
class Throughput:
    """Pointing throughput by the method of ISO/TS 9241-411.

    Parameters
    ----------
    bits_per_s, bits_per_s_without_dwell : float
        Mean over the grids; NaN where no grid has three selections or more.
    difficulty_bits, movement_s : float
        Means over the grids.
    selections, grids : int
        How many it rests on.
    """

    bits_per_s: float
    bits_per_s_without_dwell: float
    difficulty_bits: float
    movement_s: float
    selections: int
    grids: int


def effective_difficulty(distance: float, sd: float) -> tuple[float, float]:
    """Effective width and effective index of difficulty.

    Parameters
    ----------
    distance, sd : float
        Mean distance moved, and standard deviation of where movements end, along the
        task axis, in one unit.

    Returns
    -------
    (width in that unit, bits)

    Notes
    -----
    ISO/TS 9241-411:2012, method of: W_e = 4.133 SD, ID_e = log2(D_e / W_e + 1).
    """
    width = WIDTH_SD * sd
    return width, math.log2(distance / width + 1.0) if width > 0 else math.nan


def throughput(asks: Sequence[Ask]) -> Throughput:
    """Work out throughput grid by grid, then the mean over grids.

    Only choices near the aim count, misses included: a glance elsewhere is no movement
    towards the aim.
    """
    groups: dict[tuple[int, int], list[Ask]] = {}
    for ask in asks:
        if ask.outcome in ("hit", "beside") and math.isfinite(sum(ask.start_px)):
            groups.setdefault((ask.rows, ask.columns), []).append(ask)
    usable = [g for g in groups.values() if len(g) >= FEWEST_FOR_SPREAD]
    found = np.array([_condition(group) for group in usable]).reshape(-1, 4)
    found = found[np.isfinite(found).all(axis=1)]
    means = found.mean(axis=0) if len(found) else np.full(4, np.nan)
    return Throughput(
        bits_per_s=float(means[0]),
        bits_per_s_without_dwell=float(means[1]),
        difficulty_bits=float(means[2]),
        movement_s=float(means[3]),
        selections=sum(len(group) for group in usable),
        grids=len(found),
    )


def _condition(group: Sequence[Ask]) -> tuple[float, float, float, float]:
    start = np.array([ask.start_px for ask in group])
    aim = np.array([ask.target_px for ask in group])
    end = np.array([ask.gaze_px for ask in group])
    length = np.hypot(*(aim - start).T)
    moved = length > 0
    axis = (aim - start)[moved] / length[moved, None]
    error = ((end - aim)[moved] * axis).sum(axis=1)
    if len(error) < FEWEST_FOR_SPREAD:
        return (math.nan,) * 4
    distance = float((length[moved] + error).mean())
    _, bits = effective_difficulty(distance, float(error.std(ddof=1)))
    times = np.array([ask.seconds for ask in group])[moved]
    dwells = np.array([ask.dwell_s for ask in group])[moved]
    whole = float(times.mean())
    travel = max(float((times - dwells).mean()), 1e-9)
    return bits / whole, bits / travel, bits, whole
