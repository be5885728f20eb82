"""Marker events as text: one JSON object a sample, of bounded size."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

TEXT_LIMIT = 16384


def event_text(event: Mapping[str, Any]) -> str:
    """Return an event as one line of strict JSON; NaN is a ValueError."""
    return json.dumps(event, separators=(",", ":"), allow_nan=False)


def parse_event(text: str) -> dict[str, Any] | None:
    """Return a marker's JSON object, or None for anything else."""
    if len(text) > TEXT_LIMIT:
        return None
    try:
        event = json.loads(text)
    except (ValueError, RecursionError):
        return None
    named = isinstance(event, dict) and isinstance(event.get("event"), str)
    return event if named else None
