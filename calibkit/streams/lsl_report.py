"""What a gaze stream offers, what would be read from it, and what it does wrong.

Pure: a stream's description and some seconds of its samples go in, plain facts come
out, each fault with what it costs and what to do.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import (
    EYES,
    SENTINELS,
    Channel,
    confidence_column,
    covariate_columns,
    feature_sources,
)
from calibkit.streams.lsl_found import Found

Array = NDArray[np.float64]
NEEDED = ("screen_px", "screen_mm", "distance_mm")
RATE_TOLERANCE = 0.1
WALL_CLOCK_S = 5.0
LATE_S = 0.1
WORDS = {
    "pupil-reflex": "pupil minus reflex",
    "direction": "gaze direction",
    "screen": "screen position",
    "pupil": "pupil position alone",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Sight:
    """What was seen of one stream.

    Parameters
    ----------
    found : Found
    channels : tuple of Channel
    setup : mapping
        From the stream itself.
    described : bool
        Whether each channel has metadata.
    time, samples : arrays (n,), (n, c)
        Stamps on the local clock, as they came.
    arrival : array (n,)
        When each was received.
    watched_s : float
    """

    found: Found
    channels: tuple[Channel, ...]
    setup: Mapping[str, Sequence[float]]
    described: bool
    time: Array
    samples: Array
    arrival: Array
    watched_s: float


@dataclass(frozen=True, kw_only=True)
class Fault:
    """Something that a stream does wrong."""

    what: str
    costs: str
    remedy: str


def measured_rate(time: Array, watched_s: float) -> float:
    """Return samples a second: from the stamps, else from the count.

    Parameters
    ----------
    time : array (n,), s
    watched_s : float
        For how long the stream was read.

    Returns
    -------
    float; 0 for fewer than two samples
    """
    if len(time) < 2 or watched_s <= 0:
        return 0.0
    span = float(time[-1] - time[0])
    plausible = 0 < span < 2 * watched_s
    return (len(time) - 1) / span if plausible else len(time) / watched_s


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
        return "pupil minus the middle of two reflexes, by their distance"
    return WORDS[kind]


def facts(sight: Sight, known: Sequence[str] = ()) -> dict[str, Any]:
    """Return the facts about a stream, ready for JSON.

    Parameters
    ----------
    sight : Sight
    known : sequence of str
        Fields of the set-up that are stored already.
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
        "nominal_rate": found.rate,
        "measured_rate": round(measured_rate(sight.time, sight.watched_s), 2),
        "channels": [
            {"label": c.label, "eye": c.eye, "type": c.type, "unit": c.unit}
            for c in channels
        ],
        "reads": reads(channels),
        "covariates": covariates,
        "setup": {name: list(values) for name, values in sight.setup.items()},
        "missing": [
            name for name in NEEDED if name not in sight.setup and name not in known
        ],
    }


def faults(sight: Sight) -> list[Fault]:
    """Return what the stream does wrong, the worst first.

    Parameters
    ----------
    sight : Sight

    Returns
    -------
    list of Fault

    Source
    ------
    XDF "Gaze" meta-data page for the description; LSL's documentation for stamps (the
    sender's `local_clock`). The limits are common practice, no source.
    """
    return [*_description_faults(sight), *_stamp_faults(sight), *_value_faults(sight)]


def _description_faults(sight: Sight) -> Iterator[Fault]:
    channels = sight.channels
    if not feature_sources(channels):
        yield Fault(
            what="no channel says what it is (type)"
            if not any(c.type for c in channels)
            else "no eye has a complete set of position channels",
            costs="nothing can be read from it",
            remedy="name the channels in a TOML file and give it with --names",
        )
    for source in feature_sources(channels).values():
        if source.kind == "screen" and not source.unit:
            yield Fault(
                what=f"the screen position ({source.eye}) has no unit",
                costs="it is taken for pixels; normalized values would all be one spot",
                remedy="write unit: pixels, normalized or mm",
            )
    if any(c.type and c.eye.lower() not in EYES for c in channels):
        yield Fault(
            what="channels name no eye",
            costs="they are taken for both eyes together",
            remedy="write eye: left, right or both",
        )
    if not sight.found.source_id:
        yield Fault(
            what="the stream has no source_id",
            costs="it cannot be told from another one after a restart",
            remedy="give it a stable source_id",
        )


def _stamp_faults(sight: Sight) -> Iterator[Fault]:
    time = sight.time
    if len(time) < 2:
        yield Fault(
            what=f"{len(time)} samples came in {sight.watched_s:.1f} s",
            costs="nothing can be said about its stamps and values",
            remedy="start the tracker's measurement",
        )
        return
    age = float(np.median(sight.arrival - time))
    if abs(age) > WALL_CLOCK_S:
        yield Fault(
            what=f"its stamps differ from the LSL clock by {age:.0f} s",
            costs="the time of arrival is used instead, with the network's jitter",
            remedy="stamp samples with LSL's local_clock(), not the time of day",
        )
    elif age > LATE_S:
        yield Fault(
            what=f"samples arrive {age * 1000:.0f} ms after their stamps",
            costs="the pointer follows the eye that much later",
            remedy="send each sample at once, in chunks of one",
        )
    yield from _rate_faults(sight)
    steps = np.diff(time)
    yield from _share_fault(
        np.count_nonzero(steps == 0) / len(steps),
        "of the samples repeat the stamp before",
        "they are dropped",
        "send each sample once",
    )
    yield from _share_fault(
        np.count_nonzero(steps < 0) / len(steps),
        "of the stamps run backward",
        "these samples are dropped",
        "send samples in the order of their stamps",
    )


def _rate_faults(sight: Sight) -> Iterator[Fault]:
    declared, real = sight.found.rate, measured_rate(sight.time, sight.watched_s)
    if declared > 0 and abs(real / declared - 1) > RATE_TOLERANCE:
        yield Fault(
            what=f"it declares {declared:g} Hz and sends {real:.1f} Hz",
            costs="programs that smooth stamps by the declared rate misplace samples",
            remedy="declare the true rate, or 0 where frames may drop",
        )
    steps = np.diff(sight.time)
    usual = float(np.median(steps))
    lost = np.sum(np.round(steps[steps > 1.5 * usual] / usual) - 1) if usual > 0 else 0
    if declared > 0 and lost:
        yield Fault(
            what=f"{lost / (lost + len(steps)):.1%} of the frames are absent, the "
            f"longest gap is {steps.max() * 1000:.0f} ms",
            costs="looks have fewer samples",
            remedy="declare rate 0, and see whether the tracker's computer keeps up",
        )


def _share_fault(share: float, what: str, costs: str, remedy: str) -> Iterator[Fault]:
    if share > 0:
        yield Fault(what=f"{share:.1%} {what}", costs=costs, remedy=remedy)


def _value_faults(sight: Sight) -> Iterator[Fault]:
    if not len(sight.samples):
        return
    for eye, source in feature_sources(sight.channels).items():
        values = sight.samples[:, list(source.columns)]
        finite = np.isfinite(values.sum(axis=1))
        yield from _share_fault(
            1 - finite.mean(),
            f"of the samples have no {eye} eye (not a number)",
            "they count as missing",
            "see the light, the distance and the tracker's own set-up",
        )
        marks: NDArray[np.bool_] = np.any(
            [np.all(values == s, axis=1) for s in SENTINELS], axis=0
        )
        yield from _share_fault(
            float(marks.mean()),
            f"of the samples say 0 or -1 for the {eye} eye",
            "they count as missing",
            "send NaN where the eye is not seen",
        )
        steps = np.diff(values, axis=0)
        same = np.all(steps == 0, axis=1) & finite[1:] & ~marks[1:]
        yield from _share_fault(
            float(same.mean()) if len(same) else 0.0,
            f"of the samples repeat the {eye} eye's values exactly",
            "a frozen picture looks like a steady eye",
            "send NaN, or nothing, while there is no new picture",
        )


def text(stream: Mapping[str, Any], found_faults: Sequence[Fault] | None) -> str:
    """Return the facts in words, for the terminal.

    Parameters
    ----------
    stream : mapping
        As `facts` gives it.
    found_faults : sequence of Fault, optional
        None leaves out the check.
    """
    rate = f"{stream['measured_rate']:g} Hz measured"
    declared = stream["nominal_rate"]
    rate += f", {declared:g} Hz declared" if declared else ", irregular as declared"
    lines = [
        f"{stream['name']}  (--stream {stream['source_id'] or stream['name']})",
        f"  on {stream['host']}, {rate}, {len(stream['channels'])} channels",
    ]
    lines += [
        f"  {_eye_words(row['eye'])}: {row['words']} ({', '.join(row['channels'])})"
        for row in stream["reads"]
    ]
    if not stream["reads"]:
        labels = ", ".join(c["label"] for c in stream["channels"])
        lines.append(f"  nothing can be read yet; its channels are: {labels}")
    lines += [
        f"  may help: {name} ({', '.join(labels)})"
        for name, labels in stream["covariates"].items()
    ]
    if stream["missing"]:
        lines.append(f"  not known: {', '.join(stream['missing'])}")
    if found_faults is not None:
        lines += _fault_lines(found_faults)
    return "\n".join(lines)


def _fault_lines(found: Sequence[Fault]) -> list[str]:
    if not found:
        return ["  check: nothing wrong was seen"]
    return [f"  check: {f.what}: {f.costs}; {f.remedy}" for f in found]


def _eye_words(eye: str) -> str:
    return "both eyes" if eye == "both" else f"{eye} eye"
