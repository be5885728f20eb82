"""One recording of a batch: fitted, judged, as plain rows. A pure function of its file.

Nothing here depends on where the file lies, on other recordings, or on who works.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

import calibkit
from calibkit.batch.columns import CHECKED, ONE_OUT, Row
from calibkit.channels import feature_sources
from calibkit.errors import InputError
from calibkit.kept.recording import Recording

if TYPE_CHECKING:
    from calibkit.batch.settings import Settings
    from calibkit.fitted.mapping import Mapping
    from calibkit.fitted.prior import SharedMapping
    from calibkit.judged.assess_figures import Assessment, Figures
    from calibkit.judged.keys import UsableKeys

USED = 0.5  # a target that weighs less did not make the mapping


def judge(
    rec: Recording,
    settings: Settings,
    prior: SharedMapping | Mapping | None,
    rows: list[Row],
    targets: list[list[Any]],
) -> None:
    """Fit and judge a recording; fill in rows as far as it goes.

    Parameters
    ----------
    rec : Recording
    settings : Settings
    prior : SharedMapping or Mapping, optional
        What `settings.shared` names.
    rows : list of dict
        Takes one row per choice of eyes; one without figures where judging fails.
    targets : list of list
        Takes one row per target and choice of eyes, as `columns.TARGET`.

    Raises
    ------
    InputError
        When it cannot be fitted, or there is nothing to judge on.
    """
    from calibkit.fitted.fitting import fit, predicted_sd_deg
    from calibkit.judged.keys import usable_keys
    from calibkit.report.advice import advice

    rows.append(_about(rec))
    options = (prior, settings.eyes, settings.extra, None, settings.min_confidence)
    mapping = fit(rec, *options)
    used = mapping.looks["weight"] >= USED
    rows[0] |= {
        "calibration_used": int(used.sum()),
        "prior_people": int(mapping.people),
        "predicted_sd_deg": _known(predicted_sd_deg(mapping)),
        "lag_s": _known(mapping.lag_s),
        "notes": "; ".join(mapping.notes),
        "status": "fitted",
    }
    method, result = _judged(rec, mapping, lambda part: fit(part, *options))
    eyes = ("both", *(mapping.eyes if len(mapping.eyes) > 1 else ()))
    base = rows[0] | {"method": method, "role": result.role, "status": "judged"}
    rows.clear()
    for eye in eyes:
        found = result.eyes[eye]
        keys = usable_keys(found, setup=rec.setup, reliability=settings.reliability)
        rows.append(base | {"eyes": eye} | _figures(found) | _keys(keys))
        if eye == "both":
            rows[-1]["advice"] = " ".join(advice(result, keys))
        targets += _target_rows(result, method, eye)


def _judged(rec: Recording, mapping: Mapping, fit: Any) -> tuple[str, Assessment]:
    from calibkit.batch.leaving import leave_one_out
    from calibkit.judged.assess_targets import assess

    roles = set(rec.targets["role"][rec.targets["kept"] != 0])
    if not roles & {"validation", "calibration"}:
        raise InputError(
            "the recording has no target to judge on; validate with the person first"
        )
    if "validation" in roles:
        return CHECKED, assess(mapping, rec, "validation")
    rec = rec.in_time_order()
    return ONE_OUT, assess(leave_one_out(rec, mapping, fit), rec, "calibration")


def _about(rec: Recording) -> Row:
    steps = np.diff(rec.time)
    steps = steps[steps > 0]
    setup, sources = rec.setup, feature_sources(rec.channels).values()
    shown = (rec.targets["role"] == "calibration") & (rec.targets["kept"] != 0)
    return {
        "person": rec.person,
        "session": rec.session,
        "attempt": int(rec.attempt),
        "created": rec.created,
        "tracker": rec.name,
        "source_id": rec.source_id,
        "features": " ".join(sorted({source.kind for source in sources})),
        "protocol": _protocol(rec.protocol),
        "rate_hz": _known(rec.rate_hz()),
        "measured_rate_hz": _known(1 / np.median(steps)) if len(steps) else None,
        "duration_s": _known(np.ptp(rec.time)) if len(rec.time) else 0.0,
        "screen_width_px": float(setup.screen_px[0]),
        "screen_height_px": float(setup.screen_px[1]),
        "screen_width_mm": float(setup.screen_mm[0]),
        "screen_height_mm": float(setup.screen_mm[1]),
        "distance_mm": float(setup.viewpoint_mm[2]),
        "calibration_targets": int(shown.sum()),
        "recorded_with": rec.software,
        "calibkit": calibkit.__version__,
    }


def _protocol(text: str) -> str:
    from calibkit.kept import protocol

    try:
        return str(protocol.parse(text).protocol.name) if text else ""
    except InputError:
        return ""


def _figures(found: Figures) -> Row:
    names = (
        *("loss", "loss_low", "loss_high"),
        *("accuracy_deg", "accuracy_low_deg", "accuracy_high_deg"),
        *("accuracy_median_deg", "accuracy_max_deg"),
        *("precision_rms_deg", "precision_sd_deg"),
    )
    return {
        "targets": len(found.targets),
        "targets_looked_at": int(found.targets["looked"].sum()),
        **{name: _known(getattr(found, name)) for name in names},
        "offset_right_deg": _mean(found.targets["offset_x_deg"]),
        "offset_down_deg": _mean(found.targets["offset_y_deg"]),
    }


def _keys(keys: UsableKeys) -> Row:
    return {
        "reliability": keys.reliability,
        "rows": int(keys.rows),
        "columns": int(keys.columns),
        "key_width_deg": _known(keys.key_deg[0]),
        "key_height_deg": _known(keys.key_deg[1]),
        "key_width_mm": _known(keys.key_mm[0]),
        "key_height_mm": _known(keys.key_mm[1]),
        "key_probability": _known(keys.probability),
    }


def _target_rows(result: Assessment, method: str, eye: str) -> list[list[Any]]:
    names = (
        *("x", "y", "accuracy_deg", "offset_x_deg", "offset_y_deg"),
        *("precision_rms_deg", "precision_sd_deg", "loss"),
    )
    return [
        [
            *(method, result.role, eye, number),
            *(_known(row[name]) for name in names),
            *(int(row["samples"]), int(row["looked"]), reason),
        ]
        for number, (row, reason) in enumerate(
            zip(result.eyes[eye].targets, result.reasons, strict=True), 1
        )
    ]


def _mean(values: Any) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else None


def _known(value: Any) -> float | None:
    """Return a plain number, or None for what is not known: JSON has no NaN."""
    return float(value) if math.isfinite(value) else None
