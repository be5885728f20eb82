"""The protocol as data: every key, its limits and its reason, in one model.

The published JSON Schema is made from it (`schema`), and every refusal that the
reader in `protocol` words comes out of it. Limits of flashing and red are WCAG 2.3.1,
halved to 2 a second for everything that moves; there is no way round them.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Strict,
    Tag,
    field_validator,
    model_validator,
)

VERSION = 1
MAX_POINTS = 500
MAX_TOTAL_S = 300.0
MAX_FLASH_HZ = 2.0
RED_SHARE = 0.8

Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Whole = Annotated[int, Strict()]
Fraction = Annotated[float, Strict(), Field(allow_inf_nan=False, ge=0.0, le=1.0)]
Share = Annotated[float, Strict(), Field(allow_inf_nan=False, ge=0.05, le=1.0)]
# No control characters, nor those that turn the direction of the text around them.
Text = Annotated[
    str,
    Strict(),
    Field(
        max_length=300,
        pattern=r"^[^\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]*$",
    ),
]
Name = Annotated[str, Strict(), Field(pattern=r"^[a-z0-9-]{1,32}$")]
# Below the protocol's own folder: no drive, no way up, no address of another machine.
File = Annotated[
    str,
    Strict(),
    Field(
        max_length=200,
        pattern=r"^([A-Za-z0-9_-][A-Za-z0-9_. -]*/)*"
        r"[A-Za-z0-9_-][A-Za-z0-9_. -]*\.(png|jpg|jpeg)$",
    ),
]
Extends = Annotated[str, Strict(), Field(pattern=r"^([a-z0-9-]{1,32})?$")]
# Single keys only, and none that a person needs to leave a program: no escape.
KeyName = Annotated[
    str,
    Strict(),
    Field(
        pattern=r"^([a-z0-9]|f[1-9]|f1[0-2]|space|return|enter|tab|backspace|delete|"
        r"insert|home|end|pageup|pagedown|up|down|left|right|comma|period|minus|plus|"
        r"slash|num_[0-9]|num_enter|num_add|num_subtract)$"
    ),
]
Side = Annotated[int, Strict(), Field(ge=1, le=40)]
Point = tuple[Fraction, Fraction]
Points = Annotated[tuple[Point, ...], Field(max_length=MAX_POINTS)]
# Tags in brackets, so that refusals do not show them as part of a key's path.
NameOrPoints = Annotated[
    Annotated[Name, Tag("(name)")] | Annotated[Points, Tag("(points)")],
    Discriminator(lambda value: "(name)" if isinstance(value, str) else "(points)"),
]
Role = Literal["calibration", "validation"]
Advance = Literal["gaze", "timer", "key"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class Head(_Table):
    """What the file is, and for whom."""

    version: Whole = Field(description="Version of the protocol format; this is 1.")
    name: Name = Field(description="Small letters, digits and dashes.")
    purpose: Text = Field(
        default="", description="For whom and for what, in a sentence."
    )
    role: Role = Field(default="calibration", description="What its points are for.")
    extends: Extends = Field(
        default="", description="A protocol whose keys this one changes."
    )

    @field_validator("version")
    @classmethod
    def _known(cls, value: int) -> int:
        if value != VERSION:
            raise ValueError(
                f"is {value}, but this calibkit reads version {VERSION}; "
                "use a calibkit that knows it, or write the file anew"
            )
        return value


class Targets(_Table):
    """What is shown."""

    points: Points = Field(
        default=(), description="Fractions of the area; none is allowed."
    )
    area: tuple[Share, Share] = Field(
        default=(0.86, 0.86),
        description="Share of the screen's width and height, centred.",
    )
    order: Literal["listed", "shuffled"] = Field(
        default="shuffled", description="Shuffled points cannot be anticipated."
    )
    form: Literal["bullseye", "ring", "diamond", "square"] = Field(
        default="bullseye", description="Drawn form; eyes rest best on the bull's-eye."
    )
    pictures: Annotated[tuple[File, ...], Field(max_length=60)] = Field(
        default=(), description="Files beside the protocol, shown in place of a form."
    )
    picture_s: Number = Field(
        default=1.0,
        ge=1.0 / MAX_FLASH_HZ,
        le=60.0,
        description="How long each picture of a sequence stays.",
    )
    size_deg: Number = Field(
        default=0.6, ge=0.1, le=5.0, description="Outer size while it is measured."
    )
    start_deg: Number = Field(
        default=2.0, ge=0.1, le=10.0, description="Outer size when it appears."
    )
    draw_in_s: Number = Field(
        default=0.6,
        ge=0.3,
        le=5.0,
        description="Time to shrink, before it is measured.",
    )
    pulse_hz: Number = Field(
        default=0.0,
        ge=0.0,
        le=MAX_FLASH_HZ,
        description="Breathing of the size, drawing in.",
    )
    background: tuple[Fraction, Fraction, Fraction] = Field(
        default=(0.5, 0.5, 0.5), description="Red, green, blue; best that of later use."
    )

    used_on: tuple[Fraction, Fraction, Fraction] | None = Field(
        default=None, description="Background that gaze is used on; warns if far off."
    )

    @field_validator("background")
    @classmethod
    def _not_red(cls, value: tuple[float, float, float]) -> tuple[float, float, float]:
        if sum(value) > 0 and value[0] / sum(value) >= RED_SHARE:
            raise ValueError(
                f"is a saturated red (red is {value[0] / sum(value):.0%} of it, the "
                "limit is 80%), which can provoke seizures; choose a greyer colour"
            )
        return value

    @model_validator(mode="after")
    def _shrinks(self) -> Self:
        if self.start_deg < self.size_deg:
            raise ValueError(
                f"start_deg is {self.start_deg:g}, smaller than size_deg "
                f"{self.size_deg:g}; a target draws in, it does not grow"
            )
        return self


class Path(_Table):
    """Where a moving target goes; without points the target jumps and rests."""

    points: Points = Field(default=(), description="Corners of the way, as fractions.")
    speed_deg_s: Number = Field(
        default=6.0,
        ge=1.0,
        le=15.0,
        description="5 to 8 can be followed by most people.",
    )


class Pace(_Table):
    """What moves the session on."""

    advance: Advance = Field(default="gaze", description="What ends a point.")
    hold_s: Number = Field(
        default=0.9, ge=0.2, le=10.0, description="How long a look is measured."
    )
    limit_s: Number = Field(
        default=6.0, ge=1.0, le=60.0, description="Longest wait for a look, by gaze."
    )
    gap_s: Number = Field(
        default=0.25,
        ge=0.0,
        le=5.0,
        description="Empty screen between points, up to twice.",
    )
    fade_s: Number = Field(
        default=0.3, ge=0.3, le=2.0, description="Fading out, never a cut."
    )
    cue: Annotated[bool, Strict()] = Field(
        default=False, description="A soft tone when a point is done."
    )
    repeats: Whole = Field(
        default=1, ge=0, le=3, description="How often a missed point is shown again."
    )
    enough_deg: Number = Field(
        default=0.0,
        ge=0.0,
        le=10.0,
        description="Stop early at this expected error; 0 never.",
    )
    enough_keys: tuple[Side, Side] | None = Field(
        default=None,
        description="Stop early once these rows and columns of keys can be expected.",
    )

    @property
    def ends_early(self) -> bool:
        """Whether a calibration may end before its last point."""
        return self.enough_deg > 0 or self.enough_keys is not None


class EyeWeights(_Table):
    """How much each eye counts; the measured precision decides without it."""

    left: Number = Field(default=1.0, ge=0.0, le=1000.0, description="Left eye.")
    right: Number = Field(default=1.0, ge=0.0, le=1000.0, description="Right eye.")


class Data(_Table):
    """Which data count."""

    eyes: Literal["both", "left", "right"] = Field(
        default="both", description="Eyes in use."
    )
    weights: EyeWeights | None = Field(default=None, description="Weight per eye.")
    max_loss: Fraction = Field(
        default=0.4, description="Share of lost samples up to which a look is a look."
    )
    max_noise_deg: Number = Field(
        default=0.0,
        ge=0.0,
        le=20.0,
        description="Noise up to which a look is a look, where known; 0 any.",
    )
    min_confidence: Fraction = Field(
        default=0.0, description="Samples below this confidence do not count."
    )


class Check(_Table):
    """Which points follow, to say how far to trust the mapping."""

    points: NameOrPoints = Field(
        default="off-grid",
        description="A validation protocol's name, points, or [] for none.",
    )


class KeyMap(_Table):
    """What the operator's keys do; escape always stops."""

    next: KeyName = Field(default="space", description="Ends the point.")
    pause: KeyName = Field(default="p", description="Pauses, and goes on.")
    again: KeyName = Field(default="r", description="Shows the point again.")
    omit: KeyName = Field(default="x", description="Leaves the point out.")
    call: KeyName = Field(default="a", description="Draws attention to the target.")

    def actions(self) -> dict[str, str]:
        """What each key does, by the key's name."""
        return {key: action for action, key in self.model_dump().items()}

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        used = list(self.model_dump().values())
        twice = sorted({key for key in used if used.count(key) > 1})
        if twice:
            raise ValueError(f"gives {twice[0]!r} two things to do; use another key")
        return self


class Protocol(_Table):
    """A whole protocol."""

    protocol: Head
    targets: Targets = Targets()
    path: Path = Path()
    pace: Pace = Pace()
    data: Data = Data()
    check: Check = Check()
    keys: KeyMap = KeyMap()

    @property
    def name(self) -> str:
        """Name in the file's head."""
        return self.protocol.name

    @property
    def points(self) -> tuple[Point, ...]:
        """Its own points, fractions of its area."""
        return self.targets.points

    @property
    def glides(self) -> bool:
        """Whether the target moves along a path."""
        return len(self.path.points) > 0

    def point_s(self) -> float:
        """Time that one point takes when it is looked at, without reaction times."""
        pace = self.pace
        return self.targets.draw_in_s + pace.hold_s + pace.fade_s + 1.5 * pace.gap_s

    def total_s(self) -> float:
        """Time that all of its own points take, reaction times left out."""
        return self.point_s() * len(self.targets.points)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        faults = [*_path_faults(self.path, self.targets), *_length_faults(self)]
        if faults:
            raise ValueError("; ".join(faults))
        return self


def _path_faults(path: Path, targets: Targets) -> list[str]:
    if not path.points:
        return []
    found = []
    if len(set(path.points)) < 2:
        found.append("path.points needs two different points or more; add one")
    if targets.points:
        found.append(
            "targets.points and path.points are both given; a target rests or "
            "glides, so leave one of them out"
        )
    return found


def _length_faults(protocol: Protocol) -> list[str]:
    if protocol.total_s() <= MAX_TOTAL_S:
        return []
    return [
        f"its points take {protocol.total_s():.0f} s in all, more than "
        f"{MAX_TOTAL_S:.0f} s; use fewer points or a shorter pace.hold_s"
    ]


def schema() -> dict[str, Any]:
    """Make the JSON Schema that is published beside the protocols."""
    made = Protocol.model_json_schema()
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return {**head, **made, "title": f"calibkit protocol, version {VERSION}"}
