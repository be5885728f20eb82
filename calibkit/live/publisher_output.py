"""What a publisher sends: the channels of calibrated gaze, and notices in words.

Nothing heavy is imported: the stream is put out while the rest still loads.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibkit.channels import Channel

OUTPUT = (
    Channel(label="ScreenX", eye="both", type="ScreenX", unit="pixels"),
    Channel(label="ScreenY", eye="both", type="ScreenY", unit="pixels"),
    Channel(label="sd_x", eye="both", type="sd_x", unit="pixels"),
    Channel(label="sd_y", eye="both", type="sd_y", unit="pixels"),
    Channel(label="valid", eye="both", type="valid", unit="normalized"),
    Channel(label="sequence", eye="", type="sequence", unit="count"),
    Channel(label="mapping", eye="", type="mapping", unit="id"),
)


@dataclass(frozen=True, kw_only=True)
class Notice:
    """Something to tell: a state that began, or a fact about the stream."""

    time_s: float
    state: str
    text: str
