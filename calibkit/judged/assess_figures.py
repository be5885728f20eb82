"""What an assessment says: figures with intervals, per eye and target, and their copy.

An assessment can be kept as plain data (JSON) beside a mapping and be read back years
later; the samples are not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.judged import quality

Array = NDArray[np.float64]

TARGET_FIELDS = [
    ("x", "f8"),
    ("y", "f8"),
    ("accuracy_deg", "f8"),
    ("offset_x_deg", "f8"),
    ("offset_y_deg", "f8"),
    ("precision_rms_deg", "f8"),
    ("precision_sd_deg", "f8"),
    ("loss", "f8"),
    ("samples", "i8"),
    # Beyond the contract: what the key size and the drawn ellipse need.
    ("seconds", "f8"),
    ("effective_samples", "f8"),
    ("variance_x_deg2", "f8"),
    ("variance_y_deg2", "f8"),
    ("covariance_deg2", "f8"),
    ("looked", "?"),
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Figures:
    """Session figures of one eye, or of both together, and their targets.

    `accuracy_deg` and both precisions are means over the targets that have one; `loss`
    is the share of all samples expected. `..._low` and `..._high` bound the mean with
    95 % confidence (Student's t over targets); with one target they are NaN.
    """

    accuracy_deg: float
    accuracy_low_deg: float
    accuracy_high_deg: float
    accuracy_median_deg: float
    accuracy_max_deg: float
    precision_rms_deg: float
    precision_rms_low_deg: float
    precision_rms_high_deg: float
    precision_sd_deg: float
    precision_sd_low_deg: float
    precision_sd_high_deg: float
    loss: float
    loss_low: float
    loss_high: float
    targets: NDArray[np.void] = field(repr=False)


@dataclass(frozen=True, kw_only=True, eq=False)
class Assessment(Figures):
    """A mapping's answer on the targets of one role, judged.

    Parameters
    ----------
    eyes : dict of Figures
        "left", "right" and "both"; an eye that the tracker lacks has loss 1 and NaN.
    reasons : tuple of str
        Per target, in plain words, which samples counted.
    gaze_px : tuple of array (k, 2)
        Per target, the gaze that counted; empty when taken from a snapshot.
    setup : Setup
    role : str
    rate_hz, measured_rate_hz : float
        The rate that loss was counted against, and what the time stamps say.
    absent : float
        Share of all samples expected that never came, and are part of the loss; the
        rest of it came without an eye. NaN where that was not kept.
    """

    eyes: dict[str, Figures] = field(repr=False)
    reasons: tuple[str, ...] = field(repr=False)
    gaze_px: tuple[Array, ...] = field(repr=False)
    setup: Setup
    role: str
    rate_hz: float
    measured_rate_hz: float
    absent: float = math.nan

    def snapshot(self) -> dict[str, Any]:
        """Everything but the samples, as plain data that JSON can hold."""
        return {
            "role": self.role,
            "rate_hz": self.rate_hz,
            "measured_rate_hz": self.measured_rate_hz,
            "absent": None if math.isnan(self.absent) else self.absent,
            "reasons": list(self.reasons),
            "setup": {
                name: getattr(self.setup, name) for name in geometry.SETUP_FIELDS
            },
            "eyes": {
                eye: _plain_rows(f.targets, f.loss) for eye, f in self.eyes.items()
            },
        }

    @classmethod
    def from_snapshot(cls, kept: dict[str, Any]) -> Assessment:
        """Rebuild an assessment from its snapshot.

        Parameters
        ----------
        kept : dict
            As `snapshot` gave it, also after a trip through JSON.

        Returns
        -------
        Assessment
            With the same figures and no gaze samples.

        Raises
        ------
        InputError
            When something is missing in it.
        """
        try:
            eyes = {eye: figures_of(*_from_plain(d)) for eye, d in kept["eyes"].items()}
            setup = {k: v for k, v in kept["setup"].items() if v is not None}
            return assembled(
                eyes,
                reasons=tuple(kept["reasons"]),
                gaze_px=(),
                setup=Setup(**setup),
                role=kept["role"],
                rate_hz=_number(kept["rate_hz"]),
                measured_rate_hz=_number(kept["measured_rate_hz"]),
                absent=_number(kept.get("absent")),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError(
                f"a stored validation result lacks or garbles {error}; validate again"
            ) from error


def figures_of(rows: NDArray[np.void], loss: float) -> Figures:
    """Work out session figures from rows of TARGET_FIELDS and the loss over all."""
    values: dict[str, float] = {}
    for name in ("accuracy", "precision_rms", "precision_sd"):
        known = rows[f"{name}_deg"][np.isfinite(rows[f"{name}_deg"])]
        low, high = quality.mean_interval(known)
        values[f"{name}_deg"] = float(known.mean()) if len(known) else math.nan
        values[f"{name}_low_deg"], values[f"{name}_high_deg"] = low, high
    known = rows["accuracy_deg"][np.isfinite(rows["accuracy_deg"])]
    low, high = quality.mean_interval(rows["loss"], high=1.0)
    loss = float(loss)
    return Figures(
        **values,
        accuracy_median_deg=float(np.median(known)) if len(known) else math.nan,
        accuracy_max_deg=float(known.max()) if len(known) else math.nan,
        loss=loss,
        loss_low=min(low, loss),
        loss_high=max(high, loss),
        targets=frozen(rows),
    )


def assembled(eyes: dict[str, Figures], **about: Any) -> Assessment:
    """Put an assessment together: the figures of both eyes are its own."""
    shared = {part.name: getattr(eyes["both"], part.name) for part in fields(Figures)}
    return Assessment(**shared, eyes=eyes, **about)


def frozen(array: Any) -> Any:
    """Return an array, now read-only."""
    array.setflags(write=False)
    return array


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _plain_rows(rows: NDArray[np.void], loss: float) -> dict[str, Any]:
    columns = {
        name: [None if v != v else v for v in rows[name].tolist()]
        for name, _ in TARGET_FIELDS
    }
    return {"loss": loss, "targets": columns}


def _from_plain(kept: dict[str, Any]) -> tuple[NDArray[np.void], float]:
    columns = kept["targets"]
    rows = np.zeros(len(columns["x"]), TARGET_FIELDS)
    for name, _ in TARGET_FIELDS:
        rows[name] = [math.nan if v is None else v for v in columns[name]]
    return rows, _number(kept["loss"])
