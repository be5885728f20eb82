"""From a tracker's channels to features, per eye.

What already is a gaze estimate (screen positions, directions) becomes field angles in
degrees, so that what is learned of it holds for other screens and distances. What the
camera sees is kept in its own units: pupil minus reflex, and with two reflexes per eye
divided by their distance, which cancels most of a change of distance.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit import channels as words
from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.geometry import Setup

Array = NDArray[np.float64]

# Kinds whose features are degrees and whose prior is the tracker's own answer.
IN_DEGREES = ("screen", "direction")


@dataclass(frozen=True, kw_only=True)
class EyeSource:
    """What is read for one eye: position columns, covariates, confidence."""

    eye: str
    kind: str
    columns: tuple[int, ...]
    unit: str
    covariates: tuple[tuple[int, ...], ...] = ()
    confidence: int | None = None


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What is read from the channels of a stream.

    Parameters
    ----------
    width : int
        Number of channels that a sample must have.
    eyes : tuple of EyeSource
    covariates, groups : tuples of str
        Name of each covariate, and the group that it belongs to.
    min_confidence : float
        An eye's samples with less confidence count as missing.
    measures : tuple of float
        Millimetres or degrees in each covariate's unit, 0 where it names neither.
        Known while fitting; a mapping's own layout goes without.
    """

    width: int
    eyes: tuple[EyeSource, ...]
    covariates: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    min_confidence: float = 0.0
    measures: tuple[float, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The eyes, in the order of every array that has an axis of eyes."""
        return tuple(source.eye for source in self.eyes)

    @property
    def in_degrees(self) -> bool:
        """Whether every eye's features are gaze angles already."""
        return all(source.kind in IN_DEGREES for source in self.eyes)

    @property
    def bare(self) -> bool:
        """Whether features are pupils or irises alone, which the head moves as well."""
        others = ("pupil-reflex", *IN_DEGREES)
        return all(source.kind not in others for source in self.eyes)

    @property
    def in_pixels(self) -> bool:
        """Whether an eye's features are lengths in the camera's picture."""
        return any(part.endswith(":px") for part in self.signature)

    @property
    def signature(self) -> tuple[str, ...]:
        """Kind, number of columns and unit per eye: what a prior must agree with."""
        return tuple(_signature(source) for source in self.eyes)


def _signature(source: EyeSource) -> str:
    if source.kind in IN_DEGREES:
        return f"{source.eye}:degrees"
    kind = f"{source.eye}:{source.kind}:{len(source.columns)}"
    # Divided by the distance of two reflexes, features have no unit.
    return (
        kind if len(source.columns) == 6 or not source.unit else f"{kind}:{source.unit}"
    )


def agree(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether two signatures are of the same features; an unnamed unit is any."""
    return len(one) == len(other) and all(
        a == b or a.startswith(f"{b}:") or b.startswith(f"{a}:")
        for a, b in zip(one, other, strict=True)
    )


def said(signature: Sequence[str]) -> str:
    """Name the features of a signature as an operator knows them, alike ones once."""
    eyes: dict[str, list[str]] = {}
    for part in signature:
        eye, kind, count, unit = (part.split(":") + [""] * 4)[:4]
        what = {
            "degrees": "gaze positions or directions",
            "pupil-reflex": f"pupil and {'two reflexes' if count == '6' else 'reflex'}",
        }.get(kind, kind)
        eyes.setdefault(what + (f" in {unit}" if unit else ""), []).append(eye)
    return ", ".join(f"{what} ({' and '.join(eyes[what])})" for what in eyes)


@dataclass(frozen=True, kw_only=True, eq=False)
class Signals:
    """Features `xy` (e, n, 2) and covariates `extra` (e, n, c); NaN where missing."""

    xy: Array
    extra: Array


def layout(
    channels: Sequence[Channel], eyes: str = "both", extra: Sequence[str] = ()
) -> Layout:
    """Say what is read from a stream's channels.

    Parameters
    ----------
    channels : sequence of Channel
    eyes : {"both", "left", "right"}
    extra : sequence of str
        Labels of further channels to use as covariates.

    Raises
    ------
    InputError
        When nothing can be read, the eye is not there, or a label is unknown.
    """
    if eyes not in words.EYES:
        raise ValueError(f"eyes is {eyes!r}; it must be 'both', 'left' or 'right'")
    return _layout(tuple(channels), eyes, tuple(extra))


@functools.lru_cache(maxsize=64)  # asked for each block of a live stream
def _layout(channels: tuple[Channel, ...], eyes: str, extra: tuple[str, ...]) -> Layout:
    sources = words.feature_sources(channels)
    if not sources:
        types = ", ".join(sorted({channel.type for channel in channels})) or "none"
        raise InputError(
            f"no gaze features are among the channel types ({types}); name the "
            "channels (PupilX/Y, ReflexX/Y, DirectionX/Y/Z or ScreenX/Y)"
        )
    if eyes != "both":
        if eyes not in sources:
            raise InputError(
                f"the stream has no features of the {eyes} eye, only of "
                f"{', '.join(sources)}; choose eyes='both'"
            )
        sources = {eyes: sources[eyes]}
    names = list(sources)
    found = _covariates(channels, names, extra)
    return Layout(
        width=len(channels),
        eyes=tuple(
            EyeSource(
                eye=name,
                kind=source.kind,
                columns=tuple(source.columns),
                unit=source.unit,
                covariates=tuple(columns[name] for _, _, columns in found),
                confidence=words.confidence_column(channels, name),
            )
            for name, source in sources.items()
        ),
        covariates=tuple(name for name, _, _ in found),
        groups=tuple(group for _, group, _ in found),
        measures=tuple(
            words.measure(channels[columns[names[0]][0]].unit)
            for _, _, columns in found
        ),
    )


def _covariates(
    channels: Sequence[Channel], eyes: list[str], extra: Sequence[str]
) -> list[tuple[str, str, dict[str, tuple[int, ...]]]]:
    found = []
    for group, columns in words.covariate_columns(channels).items():
        for kind in dict.fromkeys(channels[column].type for column in columns):
            same = [column for column in columns if channels[column].type == kind]
            each = {eye: _for_eye(channels, same, eye) for eye in eyes}
            if all(each.values()):
                found.append((kind, group, each))
    labels = {channel.label: column for column, channel in enumerate(channels)}
    for label in extra:
        if label not in labels:
            raise InputError(
                f"the extra channel {label!r} is not among the labels "
                f"({', '.join(labels)}); name one of them"
            )
        found.append((label, "extra", dict.fromkeys(eyes, (labels[label],))))
    return found


def _for_eye(
    channels: Sequence[Channel], columns: Sequence[int], eye: str
) -> tuple[int, ...]:
    owner = {column: words.plain_eye(channels[column].eye) for column in columns}
    own = tuple(column for column in columns if owner[column] == eye)
    shared = tuple(column for column in columns if owner[column] == "both")
    # A stream that answers for both eyes at once is served by their mean.
    return own or shared or (tuple(columns) if eye == "both" else ())


def with_covariates(plan: Layout, names: Sequence[str]) -> Layout:
    """Return the layout with only the named covariates, in their order.

    Raises
    ------
    InputError
        When the stream lacks one of them.
    """
    lacking = [name for name in names if name not in plan.covariates]
    if lacking:
        raise InputError(
            f"the stream lacks the channel {lacking[0]}, which the shared mapping needs"
        )
    order = [plan.covariates.index(name) for name in names]
    return Layout(
        width=plan.width,
        eyes=tuple(
            EyeSource(
                eye=source.eye,
                kind=source.kind,
                columns=source.columns,
                unit=source.unit,
                covariates=tuple(source.covariates[i] for i in order),
                confidence=source.confidence,
            )
            for source in plan.eyes
        ),
        covariates=tuple(names),
        groups=tuple(plan.groups[i] for i in order),
        min_confidence=plan.min_confidence,
        measures=tuple(plan.measures[i] for i in order) if plan.measures else (),
    )


def pose_names(plan: Layout) -> tuple[str, ...]:
    """Covariates without which features mean little: the pose, of a bare pupil or iris.

    Where a line of sight meets the screen is told by where the eye is. Reflexes and
    screen positions make up for the head by themselves.
    """
    if all(source.kind == "direction" for source in plan.eyes):
        groups = zip(plan.covariates, plan.groups, strict=True)
        return tuple(name for name, group in groups if group == "position")
    if not plan.bare:
        return ()
    pairs = zip(plan.covariates, plan.groups, strict=True)
    return tuple(name for name, group in pairs if group in ("head", "position"))


def read(
    plan: Layout,
    samples: NDArray[np.floating],
    setup: Setup,
    min_confidence: float = 0.0,
) -> Signals:
    """Features and covariates of samples.

    Parameters
    ----------
    plan : Layout
    samples : array (n, c)
        In the channel order of the stream that the layout was made for.
    setup : Setup
        Turns screen positions into angles.
    min_confidence : float
        Samples with less confidence count as missing, where the layout asks for less.

    Returns
    -------
    Signals

    Raises
    ------
    ValueError
        When the number of columns is not the layout's.
    """
    samples = np.asarray(samples)
    if samples.ndim != 2 or samples.shape[1] != plan.width:
        raise ValueError(
            f"samples have the shape {samples.shape}; {plan.width} columns are needed"
        )
    n, least = len(samples), max(min_confidence, plan.min_confidence)
    xy = np.empty((len(plan.eyes), n, 2))
    extra = np.empty((len(plan.eyes), n, len(plan.covariates)))
    # Lost samples come as infinities, zeros or worse: what they make is thrown out.
    with np.errstate(all="ignore"):
        for row, source in enumerate(plan.eyes):
            _position(source, samples, setup, xy[row])
            if source.confidence is not None and least > 0:
                poor = ~(samples[:, source.confidence] >= words.sure_from(least))
                xy[row, poor] = np.nan
            for k, columns in enumerate(source.covariates):
                extra[row, :, k] = _mean_of(samples, columns)
    return Signals(xy=xy, extra=extra)


def _mean_of(samples: NDArray[np.floating], columns: tuple[int, ...]) -> Array:
    if len(columns) == 1:
        return samples[:, columns[0]].astype(float)
    values = samples[:, list(columns)].astype(float)
    there = np.isfinite(values)
    mean: Array = np.where(there, values, 0.0).sum(1) / there.sum(1)
    return mean


def _position(
    source: EyeSource, samples: NDArray[np.floating], setup: Setup, out: Array
) -> None:
    columns = [np.asarray(samples[:, column], float) for column in source.columns]
    gone = _sentinel(columns)
    if source.kind == "pupil-reflex":
        gone |= _reflex(columns, out)
    elif source.kind == "direction":
        x, y, z = columns
        out[:, 0] = np.degrees(np.arctan2(x, np.abs(z)))
        out[:, 1] = np.degrees(np.arctan2(y, np.abs(z)))
    elif source.kind == "screen":
        gone |= _screen(source, columns, setup, out)
    else:
        out[:, 0], out[:, 1] = columns
    gone |= ~np.isfinite(out[:, 0] + out[:, 1])
    out[gone] = np.nan


def _sentinel(columns: list[Array]) -> NDArray[np.bool_]:
    first = columns[0]
    same = first == columns[1]
    for column in columns[2:]:
        same &= first == column
    gone: NDArray[np.bool_] = same & ((first == 0.0) | (first == -1.0))
    return gone


def _reflex(columns: list[Array], out: Array) -> NDArray[np.bool_]:
    px, py, r1x, r1y = columns[:4]
    # A camera that loses only the pupil, or one reflex, says so in that pair alone.
    gone = _sentinel([px, py]) | _sentinel([r1x, r1y])
    if len(columns) == 4:
        out[:, 0], out[:, 1] = px - r1x, py - r1y
        return gone
    r2x, r2y = columns[4:]
    across, down = r1x - r2x, r1y - r2y
    apart = np.sqrt(across * across + down * down)
    out[:, 0] = (px - 0.5 * (r1x + r2x)) / apart
    out[:, 1] = (py - 0.5 * (r1y + r2y)) / apart
    return gone | _sentinel([r2x, r2y]) | np.isinf(apart)


def _screen(
    source: EyeSource, columns: list[Array], setup: Setup, out: Array
) -> NDArray[np.bool_]:
    gone = np.zeros(len(out), bool)
    right, down, depth = setup.viewpoint_mm
    for axis, foot in enumerate((right, down)):
        size_px, size_mm = setup.screen_px[axis], setup.screen_mm[axis]
        unit = {"normalized": 1.0, "mm": size_mm}.get(source.unit, float(size_px))
        part = columns[axis] / unit
        gone |= ~((part >= -1.0) & (part <= 2.0))
        out[:, axis] = np.degrees(np.arctan2((part - 0.5) * size_mm - foot, depth))
    return gone
