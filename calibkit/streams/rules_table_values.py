"""What a stream's numbers can do wrong, and what is good to know: cost and fix.

Limits are common practice, no source, unless a rule names one.
"""

from __future__ import annotations

from collections.abc import Mapping

from calibkit.language import later
from calibkit.streams.rules_table import Rule

NUMBERS: Mapping[str, Rule] = {
    "sentinel-undeclared": Rule(
        level="harms",
        when="one and the same far-off value comes again and again",
        costs=later(
            "lost samples are taken for looks at that place, and bend the mapping"
        ),
        remedy=later(
            "send NaN, or name the number: missing = [...] in the channel map"
        ),
    ),
    "eye-constant": Rule(
        level="harms",
        when="an eye's positions never change",
        costs=later("it counts as no eye; if it is the only one, there is no gaze"),
        remedy=later(
            "see whether the tracker measures, and whether columns are swapped"
        ),
    ),
    "eye-frozen": Rule(
        level="harms",
        when="more than 5 % of the samples repeat an eye's values exactly",
        costs=later(
            "a frozen picture looks like a steady eye, and noise seems smaller"
        ),
        remedy=later("send NaN, or nothing, while there is no new picture"),
    ),
    "eyes-identical": Rule(
        level="harms",
        when="both eyes send the same values in more than 95 % of the samples",
        costs=later(
            "two eyes seem to agree, so gaze is trusted too much; when one is lost the "
            "other does not help"
        ),
        remedy=later("send one pair with eye: both"),
    ),
    "unit-mismatch": Rule(
        level="harms",
        when="values do not fit the unit: within -0.5 to 1.5 though in pixels or mm, "
        "or beyond 3 though normalized",
        costs=later(
            "without a calibration all gaze is at one spot; usual priors do not fit"
        ),
        remedy=later("correct the unit in the metadata or in the channel map"),
    ),
    "origin-centre": Rule(
        level="harms",
        when="more than 20 % of the screen positions are negative",
        costs=later("taken from the top-left corner they are off by half a screen"),
        remedy=later(
            'send from the top left, or write origin = "center" (or "center-up") in '
            "the channel map"
        ),
    ),
    "outside": Rule(
        level="harms",
        when="more than 1 % of the positions are over a screen away from the screen",
        costs=later("these samples count as missing"),
        remedy=later(
            "see the unit, the screen's size, and what is sent for lost samples"
        ),
    ),
    "direction-length": Rule(
        level="harms",
        when="gaze directions are not of length 1, by more than 5 %",
        costs=later("angles from them are wrong, so the prior does not fit"),
        remedy=later(
            "divide each direction by its length; send NaN where there is none"
        ),
    ),
    "confidence-range": Rule(
        level="harms",
        when="a confidence lies outside 0 to 1",
        costs=later("a protocol's min_confidence lets everything through, or nothing"),
        remedy=later("scale it to 0 (none) to 1 (sure)"),
    ),
    "float32-epoch": Rule(
        level="harms",
        when="a float32 channel holds numbers beyond 2^24",
        costs=later("they are rounded: a time of day has steps of 128 s"),
        remedy=later("leave times and counters out of the channels, or send double64"),
    ),
    "coarse": Rule(
        level="harms",
        when="an eye's position takes 15 values or fewer",
        costs=later(
            "gaze jumps in such steps, and no key smaller than one can be used"
        ),
        remedy=later("send the tracker's numbers unrounded"),
    ),
    "eye-absent": Rule(
        level="note",
        when="channels name no eye",
        costs=later("they are taken for both eyes together"),
        remedy=later("write eye: left, right or both"),
    ),
    "type-unread": Rule(
        level="note",
        when="channels have a type that neither the XDF page nor calibkit knows",
        costs=later("they are used only where a fit names them (--extra LABEL)"),
        remedy=later("write the types as the XDF page does, ScreenX for instance"),
    ),
    "labels-shared": Rule(
        level="note",
        when="two channels have the same label",
        costs=later("--extra cannot tell them apart"),
        remedy=later("give each channel its own label"),
    ),
    "name-shared": Rule(
        level="note",
        when="several streams in reach have the same name",
        costs=later("recorders may merge them into one"),
        remedy=later("give each its own name"),
    ),
    "setup-absent": Rule(
        level="note",
        when="neither the stream nor calibkit's settings know the screen or distance",
        costs=later("somebody has to measure and type it before degrees can be told"),
        remedy=later(
            "write <setup> into the description, as README shows, or keep it with "
            "--screen-px, --screen-mm and --distance-mm"
        ),
    ),
    "arrive-in-chunks": Rule(
        level="note",
        when="samples arrive several at a time, more than 50 ms apart",
        costs=later("the pointer moves in jerks"),
        remedy=later("send each sample at once, in chunks of one"),
    ),
    "eye-lost": Rule(
        level="note",
        when="more than 5 % of an eye's samples are not a number",
        costs=later("they count as missing; blinks alone take 3 to 5 %"),
        remedy=later("see the light, the distance and the tracker's own set-up"),
    ),
    "zeros": Rule(
        level="note",
        when="an eye's positions are all 0 or all -1 at times",
        costs=later("they count as missing; elsewhere they may be taken for a corner"),
        remedy=later("send NaN where the eye is not seen"),
    ),
    "channel-constant": Rule(
        level="note",
        when="a head, position, diameter or confidence channel never changes",
        costs=later(
            "it helps nothing, and a confidence of 1 for lost samples misleads"
        ),
        remedy=later("leave it out until it is measured"),
    ),
}
