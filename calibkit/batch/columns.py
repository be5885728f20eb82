"""The columns of both tables: names with their units, kinds, meanings.

One row of the first table is one recording judged with one choice of eyes; one row of
the second is one of its targets. What is not known is an empty cell (null in Parquet).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["text", "number", "whole"]
CHECKED, ONE_OUT = "check-targets", "leave-one-target-out"  # methods of judging
Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column: its name ends in its unit."""

    name: str
    kind: Kind
    meaning: str


def _columns(kind: Kind, *pairs: tuple[str, str]) -> tuple[Column, ...]:
    return tuple(Column(name=n, kind=kind, meaning=m) for n, m in pairs)


WHERE = _columns(
    "text",
    ("file", "path below the folder that was given"),
    ("sha256", "of the file"),
    ("duplicate_of", "an earlier file in this table with the same bytes"),
)
WHOSE = (
    *_columns("text", ("person", "pseudonym"), ("session", "as recorded")),
    *_columns("whole", ("attempt", "of the session")),
)
ABOUT = (
    *_columns(
        "text",
        ("created", "when it was recorded"),
        ("tracker", "name of the stream"),
        ("source_id", "of the stream"),
        ("features", "what the mapping reads: pupil-reflex, direction, screen, pupil"),
        ("protocol", "its name"),
    ),
    *_columns(
        "number",
        ("rate_hz", "samples a second, as declared or else as measured"),
        ("measured_rate_hz", "by the time stamps"),
        ("duration_s", "from the first sample to the last"),
        ("screen_width_px", "of the picture"),
        ("screen_height_px", "of the picture"),
        ("screen_width_mm", "of the picture"),
        ("screen_height_mm", "of the picture"),
        ("distance_mm", "from the eyes to the screen"),
    ),
)
FITTED = (
    *_columns(
        "whole",
        ("calibration_targets", "that were shown and kept"),
        ("calibration_used", "of these, that weighed at least a half"),
        ("prior_people", "persons in what the fit started from"),
    ),
    *_columns(
        "number",
        ("predicted_sd_deg", "expected error per axis, before any check"),
        ("lag_s", "of gaze behind a moving target"),
    ),
)
JUDGED = (
    *_columns(
        "text",
        ("method", f"{CHECKED}, or {ONE_OUT}"),
        ("role", "of the targets judged on"),
        ("eyes", "whose answer: both together, left or right alone"),
    ),
    *_columns(
        "whole",
        ("targets", "judged on"),
        ("targets_looked_at", "at which a steady look was found"),
    ),
    *_columns(
        "number",
        ("loss", "share of the samples expected that had no gaze, 0 to 1"),
        ("loss_low", "its 95 % interval"),
        ("loss_high", "its 95 % interval"),
        ("accuracy_deg", "mean over targets of the offset of mean gaze"),
        ("accuracy_low_deg", "its 95 % interval"),
        ("accuracy_high_deg", "its 95 % interval"),
        ("accuracy_median_deg", "over targets"),
        ("accuracy_max_deg", "of the worst target"),
        ("offset_right_deg", "mean signed offset, right positive"),
        ("offset_down_deg", "mean signed offset, down positive"),
        ("precision_rms_deg", "between successive samples"),
        ("precision_sd_deg", "about the mean gaze"),
        ("reliability", "asked for"),
    ),
    *_columns("whole", ("rows", "of usable keys"), ("columns", "of usable keys")),
    *_columns(
        "number",
        ("key_width_deg", "as seen at the middle of the screen"),
        ("key_height_deg", "as seen at the middle of the screen"),
        ("key_width_mm", "on the screen"),
        ("key_height_mm", "on the screen"),
        ("key_probability", "that a look at the weakest key lands on it"),
    ),
)
ENDED = (
    *_columns("text", ("status", "judged, fitted (nothing to judge on) or failed")),
    *_columns("whole", ("exit_status", "what one command on this file would give")),
    *_columns(
        "text",
        ("message", "why it is not judged, and what to do"),
        ("notes", "on the file and the fit: what the operator should know"),
        ("advice", "on the check: what limits it, and what to do next"),
        ("recorded_with", "software that made the recording"),
        ("calibkit", "version that made this row"),
    ),
)
RECORDINGS = (*WHERE, *WHOSE, *ABOUT, *FITTED, *JUDGED, *ENDED)

# In the second table, after WHERE and WHOSE; the order in which they are kept.
TARGET = (
    *_columns(
        "text",
        ("method", "as in the first table"),
        ("role", "as in the first table"),
        ("eyes", "as in the first table"),
    ),
    *_columns("whole", ("target", "from 1, in the order judged")),
    *_columns(
        "number",
        ("x_px", "where it was; the middle of its way if it moved"),
        ("y_px", "where it was; the middle of its way if it moved"),
        ("accuracy_deg", "offset of mean gaze"),
        ("offset_right_deg", "right positive"),
        ("offset_down_deg", "down positive"),
        ("precision_rms_deg", "between successive samples"),
        ("precision_sd_deg", "about the mean gaze"),
        ("loss", "0 to 1"),
    ),
    *_columns("whole", ("samples", "that counted"), ("looked_at", "1 or 0")),
    *_columns("text", ("reason", "which samples counted, in plain words")),
)
TARGETS = (*WHERE, *WHOSE, *TARGET)
