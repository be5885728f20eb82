"""A report as plain frozen data: what every form of it (page, text, JSON) shows.

Nothing here works anything out: `build` does; nothing that draws does either.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibkit.geometry import Setup
from calibkit.judged.keys import UsableKeys
from calibkit.language import later

Array = NDArray[np.float64]

CAUTIONS = (
    later(
        "calibkit is not a medical device. It measures a tracker with a person on one "
        "day, not a disease and not an ability."
    ),
    later(
        "A failed or poor calibration is no evidence that somebody cannot use gaze. "
        "Seating, light, glasses, the tracker and tiredness all change it."
    ),
    later(
        "Trackers light the eyes with infrared. Follow the maker's advice, and do not "
        "point several trackers at one person."
    ),
)


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One number: its plain name, value, 95 % interval, and what it means."""

    name: str
    value: float
    low: float
    high: float
    form: str  # "degrees" or "share"
    mm: float
    meaning: str


@dataclass(frozen=True, kw_only=True)
class EyeRow:
    """The figures of one eye."""

    eye: str
    accuracy_deg: float
    precision_rms_deg: float
    precision_sd_deg: float
    loss: float


@dataclass(frozen=True, kw_only=True)
class TargetRow:
    """One check target: where, how far off, what counted."""

    number: int
    place: str
    x: float
    y: float
    accuracy_deg: float
    right_deg: float
    down_deg: float
    precision_rms_deg: float
    precision_sd_deg: float
    loss: float
    samples: int
    direction: str
    reason: str
    covariance_deg2: tuple[float, float, float]  # xx, yy, xy


@dataclass(frozen=True, kw_only=True)
class LookRow:
    """One calibration target: what the mapping made of it."""

    number: int
    place: str
    weight: float
    samples: int
    verdict: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Earlier:
    """One earlier attempt."""

    when: str
    kind: str
    protocol: str
    accuracy_deg: float
    loss: float
    rows: int
    columns: int
    kept: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Report:
    """Everything that is shown, in the order in which it is shown."""

    title: str
    made: str
    about: tuple[tuple[str, str], ...]
    headline: str
    explained: tuple[str, ...]
    sentences: tuple[str, ...]
    advice: tuple[str, ...]
    keys: UsableKeys | None
    hits: tuple[tuple[float, ...], ...]
    setup: Setup | None
    figures: tuple[Figure, ...]
    eyes: tuple[EyeRow, ...]
    targets: tuple[TargetRow, ...]
    looks: tuple[LookRow, ...]
    notes: tuple[str, ...]
    history: tuple[Earlier, ...]
    technical: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    gaze_px: tuple[Array, ...] = field(default=(), repr=False)
