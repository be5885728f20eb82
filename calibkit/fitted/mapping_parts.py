"""A mapping's layout and looks as plain numbers and text, and back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.features import EyeSource, Layout
from calibkit.geometry import Setup
from calibkit.kept.plain import numbers

LOOK_DTYPE = np.dtype(
    [
        ("target", "i4"),
        ("x", "f8"),
        ("y", "f8"),
        ("role", "U16"),
        ("weight", "f8"),
        ("samples", "i4"),
        ("away_x_deg", "f8"),
        ("away_y_deg", "f8"),
        ("reason", "U96"),
    ]
)
FIGURES = ("target", "x", "y", "weight", "samples", "away_x_deg", "away_y_deg")
# JSON has no NaN: what is unknown is a number that no screen has.
UNKNOWN = -1e9


def setup_snapshot(setup: Setup) -> dict[str, Any]:
    """Return a set-up as plain numbers."""
    return {
        "screen_px": [int(v) for v in setup.screen_px],
        "screen_mm": [float(v) for v in setup.screen_mm],
        "distance_mm": float(setup.distance_mm),
        "background": [float(v) for v in setup.background],
        "eye_mm": [float(v) for v in setup.eye_mm or ()],
    }


def setup_from(plain: dict[str, Any]) -> Setup:
    """Make a set-up from plain numbers."""
    eye_mm = plain["eye_mm"]
    width, height = plain["screen_px"]
    return Setup(
        screen_px=(int(width), int(height)),
        screen_mm=tuple(plain["screen_mm"]),
        distance_mm=float(plain["distance_mm"]),
        background=tuple(plain["background"]),
        eye_mm=tuple(eye_mm) if len(eye_mm) else None,
    )


def layout_snapshot(layout: Layout) -> dict[str, Any]:
    """Return a layout as plain numbers and text."""
    plain: dict[str, Any] = {
        "width": layout.width,
        "covariates": list(layout.covariates),
        "groups": list(layout.groups),
    }
    if layout.min_confidence > 0:  # files from before it was kept keep their id
        plain["min_confidence"] = float(layout.min_confidence)
    for source in layout.eyes:
        plain[source.eye] = {
            "kind": source.kind,
            "unit": source.unit,
            "columns": [int(v) for v in source.columns],
            "confidence": -1 if source.confidence is None else int(source.confidence),
            "covariates_columns": [
                [int(k), int(v)] for k, c in enumerate(source.covariates) for v in c
            ],
        }
    return plain


def layout_from(plain: dict[str, Any], eyes: Sequence[str]) -> Layout:
    """Make a layout from plain numbers and text."""
    covariates = tuple(plain["covariates"])
    width = int(plain["width"])
    sources = []
    for eye in eyes:
        one = plain[eye]
        pairs = np.asarray(one["covariates_columns"], int).reshape(-1, 2)
        columns = tuple(int(v) for v in one["columns"])
        sure = int(one["confidence"])
        if not all(0 <= v < width for v in (*columns, *pairs[:, 1], max(sure, 0))):
            raise ValueError("a column outside the samples")
        sources.append(
            EyeSource(
                eye=eye,
                kind=str(one["kind"]),
                unit=str(one["unit"]),
                columns=columns,
                confidence=None if sure < 0 else sure,
                covariates=tuple(
                    tuple(int(v) for v in pairs[pairs[:, 0] == k, 1])
                    for k in range(len(covariates))
                ),
            )
        )
    return Layout(
        width=width,
        eyes=tuple(sources),
        covariates=covariates,
        groups=tuple(plain["groups"]),
        min_confidence=_fraction(plain.get("min_confidence", 0.0)),
    )


def _fraction(value: Any) -> float:
    if not 0.0 <= float(value) <= 1.0:
        raise ValueError(f"a least confidence of {value}")
    return float(value)


def looks_snapshot(looks: NDArray[np.void]) -> dict[str, Any]:
    """Return the looks as plain numbers and text."""
    table = np.array([[float(row[name]) for name in FIGURES] for row in looks])
    table = np.where(np.isfinite(table), table, UNKNOWN).reshape(-1, len(FIGURES))
    return {
        "figures": numbers(table),
        "roles": [str(row["role"]) for row in looks],
        "reasons": [str(row["reason"]) for row in looks],
    }


def looks_from(plain: dict[str, Any]) -> NDArray[np.void]:
    """Make the looks from plain numbers and text."""
    table = np.asarray(plain["figures"], float).reshape(-1, len(FIGURES))
    table = np.where(table == UNKNOWN, np.nan, table)
    rows = np.zeros(len(table), LOOK_DTYPE)
    for k, name in enumerate(FIGURES):
        rows[name] = table[:, k]
    rows["role"], rows["reason"] = plain["roles"], plain["reasons"]
    rows.setflags(write=False)
    return rows
