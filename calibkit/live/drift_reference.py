"""What a person's signal was like at the calibration, to compare later gaze with.

Medians over short blocks: head place and turning, pupil size, noise, loss. Small enough
to be kept as text beside a mapping.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel, missing, plain_unit
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.live import signals_head, signals_measure

if TYPE_CHECKING:
    from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

NAME = "reference"
BLOCK_S = 2.0
_FEWEST_SHARE = 0.2  # a block with fewer samples seen tells nothing


@dataclass(frozen=True, kw_only=True)
class Level:
    """One figure's usual level.

    Parameters
    ----------
    mean, sd : float
        Over blocks.
    unit : str
        As the stream gives it.
    mm : float
        Millimetres per unit, NaN where unknown.
    """

    mean: float
    sd: float
    unit: str
    mm: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Reference:
    """Levels by name: "distance", "side", "height", "yaw", "pupil", "noise left"."""

    levels: Mapping[str, Level]

    @property
    def goals(self) -> dict[str, float]:
        """Where the head was, for `signals.judge`."""
        return {
            name: level.mean
            for name, level in self.levels.items()
            if name in signals_head.PLACES
        }

    def to_text(self) -> str:
        """Return it as one line of JSON."""
        plain = {
            name: [_short(v) for v in (level.mean, level.sd, level.mm)] + [level.unit]
            for name, level in self.levels.items()
        }
        return json.dumps(plain, separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_text(cls, text: str) -> Reference:
        """Read it again.

        Raises
        ------
        InputError
            When the text is damaged.
        """
        try:
            levels = {
                str(name): Level(
                    mean=_number(mean), sd=_number(sd), mm=_number(mm), unit=str(unit)
                )
                for name, (mean, sd, mm, unit) in json.loads(text).items()
            }
        except (ValueError, TypeError, AttributeError) as error:
            raise InputError(
                f"the signal's levels at calibration are damaged ({error}); make a "
                "new calibration"
            ) from error
        return cls(levels=levels)


def _short(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _number(value: float | None) -> float:
    if value is not None and not isinstance(value, int | float):
        raise TypeError(f"{value!r:.40} is no number")
    return math.nan if value is None else float(value)


def levels(
    time: Array,
    samples: NDArray[np.floating],
    channels: Sequence[Channel],
    setup: Setup,
) -> dict[str, Level]:
    """Levels of one block of samples; each sd is 0.

    Parameters
    ----------
    time : array (n,), s
    samples : array (n, c)
    channels : sequence of Channel
    setup : Setup

    Returns
    -------
    dict of Level
        What cannot be told of this block is left out.
    """
    table = np.asarray(samples, float)
    found: dict[str, Level] = {}
    lost = missing(table, channels, setup)
    for name, axis in signals_head.axes(table, channels, setup, lost).items():
        _put(found, name, axis.values, axis.unit, axis.mm)
    _pupil(found, table, channels)
    for eye in signals_measure.spreads(time, table, channels, setup, lost):
        if math.isfinite(eye.sd):
            found[f"noise {eye.eye}"] = Level(mean=eye.sd, sd=0.0, unit=eye.noise_unit)
        found[f"loss {eye.eye}"] = Level(mean=eye.loss, sd=0.0, unit="share")
    return found


def _pupil(found: dict[str, Level], table: Array, channels: Sequence[Channel]) -> None:
    """Both eyes' pupils as one level: light changes them together."""
    columns = [k for k, c in enumerate(channels) if c.type.lower() == "diameter"]
    if not columns:
        return
    width = table[:, columns]
    there = np.isfinite(width) & (width > 0)
    total, count = np.where(there, width, 0.0).sum(axis=1), there.sum(axis=1)
    mean = np.where(count > 0, total, math.nan) / np.maximum(count, 1)
    unit, apart = plain_unit(channels[columns[0]].unit), found.get("distance")
    if unit == "px" and apart is not None and apart.unit == "relative":
        # A nearer eye looks larger: the pupil against the eyes' distance.
        mean, unit = mean * apart.mean, "of the eyes' distance"
    _put(found, "pupil", mean, unit, math.nan)


def _put(
    found: dict[str, Level], name: str, values: Array, unit: str, mm: float
) -> None:
    known = values[np.isfinite(values)]
    if len(known) > _FEWEST_SHARE * len(values):
        mean = signals_head.middle(known)
        found[name] = Level(mean=mean, sd=0.0, unit=unit, mm=mm)


def reference(rec: Recording) -> Reference:
    """Work out the levels of a recording, while its targets were shown.

    Parameters
    ----------
    rec : Recording

    Returns
    -------
    Reference
        Empty where the recording has no targets or tells nothing.
    """
    rec = rec.in_time_order()
    blocks = [
        levels(rec.time[part], rec.samples[part], rec.channels, rec.setup)
        for part in _parts(rec)
    ]
    names = dict.fromkeys(name for block in blocks for name in block)
    return Reference(levels={name: _joined(blocks, name) for name in names})


def noted(source: Mapping[str, str], rec: Recording) -> dict[str, str]:
    """Add the levels of a recording to a mapping's `source`.

    Parameters
    ----------
    source : mapping
    rec : Recording
        The last that the mapping was fitted to.
    """
    found = reference(rec)
    return {**source, **({NAME: found.to_text()} if found.levels else {})}


def of(source: Mapping[str, str]) -> Reference | None:
    """Return the levels that a mapping's `source` holds, or None.

    Raises
    ------
    InputError
        When they are damaged.
    """
    text = source.get(NAME, "")
    return Reference.from_text(text) if text else None


def _parts(rec: Recording) -> list[slice]:
    """Blocks of the time from the first target to the last one's end."""
    ends = rec.targets["offset"][np.isfinite(rec.targets["offset"])]
    starts = rec.targets["onset"][np.isfinite(rec.targets["onset"])]
    if not len(ends) or not len(starts):
        return []
    start, end = float(starts.min()), float(ends.max())
    count = max(1, round((end - start) / BLOCK_S))
    edges = np.searchsorted(rec.time, np.linspace(start, end, count + 1))
    pairs = itertools.pairwise(edges)
    return [slice(int(a), int(b)) for a, b in pairs if b > a]


def _joined(blocks: Sequence[Mapping[str, Level]], name: str) -> Level:
    every = [block[name] for block in blocks if name in block]
    units = [level.unit for level in every]
    # A block that lacked the distance tells the pupil in pixels: the usual unit counts.
    unit = max(dict.fromkeys(units), key=units.count)
    mine = [level for level in every if level.unit == unit]
    means = np.array([level.mean for level in mine])
    # Pixels per mm change with the block's own distance: the middle one is kept.
    return Level(
        mean=float(np.median(means)),
        sd=float(np.std(means, ddof=1)) if len(means) > 1 else 0.0,
        unit=unit,
        mm=float(np.median([level.mm for level in mine])),
    )
