"""A routine for the Builder's flow: a session with the person, in the window."""

from __future__ import annotations

from typing import Any, ClassVar

from psychopy.experiment.routines import BaseStandaloneRoutine

from calibkit.builder import fields
from calibkit.builder.fields import choice, code, text


class CalibkitSessionRoutine(BaseStandaloneRoutine):  # type: ignore[misc]
    """Shows targets, fits or checks a mapping, and writes how good it is."""

    categories: ClassVar[list[str]] = [fields.CATEGORY]
    targets: ClassVar[list[str]] = ["PsychoPy"]
    plugin = "calibkit"
    version = "2026.1.0"
    iconFile = fields.ICONS / "session.png"
    iconSVG = fields.ICONS / "session.svg"
    label = "Gaze session"
    tooltip = "Gaze session: show targets, fit a gaze mapping or check it (calibkit)"

    def __init__(
        self,
        exp: Any,
        name: str = "gaze_session",
        whatToDo: str = "calibrate",
        protocolName: str = "",
        personCode: str = "expInfo['participant']",
        streamId: str = "",
        goesOn: str = "",
        withinDeg: str = "",
        tries: str = "1",
        whenStopped: str = "goes on",
        screenMm: str = "",
        distanceMm: str = "",
    ) -> None:
        BaseStandaloneRoutine.__init__(self, exp, name=name)
        fields.require(exp)
        self.type = "CalibkitSession"
        # It ends by itself, after its last target.
        del self.params["stopVal"], self.params["stopType"]
        self.params |= _session(whatToDo, protocolName, personCode, streamId, goesOn)
        self.params |= _results(withinDeg, tries, whenStopped)
        values = (screenMm, distanceMm)
        for (key, name_, hint), value in zip(fields.SCREEN, values, strict=True):
            self.params[key] = code(value, name_, hint, "Screen")
        self.order += [key for key in self.params if key not in self.order]

    def writeMainCode(self, buff: Any) -> None:  # noqa: D102
        names = {
            "do": "whatToDo",
            "protocol": "protocolName",
            "person": "personCode",
            "gaze": "streamId",
            "advance": "goesOn",
            "within_deg": "withinDeg",
            "tries": "tries",
            "stopped": "whenStopped",
            "screen_mm": "screenMm",
            "distance_mm": "distanceMm",
        }
        name = self.params["name"]
        given = fields.written(self.params, names)
        buff.writeIndentedLines(
            "# hold the session in this window, which stays as it is\n"
            f"{name} = {fields.CALLED}.hold(\n    win, thisExp, '{name}',\n{given})\n"
            "# keys of the session are none of the experiment's\n"
            "if defaultKeyboard is not None:\n"
            "    defaultKeyboard.clearEvents()\n"
            f"if {name}.ends:\n"
            "    endExperiment(thisExp, win=win)\n"
            "    return\n"
        )


def _session(
    what: str, protocol: str, person: str, stream: str, goes_on: str
) -> dict[str, Any]:
    return {
        "whatToDo": choice(
            what,
            ("calibrate", "validate", "one-point"),
            (
                "Fit a mapping",
                "Check it at several points",
                "Check it at one point",
            ),
            "What to do",
            "A fit is checked at points of its own, as the protocol says.",
        ),
        "protocolName": text(
            protocol,
            "Protocol",
            "A shipped protocol (offset, quick, standard, full, ...) or a TOML "
            "file. Blank: the usual one for what is to be done.",
        ),
        "personCode": code(
            person,
            "Person",
            "A code of a-z, 0-9 and -, never a name; the mapping is kept for it.",
        ),
        "streamId": text(
            stream,
            "Gaze stream",
            "source_id of the LSL stream. Blank: the only one in reach.",
        ),
        "goesOn": choice(
            goes_on,
            ("", "gaze", "timer", "key"),
            ("As the protocol says", "When looked at", "After a time", "Space bar"),
            "Next target",
            "What ends a target.",
        ),
    }


def _results(within_deg: str, tries: str, stopped: str) -> dict[str, Any]:
    return {
        "withinDeg": code(
            within_deg,
            "Good enough, degrees",
            "Largest mean error at the check points that is accepted. Blank: any.",
            "Result",
        ),
        "tries": code(
            tries, "Tries", "How often at most, until it is good enough.", "Result"
        ),
        "whenStopped": choice(
            stopped,
            ("goes on", "ends"),
            ("The experiment goes on", "The experiment ends"),
            "After escape",
            "The escape key stops a session; what was recorded is kept.",
            "Result",
        ),
    }
