"""What a recording has to say in a BIDS data set of each eye.

With a mapping, gaze is calibrated: each eye's own (the mapping's answer when the other
is hidden), and both eyes' together as the cyclopean eye. Without one, each eye's raw
features are written, in a coordinate system of their own. Raw channels go along in
both, so that nothing is lost.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from collections.abc import Mapping as Values
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.archive.tables import Column
from calibkit.channels import Channel, feature_sources, missing, plain_eye, plain_unit
from calibkit.errors import InputError
from calibkit.fitted.mapping import Mapping
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
EYES = {"left": "left", "right": "right", "both": "cyclopean"}
_UNITS = {"px": "pixel", "mm": "mm", "deg": "deg", "rad": "rad"}
_PLACE_DIGITS = 4  # of a pixel: far below what any tracker resolves
_POSITION = ("screen", "direction", "pupil", "reflex")


@dataclass(frozen=True, kw_only=True, eq=False)
class Eye:
    """The samples of one eye, or of both together.

    Parameters
    ----------
    recorded : "left", "right" or "cyclopean"
    columns : tuple of Column
        timestamp, x_coordinate, y_coordinate, then what else there is.
    kind : str
        What x and y are, for the description of a custom coordinate system.
    """

    recorded: str
    columns: tuple[Column, ...]
    kind: str


def in_time_order(rec: Recording) -> Recording:
    """Return a recording whose samples are in the order of their stamps.

    Raises
    ------
    InputError
        When it holds no sample, or all have one time.
    """
    fine = np.flatnonzero(np.isfinite(rec.time))
    if not len(fine):
        raise InputError("the recording holds no sample; leave it out")
    if rec.nominal_rate <= 0 and np.ptp(rec.time[fine]) == 0:
        raise InputError("all samples have one time, so no rate is known; leave it out")
    return rec.in_time_order()


def calibrated(rec: Recording, mapping: Mapping) -> list[Eye]:
    """Return calibrated gaze of each eye, then of both.

    Parameters
    ----------
    rec : Recording
        In the order of its stamps.
    mapping : Mapping
    """
    single = [eye for eye in ("left", "right") if eye in mapping.eyes]
    wanted = [*single, "both"] if len(single) != 1 else single
    found = []
    for eye in wanted:
        gaze = mapping.apply(_alone(rec, eye))
        about = f"Calibrated gaze of {_whose(eye)} on the screen"
        place = _pair("pixel", f"{about}, from its top-left corner", gaze.xy)
        spread = [
            Column(
                name=f"{axis}_sd",
                about=f"{about}: one standard deviation of {axis}, mapping, noise and "
                "drift together",
                values=gaze.sd[:, k],
                unit="pixel",
                digits=_PLACE_DIGITS,
            )
            for k, axis in enumerate("xy")
        ]
        columns = (_stamp(rec), *place, *_others(rec, eye, spread))
        found.append(Eye(recorded=EYES[eye], columns=columns, kind="calibrated"))
    return found


def raw(rec: Recording) -> list[Eye]:
    """Return each eye's raw features, missing ones as such.

    Parameters
    ----------
    rec : Recording
        In the order of its stamps.

    Raises
    ------
    InputError
        When no eye can be read from its channels.
    """
    gone = missing(rec.samples, rec.channels, rec.setup)
    found = []
    for eye, source in feature_sources(rec.channels).items():
        values = np.array(rec.samples[:, list(source.columns[:2])])
        values[gone[eye]] = np.nan
        about = f"Raw {source.kind.replace('-', ' and ')} of {_whose(eye)}"
        place = _pair(unit(source.unit), about, values, None)
        columns = (_stamp(rec), *place, *_others(rec, eye, []))
        found.append(Eye(recorded=EYES[eye], columns=columns, kind=source.kind))
    if not found:
        raise InputError(
            "no eye can be read from the recording's channels; name them and record "
            "or import it again"
        )
    return found


def unit(text: str) -> str:
    """Return a unit as the standard writes it; what has none is arbitrary."""
    return _UNITS.get(plain_unit(text), "arbitrary")


def _whose(eye: str) -> str:
    return "both eyes together" if eye == "both" else f"the {eye} eye"


def _stamp(rec: Recording) -> Column:
    about = "Time of the sample on the clock of the machine that recorded it"
    return Column(name="timestamp", about=about, values=rec.time, unit="s")


def _pair(
    unit: str,
    about: str,
    xy: NDArray[np.floating],
    digits: int | None = _PLACE_DIGITS,
) -> list[Column]:
    return [
        Column(
            name=f"{axis}_coordinate",
            about=f"{about}, {way}",
            values=xy[:, k],
            unit=unit,
            digits=digits,
        )
        for k, (axis, way) in enumerate((("x", "to the right"), ("y", "downwards")))
    ]


def _alone(rec: Recording, eye: str) -> NDArray[np.floating]:
    """Return the samples with the other eye hidden."""
    if eye == "both":
        return rec.samples
    other = {"left": "right", "right": "left"}[eye]
    hidden = [
        k
        for k, channel in enumerate(rec.channels)
        if plain_eye(channel.eye) == other
        and channel.type.lower().startswith(_POSITION)
    ]
    samples = np.array(rec.samples)
    samples[:, hidden] = np.nan
    return samples


def _others(rec: Recording, eye: str, spread: list[Column]) -> list[Column]:
    """Return the size of the pupil, the spread, then the channels as they came."""
    mine = [
        k
        for k, channel in enumerate(rec.channels)
        if plain_eye(channel.eye) in (eye, "both")
    ]
    sizes = [k for k in mine if rec.channels[k].type.lower() == "diameter"][:1]
    pupil = [_channel("pupil_size", rec, k, "Pupil diameter") for k in sizes]
    rest = [k for k in mine if k not in sizes]
    named = _raw_names([rec.channels[k] for k in rest])
    return [
        *pupil,
        *spread,
        *(_channel(n, rec, k) for n, k in zip(named, rest, strict=True)),
    ]


def _channel(name: str, rec: Recording, k: int, what: str = "Raw channel") -> Column:
    channel = rec.channels[k]
    about = f"{what}, as it came: {channel.label!r}, type {channel.type or 'unknown'}"
    if channel.unit:
        about += f", in {channel.unit}"
    return Column(
        name=name, about=about, values=rec.samples[:, k], unit=unit(channel.unit)
    )


def _raw_names(channels: Sequence[Channel]) -> list[str]:
    """Return names such as raw_reflex_x_2: the second of its type."""
    found: list[str] = []
    for channel in channels:
        letters = [c if c.isascii() and c.isalnum() else " " for c in channel.type]
        words = "".join(f" {c}" if c.isupper() else c for c in letters).split()
        stem = "_".join(["raw", *words]).lower() if words else "raw_channel"
        found.append(unused(stem, found))
    return found


def unused(stem: str, taken: Collection[str], ending: str = "") -> str:
    """Return a name that is not taken: the stem, or the stem and a number from 2 on."""
    name, number = stem + ending, 1
    while name in taken:
        number += 1
        name = f"{stem}_{number}{ending}"
    return name


def described(columns: Sequence[Column]) -> dict[str, Values[str, str]]:
    """Return what a sidecar says of each column."""
    return {
        column.name: {
            "Description": column.about,
            **({"Units": column.unit} if column.unit else {}),
        }
        for column in columns
    }
