"""A component for the Builder's routines: where the person looked, into the data."""

from __future__ import annotations

from typing import Any, ClassVar

from psychopy.experiment.components import BaseComponent

from calibkit.builder import fields
from calibkit.builder.fields import choice, code, text

_TIMES = ("startType", "startVal", "startEstim", "stopType", "stopVal", "durationEstim")


class CalibkitGazeComponent(BaseComponent):  # type: ignore[misc]
    """Follows calibrated gaze while a routine runs, and saves what it found."""

    categories: ClassVar[list[str]] = [fields.CATEGORY]
    targets: ClassVar[list[str]] = ["PsychoPy"]
    plugin = "calibkit"
    version = "2026.1.0"
    iconFile = fields.ICONS / "gaze.png"
    iconSVG = fields.ICONS / "gaze.svg"
    label = "Gaze"
    tooltip = "Gaze: where the person looks, and for how much of the time (calibkit)"

    def __init__(
        self,
        exp: Any,
        parentName: str,
        name: str = "gaze",
        readFrom: str = "raw",
        personCode: str = "expInfo['participant']",
        streamId: str = "",
        fromTime: str = "0.0",
        untilTime: str = "",
        lastSeconds: str = "0.2",
    ) -> None:
        super().__init__(exp, parentName, name=name)
        fields.require(exp)
        self.type = "CalibkitGaze"
        # It never decides how long a routine lasts, so it has no time of its own.
        for key in (*_TIMES, "saveStartStop", "syncScreenRefresh"):
            self.params.pop(key, None)
        self.order = ["name"]
        self.params |= {
            "readFrom": choice(
                readFrom,
                ("raw", "published"),
                ("The tracker, by the person's mapping", "calibkit publish"),
                "Read gaze from",
                "A session earlier in the flow makes the mapping; calibkit publish "
                "is a program that runs beside the experiment.",
            ),
            "personCode": code(
                personCode, "Person", "Whose mapping in use; a session keeps it."
            ),
            "streamId": text(
                streamId,
                "Gaze stream",
                "source_id of the tracker's LSL stream. Blank: the only one in reach.",
            ),
            "fromTime": code(fromTime, "Count from, s", "Time in the routine.", "Data"),
            "untilTime": code(
                untilTime, "Count until, s", "Blank: the routine's end.", "Data"
            ),
            "lastSeconds": code(
                lastSeconds,
                "Place of the last, s",
                "The place is the median of the samples of so many seconds.",
                "Data",
            ),
        }
        self.order += [key for key in self.params if key not in self.order]

    def writeInitCode(self, buff: Any) -> None:  # noqa: D102
        names = {
            "read": "readFrom",
            "person": "personCode",
            "gaze": "streamId",
            "last_s": "lastSeconds",
        }
        name = self.params["name"]
        given = fields.written(self.params, names)
        buff.writeIndentedLines(
            f"{name} = {fields.CALLED}.Watched(\n    win, '{name}',\n{given})\n"
            f"runAtExit.append({name}.close)\n"
        )

    def writeRoutineStartCode(self, buff: Any) -> None:  # noqa: D102
        limits = {"from_s": "fromTime", "until_s": "untilTime"}
        given = fields.written(self.params, limits)
        buff.writeIndentedLines(f"{self.params['name']}.begin(\n{given})\n")

    def writeFrameCode(self, buff: Any) -> None:  # noqa: D102
        buff.writeIndentedLines(f"{self.params['name']}.look(t)\n")

    def writeRoutineEndCode(self, buff: Any) -> None:  # noqa: D102
        buff.writeIndentedLines(f"{self.params['name']}.save(thisExp)\n")
