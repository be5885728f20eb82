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
from calibkit.language import _
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
        findings.append(found("text-format", _("the stream sends text")))
    if one.channel_count > CHANNEL_LIMIT:
        count = one.channel_count
        what = _("it has {count} channels").format(count=count)
        findings.append(found("too-many-channels", what, count, "channels"))
    return findings


def channels(sight: Sight) -> Iterator[Finding]:
    """Judge the channels' metadata."""
    rows = sight.channels
    untyped = sum(not c.type for c in rows)
    if untyped == len(rows):
        what = _("none of {count} channels says what it is (type)")
        yield found(
            "channels-unnamed", what.format(count=len(rows)), untyped, "channels"
        )
    elif not feature_sources(rows):
        what = _("no eye is complete; there are {types}").format(types=_types(rows))
        yield found("no-eye-complete", what, len(rows), "channels")
    halves = list(_halves(rows))
    if halves:
        what = "; ".join(halves)
        yield found("half-pair", what, len(halves), "pairs")
    listed = sight.listed
    if listed is not None and 0 < listed != len(rows):
        what = _("it describes {listed} of its {count} channels").format(
            listed=listed, count=len(rows)
        )
        yield found("channels-listed", what, listed, "channels")
    yield from _words(rows)


def _types(rows: Sequence[Channel]) -> str:
    return ", ".join(f"{c.eye or _('no eye')} {c.type}" for c in rows if c.type)[:200]


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
                yield _("the {eye} eye has {channels}").format(
                    eye=_(eye), channels=named
                )


def _words(rows: Sequence[Channel]) -> Iterator[Finding]:
    for source in feature_sources(rows).values():
        if source.kind != "screen":
            continue
        if not source.unit:
            what = _("the screen position ({eye}) has no unit")
            what = what.format(eye=_(source.eye))
            yield found("unit-absent", what, 2, "channels")
        elif source.unit not in SCREEN_UNITS:
            what = _("the screen position ({eye}) is in {unit!r}")
            what = what.format(eye=_(source.eye), unit=source.unit)
            yield found("unit-unknown", what, 2, "channels")
    no_eye = [c.label for c in rows if c.type and c.eye.lower() not in EYES]
    if no_eye:
        what = _("{count} channels name no eye: {labels}")
        yield found("eye-absent", _listed(what, no_eye), len(no_eye), "channels")
    strange = [c.label for c in rows if c.type and c.type.lower() not in _KNOWN]
    if strange:
        what = _("{count} channels have a type of their own: {labels}")
        yield found("type-unread", _listed(what, strange), len(strange), "channels")
    twice = [name for name, n in Counter(c.label for c in rows).items() if n > 1]
    if twice:
        what = _("{count} labels are used more than once: {labels}")
        yield found("labels-shared", _listed(what, twice), len(twice), "channels")


def _listed(what: str, labels: Sequence[str]) -> str:
    return what.format(count=len(labels), labels=", ".join(labels[:6]))


def identity(sight: Sight, reach: Sequence[Found] = ()) -> Iterator[Finding]:
    """Judge the stream's name and source_id, beside all streams in reach."""
    one = sight.found
    if not one.source_id:
        yield found("source-id-absent", _("the stream has no source_id"))
    elif one.made_up:
        what = _("the source_id {name} looks drawn anew at each start")
        yield found("source-id-made-up", what.format(name=one.source_id))
    others = [f for f in reach if f.uid != one.uid and f.name == one.name]
    same = [f for f in others if f.source_id == one.source_id and one.source_id]
    if same:
        what = _("{count} streams have the source_id {name}").format(
            count=len(same) + 1, name=one.source_id
        )
        yield found("source-id-shared", what, len(same) + 1, "streams")
    elif others:
        what = _("{count} streams are named {name}").format(
            count=len(others) + 1, name=one.name
        )
        yield found("name-shared", what, len(others) + 1, "streams")


def setup(sight: Sight) -> Iterator[Finding]:
    """Judge whether the set-up is known."""
    absent = [n for n in NEEDED if n not in sight.setup and n not in sight.known]
    if absent:
        what = _("it does not say {names}").format(names=", ".join(absent))
        yield found("setup-absent", what, len(absent), "fields")
