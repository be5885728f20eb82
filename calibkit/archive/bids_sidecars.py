"""What the JSON files of a BIDS data set say. Keys of our own begin with Calibkit.

Source: Brain Imaging Data Structure 1.11, physiological recordings, eye-tracking.
Distances are in metres there, errors in degrees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

import calibkit
from calibkit.archive.bids_data import Eye, described
from calibkit.archive.tables import Column
from calibkit.fitted.fitting import predicted_sd_deg
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup
from calibkit.judged.assess_figures import Assessment, Figures
from calibkit.kept.recording import Recording

VERSION = "1.11.1"
OURS = "Calibkit"
_FIGURES = ("accuracy_deg", "precision_rms_deg", "precision_sd_deg", "loss")
_CUSTOM = {
    "pupil-reflex": "The middle of the pupil in the camera's picture; raw_reflex "
    "columns hold the reflexes to subtract from it.",
    "pupil": "The middle of the pupil in the camera's picture.",
    "direction": "Right and down components of the direction of gaze, as the tracker "
    "gave them.",
    "screen": "Gaze as the tracker gave it, not calibrated to the person by calibkit.",
}


def dataset(title: str) -> dict[str, Any]:
    """Return dataset_description.json."""
    return {
        "Name": title,
        "BIDSVersion": VERSION,
        "DatasetType": "raw",
        "GeneratedBy": [{"Name": "calibkit", "Version": calibkit.__version__}],
    }


def derived(title: str) -> dict[str, Any]:
    """Return the dataset_description.json of what was worked out of a data set."""
    return {**dataset(f"{title}: reports"), "DatasetType": "derivative"}


def screen(setup: Setup) -> dict[str, Any]:
    """Return the screen as StimulusPresentation has it, metres and pixels."""
    eye = setup.eye_mm
    far = setup.distance_mm / 1000 if eye is None else [v / 1000 for v in eye]
    return {
        "ScreenDistance": far,
        "ScreenOrigin": ["top", "left"],
        "ScreenResolution": list(setup.screen_px),
        "ScreenSize": [v / 1000 for v in setup.screen_mm],
    }


def events(rec: Recording, task: str, columns: Sequence[Column]) -> dict[str, Any]:
    """Return what stands beside a recording's events."""
    return {
        "TaskName": task,
        "TaskDescription": "Looking at targets on a screen, one at a time.",
        "StimulusPresentation": screen(rec.setup),
        **described(columns),
    }


def physio_events(task: str, columns: Sequence[Column]) -> dict[str, Any]:
    """Return what stands beside events on the samples' own clock."""
    return {
        "TaskName": task,
        "Columns": [column.name for column in columns],
        "Description": "Targets that were shown, and what was noted meanwhile.",
        "OnsetSource": "timestamp",
        **described(columns),
    }


def physio(
    rec: Recording,
    task: str,
    eye: Eye,
    mapping: Mapping | None,
    judged: Assessment | None,
    source: str,
) -> dict[str, Any]:
    """Return what stands beside an eye's samples.

    Parameters
    ----------
    rec : Recording
    task : str
    eye : Eye
    mapping : Mapping, optional
        What calibrated it; without one the coordinate system is its own.
    judged : Assessment, optional
        Of the mapping on the recording.
    source : str
        Where the recording lies in the data set.
    """
    system = "gaze-on-screen" if mapping is not None else "custom"
    about: dict[str, Any] = {
        "SamplingFrequency": rate_hz(rec),
        "StartTime": 0,
        "TaskName": task,
        "Columns": [column.name for column in eye.columns],
        "PhysioType": "eyetrack",
        "RecordedEye": eye.recorded,
        "SampleCoordinateSystem": system,
        **_device(rec),
        **described(eye.columns),
        f"{OURS}Recording": source,
        f"{OURS}NominalSamplingFrequency": rec.nominal_rate,
    }
    if mapping is None:
        about[f"{OURS}CoordinateSystem"] = _CUSTOM[eye.kind]
        return about | {"CalibrationCount": 0}
    return {**about, **_calibration(rec, mapping, judged, eye.recorded)}


def rate_hz(rec: Recording) -> float:
    """Return samples per second as they came, whatever the stream promised."""
    span = float(rec.time[-1] - rec.time[0])
    if len(rec.time) > 1 and span > 0:
        return round((len(rec.time) - 1) / span, 6)
    return rec.nominal_rate


def _device(rec: Recording) -> dict[str, str]:
    """Return the tracker's maker, model and number, where the stream named them."""
    if rec.unknown is None:
        return {}
    kept = rec.unknown.attrs.get("/gaze", {})
    names = {
        "Manufacturer": "manufacturer",
        "ManufacturersModelName": "model",
        "DeviceSerialNumber": "serial_number",
    }
    return {k: str(kept[v]) for k, v in names.items() if isinstance(kept.get(v), str)}


def _calibration(
    rec: Recording, mapping: Mapping, judged: Assessment | None, recorded: str
) -> dict[str, Any]:
    looks = mapping.looks[mapping.looks["role"] == "calibration"]
    still = [r for r in looks if np.isfinite(r["x"]) and np.isfinite(r["y"])]
    moved = len(looks) - len(still)
    words = [f"{len(still)} targets"] * bool(still) + ["a gliding target"] * bool(moved)
    found: dict[str, Any] = {
        "CalibrationCount": int(bool(len(looks))),
        "CalibrationUnit": "pixel",
        "CalibrationPosition": [[round(float(r[a]), 4) for a in "xy"] for r in still],
        "CalibrationType": " and ".join(words) or "none: other people's mapping",
        f"{OURS}Mapping": _mapping(mapping),
    }
    if not still:
        del found["CalibrationPosition"], found["CalibrationUnit"]
    if judged is not None:
        eye = "both" if recorded == "cyclopean" else recorded
        found |= _errors(judged, judged.eyes.get(eye, judged))
    return found


def _mapping(mapping: Mapping) -> dict[str, Any]:
    return {
        "Id": mapping.id,
        "Eyes": list(mapping.eyes),
        "PeopleInPrior": mapping.people,
        "PredictedErrorDegrees": _number(predicted_sd_deg(mapping)),
        "RecordingsSHA256": list(mapping.recordings),
        "Notes": list(mapping.notes),
    }


def _errors(judged: Assessment, figures: Figures) -> dict[str, Any]:
    errors = {
        "AverageCalibrationError": figures.accuracy_deg,
        "MaximalCalibrationError": figures.accuracy_max_deg,
    }
    own = {
        "Role": judged.role,
        **{name: _number(getattr(figures, name)) for name in _FIGURES},
        "targets": len(figures.targets),
    }
    known = {k: round(v, 4) for k, v in errors.items() if math.isfinite(v)}
    return {**known, f"{OURS}Validation": own}


def _number(value: float) -> float | str:
    return round(value, 4) if math.isfinite(value) else "n/a"
