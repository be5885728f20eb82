"""What a gaze stream offers, what would be read from it, and what it does wrong.

Pure: a stream's description and some seconds of its samples go in, plain facts come
out, each fault with what it costs and what to do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from calibkit.channels import (
    Channel,
    confidence_column,
    covariate_columns,
    feature_sources,
)
from calibkit.language import _, later
from calibkit.streams import rules_said, rules_stamps, rules_values
from calibkit.streams.lsl_found import Found
from calibkit.streams.rules import Finding
from calibkit.streams.sight import Sight, measured_rate

WORDS = {
    "pupil-reflex": later("pupil minus reflex"),
    "direction": later("gaze direction"),
    "screen": later("screen position"),
    "pupil": later("pupil position alone"),
}
_EYES = {
    "left": later("left eye"),
    "right": later("right eye"),
    "both": later("both eyes"),
}
_LEVELS = {"blocks": later("blocks"), "harms": later("harms"), "note": later("note")}
_ORDER = ("blocks", "harms", "note")


def reads(channels: Sequence[Channel]) -> list[dict[str, Any]]:
    """Return what a mapping would read for each eye, with the channels' labels."""
    return [
        {
            "eye": source.eye,
            "kind": source.kind,
            "words": _source_words(source.kind, len(source.columns)),
            "channels": [channels[column].label for column in source.columns],
            "unit": source.unit,
            "confidence": confidence_column(channels, source.eye) is not None,
        }
        for source in feature_sources(channels).values()
    ]


def _source_words(kind: str, columns: int) -> str:
    if kind == "pupil-reflex" and columns >= 6:
        return _("pupil minus the middle of two reflexes, by their distance")
    return _(WORDS[kind])


def facts(sight: Sight) -> dict[str, Any]:
    """Return the facts about a stream, ready for JSON.

    Parameters
    ----------
    sight : Sight
    """
    found, channels = sight.found, sight.channels
    covariates = {
        name: [channels[column].label for column in columns]
        for name, columns in covariate_columns(channels).items()
    }
    return {
        "name": found.name,
        "source_id": found.source_id,
        "host": found.host,
        "format": found.form,
        "nominal_rate": found.rate,
        "measured_rate": round(measured_rate(sight.time, sight.watched_s), 2),
        "age_ms": round(1000 * sight.age_s, 2),
        "stated_delay_ms": _or_none(1000 * sight.delay_s),
        "clock_correction_s": list(sight.corrections_s[-1:]),
        "channels": [
            {"label": c.label, "eye": c.eye, "type": c.type, "unit": c.unit, "sends": v}
            for c, v in zip(channels, _sent(sight), strict=True)
        ],
        "reads": reads(channels),
        "covariates": covariates,
        "setup": {name: list(values) for name, values in sight.setup.items()},
        "missing": [
            name
            for name in rules_said.NEEDED
            if name not in sight.setup and name not in sight.known
        ],
    }


def _or_none(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None


def _sent(sight: Sight) -> list[list[float | None]]:
    """Least, middle and largest number of each channel."""
    rows: list[list[float | None]] = []
    for column in sight.samples.T:
        known = column[np.isfinite(column)]
        if len(known):
            rows.append([float(f"{q(known):.6g}") for q in (np.min, np.median, np.max)])
        else:
            rows.append([None, None, None])
    return rows


def findings(sight: Sight, reach: Sequence[Found] = ()) -> list[Finding]:
    """Return what the stream does wrong, the worst first.

    Parameters
    ----------
    sight : Sight
    reach : sequence of Found
        All streams in reach.

    Returns
    -------
    list of Finding

    Source
    ------
    XDF "Gaze" meta-data page for the description; LSL's documentation for stamps (the
    sender's `local_clock`).
    """
    seen = [
        *rules_said.channels(sight),
        *rules_stamps.stamps(sight),
        *rules_values.values(sight),
        *rules_said.identity(sight, reach),
        *rules_said.setup(sight),
    ]
    return sorted(seen, key=lambda finding: _ORDER.index(finding.level))


def text(stream: Mapping[str, Any], found: Sequence[Finding] | None) -> str:
    """Return the facts in words, for the terminal.

    Parameters
    ----------
    stream : mapping
        As `facts` gives it.
    found : sequence of Finding, optional
        None leaves out the check.
    """
    where = _(
        "on {host}, {measured:g} Hz measured, {declared:g} Hz declared, {count} "
        "channels"
    )
    if not stream["nominal_rate"]:
        where = _(
            "on {host}, {measured:g} Hz measured, irregular as declared, {count} "
            "channels"
        )
    where = where.format(
        host=stream["host"],
        measured=stream["measured_rate"],
        declared=stream["nominal_rate"],
        count=len(stream["channels"]),
    )
    lines = [
        f"{stream['name']}  (--stream {stream['source_id'] or stream['name']})",
        f"  {where}",
    ]
    lines += [
        f"  {_(_EYES[row['eye']])}: {row['words']} ({', '.join(row['channels'])})"
        for row in stream["reads"]
    ]
    if not stream["reads"]:
        words = _("nothing can be read yet; its channels, with what they send:")
        lines.append(f"  {words}")
        lines += [_channel_line(k, c) for k, c in enumerate(stream["channels"], 1)]
    lines += [
        f"  {_('may help')}: {name} ({', '.join(labels)})"
        for name, labels in stream["covariates"].items()
    ]
    if stream["missing"]:
        lines.append(f"  {_('not known')}: {', '.join(stream['missing'])}")
    if found is not None:
        lines += finding_lines(found)
    return "\n".join(lines)


def _channel_line(number: int, channel: Mapping[str, Any]) -> str:
    low, middle, high = channel["sends"]
    seen = _("nothing")
    if low is not None:
        seen = _("{low:g} to {high:g}, half below {middle:g}").format(
            low=low, high=high, middle=middle
        )
    return f"    {number:2d}  {channel['label']}: {seen}"


def finding_lines(found: Sequence[Finding]) -> list[str]:
    """Return findings as lines: what, what it costs, the fix."""
    if not found:
        return [f"  {_('check: nothing wrong was seen')}"]
    words = _("check: {count} findings (blocks: not usable; harms: worse gaze)")
    lines = [f"  {words.format(count=len(found))}"]
    for one in found:
        lines += [
            f"    {_(_LEVELS[one.level])}  {one.id}: {one.what}",
            f"           {_('costs')}: {one.costs}",
            f"           {_('fix')}: {one.remedy}",
        ]
    return lines
