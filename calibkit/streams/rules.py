"""What a stream can do wrong: each rule with what it costs and the fix, as one table.

The rules themselves are pure functions in `rules_said`, `rules_stamps` and
`rules_values`; this table is what they, the command and the developers' page share.
Limits are common practice, no source, unless a rule names one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Level = Literal["blocks", "harms", "note"]


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule.

    Parameters
    ----------
    level : {"blocks", "harms", "note"}
        Nothing can be read; the result is worse; good to know.
    when : str
        When it is broken, with the limit.
    costs, remedy : str
        What that costs the person, and what to do.
    """

    level: Level
    when: str
    costs: str
    remedy: str


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something that a stream does wrong, with the figure that shows it.

    Parameters
    ----------
    id : str
        The rule's, which stays.
    level : {"blocks", "harms", "note"}
    what : str
    value : float
    unit : str
        Of the value: "share", "s", "Hz", "channels", ...
    costs, remedy : str
    """

    id: str
    level: Level
    what: str
    value: float
    unit: str
    costs: str
    remedy: str


def found(rule: str, what: str, value: float = math.nan, unit: str = "") -> Finding:
    """Make the finding that a rule is broken.

    Parameters
    ----------
    rule : str
        Its id.
    what : str
        What was seen, in words, with the figure.
    value : float
    unit : str

    Returns
    -------
    Finding
    """
    row = RULES[rule]
    return Finding(
        id=rule,
        level=row.level,
        what=what,
        value=float(value),
        unit=unit,
        costs=row.costs,
        remedy=row.remedy,
    )


def _rules(level: Level, rows: Mapping[str, tuple[str, str, str]]) -> dict[str, Rule]:
    return {
        name: Rule(level=level, when=when, costs=costs, remedy=remedy)
        for name, (when, costs, remedy) in rows.items()
    }


_BLOCKS = _rules(
    "blocks",
    {
        "text-format": (
            "the stream sends text",
            "nothing can be read from it",
            "send numbers: float32, or double64",
        ),
        "too-many-channels": (
            "it has more than 64 channels",
            "nothing is read from it",
            "send only gaze, pupil, reflex, head and confidence channels",
        ),
        "channels-unnamed": (
            "no channel says what it is (type)",
            "nothing can be read from it",
            "write the metadata, or name the channels once: calibkit streams "
            "--draft FILE, then --names FILE",
        ),
        "no-eye-complete": (
            "no eye has a complete set of position channels",
            "nothing can be read from it",
            "give an eye ScreenX and ScreenY, or PupilX and PupilY, or DirectionX, Y "
            "and Z",
        ),
        "silent": (
            "fewer than two samples came",
            "nothing can be said about its stamps and values",
            "start the tracker's measurement",
        ),
    },
)

_SAID = _rules(
    "harms",
    {
        "half-pair": (
            "an X of a type and eye has no Y (or Z), or the other way round",
            "that pair is not read, and the next best, or one eye alone, is",
            "give both axes the same eye and type, ScreenX and ScreenY for instance",
        ),
        "channels-listed": (
            "the metadata list another number of channels than there are",
            "names may belong to other channels: left may be read as right",
            "describe every channel once, in the order of the samples",
        ),
        "unit-absent": (
            "a screen position has no unit",
            "it is taken for pixels; normalized values would all be one spot",
            "write unit: pixels, normalized or mm",
        ),
        "unit-unknown": (
            "the unit of a screen position is none of pixels, normalized, mm",
            "it is taken for pixels, so without a calibration gaze is elsewhere",
            "send one of these units, or angles as DirectionX, Y, Z",
        ),
        "source-id-absent": (
            "there is no source_id",
            "after a restart it cannot be told from another tracker, so a session "
            "does not go on by itself",
            "give it a source_id that stays, such as maker and serial number",
        ),
        "source-id-made-up": (
            "the source_id looks drawn anew at each start (a hash or a UUID)",
            "after a restart it counts as another tracker: sessions do not go on, "
            "and the calibrated stream changes its name too",
            "set the source_id yourself, to something that stays",
        ),
        "source-id-shared": (
            "several streams in reach have the same source_id and name",
            "which is read is not certain; nothing is read until all but one stop",
            "give each its own source_id",
        ),
    },
)

_STAMPS = _rules(
    "harms",
    {
        "clock-other": (
            "stamps differ from the LSL clock by more than 5 s",
            "the time of arrival is used instead, with the network's jitter",
            "turn your clock's time into LSL's, as README shows",
        ),
        "clock-drift": (
            "stamps drift against the LSL clock by more than 0.2 ms a second, or 4 ms "
            "while it is watched",
            "targets and gaze come apart while a session lasts",
            "compare the two clocks again every second or so, as README shows",
        ),
        "stamps-ahead": (
            "samples are stamped more than 5 ms after they arrive",
            "looks seem to come before their targets, and reaction times are wrong",
            "stamp with the time of the picture, not of a plan or a buffer's end",
        ),
        "late": (
            "samples are older than 100 ms on arrival, the stated delay included",
            "the pointer follows the eye that much later",
            "send each sample at once, in chunks of one",
        ),
        "rate-wrong": (
            "the declared rate is off by more than 10 %",
            "programs that smooth stamps by the declared rate misplace samples",
            "declare the true rate, or 0 where frames may drop",
        ),
        "frames-absent": (
            "a rate is declared and more than 0.5 % of the frames are absent",
            "looks have fewer samples, and dejittering programs shift the rest",
            "declare rate 0, and see whether the tracker's computer keeps up",
        ),
        "gap": (
            "for more than 0.5 s no sample comes",
            "the session counts the stream as lost, and the pointer stands still",
            "send NaN while no eye is seen; see whether the computer keeps up",
        ),
        "stamps-repeated": (
            "samples repeat the stamp before",
            "they are dropped",
            "send each sample once, with a stamp of its own",
        ),
        "stamps-backward": (
            "stamps run backward",
            "these samples are dropped",
            "send samples in the order of their stamps",
        ),
        "stamps-bunched": (
            "more than 20 % of the steps are shorter than a tenth of the usual",
            "many samples seem to be of one moment: speed and steadiness are wrong, "
            "and looks are cut wrongly",
            "stamp each sample when its picture was taken, not when a batch came",
        ),
        "stamps-uneven": (
            "a rate is declared and steps between stamps vary by more than 25 %",
            "speed is wrong by as much, so movements are taken for looks",
            "stamp by the tracker's own clock, turned into LSL's",
        ),
        "correction-unsteady": (
            "the other computer's clock differs by more than 5 ms from one measurement "
            "to the next",
            "targets and gaze fit together only that well",
            "use a cable in place of wireless, or run the tracker on this computer",
        ),
    },
)

_VALUES = _rules(
    "harms",
    {
        "sentinel-undeclared": (
            "one and the same far-off value comes again and again",
            "lost samples are taken for looks at that place, and bend the mapping",
            "send NaN, or name the number: missing = [...] in the channel map",
        ),
        "eye-constant": (
            "an eye's positions never change",
            "it counts as no eye; if it is the only one, there is no gaze",
            "see whether the tracker measures, and whether columns are swapped",
        ),
        "eye-frozen": (
            "more than 5 % of the samples repeat an eye's values exactly",
            "a frozen picture looks like a steady eye, and noise seems smaller",
            "send NaN, or nothing, while there is no new picture",
        ),
        "eyes-identical": (
            "both eyes send the same values in more than 95 % of the samples",
            "two eyes seem to agree, so gaze is trusted too much; when one is lost "
            "the other does not help",
            "send one pair with eye: both",
        ),
        "unit-mismatch": (
            "values do not fit the unit: within -0.5 to 1.5 though in pixels or mm, "
            "or beyond 3 though normalized",
            "without a calibration all gaze is at one spot; usual priors do not fit",
            "correct the unit in the metadata or in the channel map",
        ),
        "origin-centre": (
            "more than 20 % of the screen positions are negative",
            "taken from the top-left corner they are off by half a screen",
            'send from the top left, or write origin = "center" (or "center-up") in '
            "the channel map",
        ),
        "outside": (
            "more than 1 % of the positions are over a screen away from the screen",
            "these samples count as missing",
            "see the unit, the screen's size, and what is sent for lost samples",
        ),
        "direction-length": (
            "gaze directions are not of length 1, by more than 5 %",
            "angles from them are wrong, so the prior does not fit",
            "divide each direction by its length; send NaN where there is none",
        ),
        "confidence-range": (
            "a confidence lies outside 0 to 1",
            "a protocol's min_confidence lets everything through, or nothing",
            "scale it to 0 (none) to 1 (sure)",
        ),
        "float32-epoch": (
            "a float32 channel holds numbers beyond 2^24",
            "they are rounded: a time of day has steps of 128 s",
            "leave times and counters out of the channels, or send double64",
        ),
        "coarse": (
            "an eye's position takes 15 values or fewer",
            "gaze jumps in such steps, and no key smaller than one can be used",
            "send the tracker's numbers unrounded",
        ),
    },
)

_NOTES = _rules(
    "note",
    {
        "eye-absent": (
            "channels name no eye",
            "they are taken for both eyes together",
            "write eye: left, right or both",
        ),
        "type-unread": (
            "channels have a type that neither the XDF page nor calibkit knows",
            "they are used only where a fit names them (--extra LABEL)",
            "write the types as the XDF page does, ScreenX for instance",
        ),
        "labels-shared": (
            "two channels have the same label",
            "--extra cannot tell them apart",
            "give each channel its own label",
        ),
        "name-shared": (
            "several streams in reach have the same name",
            "recorders may merge them into one",
            "give each its own name",
        ),
        "setup-absent": (
            "neither the stream nor calibkit's settings know the screen or distance",
            "somebody has to measure and type it before degrees can be told",
            "write <setup> into the description, as README shows, or keep it with "
            "--screen-px, --screen-mm and --distance-mm",
        ),
        "arrive-in-chunks": (
            "samples arrive several at a time, more than 50 ms apart",
            "the pointer moves in jerks",
            "send each sample at once, in chunks of one",
        ),
        "eye-lost": (
            "more than 5 % of an eye's samples are not a number",
            "they count as missing; blinks alone take 3 to 5 %",
            "see the light, the distance and the tracker's own set-up",
        ),
        "zeros": (
            "an eye's positions are all 0 or all -1 at times",
            "they count as missing; elsewhere they may be taken for a corner",
            "send NaN where the eye is not seen",
        ),
        "channel-constant": (
            "a head, position, diameter or confidence channel never changes",
            "it helps nothing, and a confidence of 1 for lost samples misleads",
            "leave it out until it is measured",
        ),
    },
)

RULES: Mapping[str, Rule] = {**_BLOCKS, **_SAID, **_STAMPS, **_VALUES, **_NOTES}


def table() -> str:
    """Return all rules as a Markdown table, for the developers' page."""
    rows = [
        f"| `{name}` | {rule.level} | {rule.when} | {rule.costs} |"
        for name, rule in RULES.items()
    ]
    head = ["| id | level | when | what it costs |", "| --- | --- | --- | --- |"]
    return "\n".join([*head, *rows])
