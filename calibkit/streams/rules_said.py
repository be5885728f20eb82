"""Rules on what a stream says of itself: channels, units, ids, set-up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from calibkit.channels import (
    EYES,
    Channel,
    feature_sources,
    plain_eye,
)
from calibkit.streams.lsl_found import CHANNEL_LIMIT, Found
from calibkit.streams.rules import Finding, found
from calibkit.streams.sight import Sight

NEEDED = ("screen_px", "screen_mm", "distance_mm")
SCREEN_UNITS = ("px", "normalized", "mm")
_AXES = {"Screen": "XY", "Pupil": "XY", "Reflex": "XY", "Direction": "XYZ"}
# Source: XDF "Gaze" meta-data page; Head angles and scale are calibkit's own.
_PLACES = ("screen", "direction", "position", "intersection", "head", "pupil", "reflex")
_KNOWN = {
    *(place + axis for place in _PLACES for axis in "xyz"),
    *("radius", "diameter", "radiusx", "radiusy", "diameterx", "diametery"),
    *("confidence", "framenumber", "planenumber", "objectid"),
    *("headyaw", "headpitch", "headroll", "headscale"),
}


def refused(one: Found) -> list[Finding]:
    """Return why a stream cannot be opened at all."""
    findings = []
    if one.text:
        findings.append(found("text-format", "the stream sends text"))
    if one.channel_count > CHANNEL_LIMIT:
        count = one.channel_count
        what = f"it has {count} channels"
        findings.append(found("too-many-channels", what, count, "channels"))
    return findings


def channels(sight: Sight) -> Iterator[Finding]:
    """Judge the channels' metadata."""
    rows = sight.channels
    untyped = sum(not c.type for c in rows)
    if untyped == len(rows):
        what = f"none of {len(rows)} channels says what it is (type)"
        yield found("channels-unnamed", what, untyped, "channels")
    elif not feature_sources(rows):
        what = f"no eye is complete; there are {_types(rows)}"
        yield found("no-eye-complete", what, len(rows), "channels")
    halves = list(_halves(rows))
    if halves:
        what = "; ".join(halves)
        yield found("half-pair", what, len(halves), "pairs")
    listed = sight.listed
    if listed is not None and 0 < listed != len(rows):
        what = f"it describes {listed} of its {len(rows)} channels"
        yield found("channels-listed", what, listed, "channels")
    yield from _words(rows)


def _types(rows: Sequence[Channel]) -> str:
    return ", ".join(f"{c.eye or 'no eye'} {c.type}" for c in rows if c.type)[:200]


def _halves(rows: Sequence[Channel]) -> Iterator[str]:
    have = Counter((plain_eye(c.eye), c.type.lower()) for c in rows)
    for eye in EYES:
        for stem, axes in _AXES.items():
            counts = [have[eye, (stem + axis).lower()] for axis in axes]
            if len(set(counts)) > 1:
                named = ", ".join(
                    f"{count} {stem}{axis}"
                    for count, axis in zip(counts, axes, strict=True)
                )
                yield f"the {eye} eye has {named}"


def _words(rows: Sequence[Channel]) -> Iterator[Finding]:
    for source in feature_sources(rows).values():
        if source.kind != "screen":
            continue
        if not source.unit:
            what = f"the screen position ({source.eye}) has no unit"
            yield found("unit-absent", what, 2, "channels")
        elif source.unit not in SCREEN_UNITS:
            what = f"the screen position ({source.eye}) is in {source.unit!r}"
            yield found("unit-unknown", what, 2, "channels")
    no_eye = [c.label for c in rows if c.type and c.eye.lower() not in EYES]
    if no_eye:
        yield _listed("eye-absent", "channels name no eye", no_eye)
    strange = [c.label for c in rows if c.type and c.type.lower() not in _KNOWN]
    if strange:
        yield _listed("type-unread", "channels have a type of their own", strange)
    twice = [name for name, n in Counter(c.label for c in rows).items() if n > 1]
    if twice:
        yield _listed("labels-shared", "labels are used more than once", twice)


def _listed(rule: str, words: str, labels: Sequence[str]) -> Finding:
    what = f"{len(labels)} {words}: {', '.join(labels[:6])}"
    return found(rule, what, len(labels), "channels")


def identity(sight: Sight, reach: Sequence[Found] = ()) -> Iterator[Finding]:
    """Judge the stream's name and source_id, beside all streams in reach."""
    one = sight.found
    if not one.source_id:
        yield found("source-id-absent", "the stream has no source_id")
    elif one.made_up:
        what = f"the source_id {one.source_id} looks drawn anew at each start"
        yield found("source-id-made-up", what)
    others = [f for f in reach if f.uid != one.uid and f.name == one.name]
    same = [f for f in others if f.source_id == one.source_id and one.source_id]
    if same:
        what = f"{len(same) + 1} streams have the source_id {one.source_id}"
        yield found("source-id-shared", what, len(same) + 1, "streams")
    elif others:
        what = f"{len(others) + 1} streams are named {one.name}"
        yield found("name-shared", what, len(others) + 1, "streams")


def setup(sight: Sight) -> Iterator[Finding]:
    """Judge whether the set-up is known."""
    absent = [n for n in NEEDED if n not in sight.setup and n not in sight.known]
    if absent:
        what = f"it does not say {', '.join(absent)}"
        yield found("setup-absent", what, len(absent), "fields")
