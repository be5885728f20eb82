"""What a stream's own words and stamps can do wrong: each rule, its cost and the fix.

Limits are common practice, no source, unless a rule names one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from calibkit.language import later

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
        What that costs the person, and what to do; marked for translation.
    """

    level: Level
    when: str
    costs: str
    remedy: str


STREAM: Mapping[str, Rule] = {
    "text-format": Rule(
        level="blocks",
        when="the stream sends text",
        costs=later("nothing can be read from it"),
        remedy=later("send numbers: float32, or double64"),
    ),
    "too-many-channels": Rule(
        level="blocks",
        when="it has more than 64 channels",
        costs=later("nothing is read from it"),
        remedy=later("send only gaze, pupil, reflex, head and confidence channels"),
    ),
    "channels-unnamed": Rule(
        level="blocks",
        when="no channel says what it is (type)",
        costs=later("nothing can be read from it"),
        remedy=later(
            "write the metadata, or name the channels once: calibkit streams --draft "
            "FILE, then --names FILE"
        ),
    ),
    "no-eye-complete": Rule(
        level="blocks",
        when="no eye has a complete set of position channels",
        costs=later("nothing can be read from it"),
        remedy=later(
            "give an eye ScreenX and ScreenY, or PupilX and PupilY, or DirectionX, Y "
            "and Z"
        ),
    ),
    "silent": Rule(
        level="blocks",
        when="fewer than two samples came",
        costs=later("nothing can be said about its stamps and values"),
        remedy=later("start the tracker's measurement"),
    ),
    "half-pair": Rule(
        level="harms",
        when="an X of a type and eye has no Y (or Z), or the other way round",
        costs=later("that pair is not read, and the next best, or one eye alone, is"),
        remedy=later(
            "give both axes the same eye and type, ScreenX and ScreenY for instance"
        ),
    ),
    "channels-listed": Rule(
        level="harms",
        when="the metadata list another number of channels than there are",
        costs=later("names may belong to other channels: left may be read as right"),
        remedy=later("describe every channel once, in the order of the samples"),
    ),
    "unit-absent": Rule(
        level="harms",
        when="a screen position has no unit",
        costs=later("it is taken for pixels; normalized values would all be one spot"),
        remedy=later("write unit: pixels, normalized or mm"),
    ),
    "unit-unknown": Rule(
        level="harms",
        when="the unit of a screen position is none of pixels, normalized, mm",
        costs=later(
            "it is taken for pixels, so without a calibration gaze is elsewhere"
        ),
        remedy=later("send one of these units, or angles as DirectionX, Y, Z"),
    ),
    "source-id-absent": Rule(
        level="harms",
        when="there is no source_id",
        costs=later(
            "after a restart it cannot be told from another tracker, so a session does "
            "not go on by itself"
        ),
        remedy=later("give it a source_id that stays, such as maker and serial number"),
    ),
    "source-id-made-up": Rule(
        level="harms",
        when="the source_id looks drawn anew at each start (a hash or a UUID)",
        costs=later(
            "after a restart it counts as another tracker: sessions do not go on, and "
            "the calibrated stream changes its name too"
        ),
        remedy=later("set the source_id yourself, to something that stays"),
    ),
    "source-id-shared": Rule(
        level="harms",
        when="several streams in reach have the same source_id and name",
        costs=later(
            "which is read is not certain; nothing is read until all but one stop"
        ),
        remedy=later("give each its own source_id"),
    ),
    "clock-other": Rule(
        level="harms",
        when="stamps differ from the LSL clock by more than 5 s",
        costs=later("the time of arrival is used instead, with the network's jitter"),
        remedy=later("turn your clock's time into LSL's, as README shows"),
    ),
    "clock-drift": Rule(
        level="harms",
        when="stamps drift against the LSL clock by more than 0.2 ms a second, or 4 "
        "ms while it is watched",
        costs=later("targets and gaze come apart while a session lasts"),
        remedy=later(
            "compare the two clocks again every second or so, as README shows"
        ),
    ),
    "stamps-ahead": Rule(
        level="harms",
        when="samples are stamped more than 5 ms after they arrive",
        costs=later(
            "looks seem to come before their targets, and reaction times are wrong"
        ),
        remedy=later(
            "stamp with the time of the picture, not of a plan or a buffer's end"
        ),
    ),
    "late": Rule(
        level="harms",
        when="samples are older than 100 ms on arrival, the stated delay included",
        costs=later("the pointer follows the eye that much later"),
        remedy=later("send each sample at once, in chunks of one"),
    ),
    "rate-wrong": Rule(
        level="harms",
        when="the declared rate is off by more than 10 %",
        costs=later(
            "programs that smooth stamps by the declared rate misplace samples"
        ),
        remedy=later("declare the true rate, or 0 where frames may drop"),
    ),
    "frames-absent": Rule(
        level="harms",
        when="a rate is declared and more than 0.5 % of the frames are absent",
        costs=later(
            "looks have fewer samples, and dejittering programs shift the rest"
        ),
        remedy=later("declare rate 0, and see whether the tracker's computer keeps up"),
    ),
    "gap": Rule(
        level="harms",
        when="for more than 0.5 s no sample comes",
        costs=later(
            "the session counts the stream as lost, and the pointer stands still"
        ),
        remedy=later(
            "send NaN while no eye is seen; see whether the computer keeps up"
        ),
    ),
    "stamps-repeated": Rule(
        level="harms",
        when="samples repeat the stamp before",
        costs=later("they are dropped"),
        remedy=later("send each sample once, with a stamp of its own"),
    ),
    "stamps-backward": Rule(
        level="harms",
        when="stamps run backward",
        costs=later("these samples are dropped"),
        remedy=later("send samples in the order of their stamps"),
    ),
    "stamps-bunched": Rule(
        level="harms",
        when="more than 20 % of the steps are shorter than a tenth of the usual",
        costs=later(
            "many samples seem to be of one moment: speed and steadiness are wrong, "
            "and looks are cut wrongly"
        ),
        remedy=later(
            "stamp each sample when its picture was taken, not when a batch came"
        ),
    ),
    "stamps-uneven": Rule(
        level="harms",
        when="a rate is declared and steps between stamps vary by more than 25 %",
        costs=later("speed is wrong by as much, so movements are taken for looks"),
        remedy=later("stamp by the tracker's own clock, turned into LSL's"),
    ),
    "correction-unsteady": Rule(
        level="harms",
        when="the other computer's clock differs by more than 5 ms from one "
        "measurement to the next",
        costs=later("targets and gaze fit together only that well"),
        remedy=later(
            "use a cable in place of wireless, or run the tracker on this computer"
        ),
    ),
}
