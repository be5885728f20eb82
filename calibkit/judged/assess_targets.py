"""How good a mapping is on targets: accuracy, precision, loss, each with its interval.

Two questions, two sets of samples. *How much was seen?* counts every sample from a
target's onset to its offset. *How far off was it?* counts only those in which the
person was looking at the target, as `fixation` finds them: not the way there, no
blink, no glance elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.channels import (
    EYES,
    Channel,
    confidence_column,
    plain_eye,
    sure_from,
)
from calibkit.errors import InputError
from calibkit.judged import quality
from calibkit.judged.assess_figures import (
    TARGET_FIELDS,
    Assessment,
    Figures,
    assembled,
    figures_of,
    frozen,
)
from calibkit.judged.assess_looks import Judged, elsewhere, judged, without
from calibkit.kept.recording import Recording, only_recordings

Array = NDArray[np.float64]


class Answers(Protocol):
    """What `Mapping.apply` gives back."""

    @property
    def xy(self) -> Array:
        """Gaze (n, 2), px."""


class Applies(Protocol):
    """Anything that turns samples (n, c) into gaze: a mapping, ours or a rival."""

    def apply(self, samples: NDArray[np.floating]) -> Answers:
        """Turn samples into gaze."""


def assess(mapping: Applies, rec: Recording, role: str = "validation") -> Assessment:
    """Judge a mapping on the targets of a recording.

    Parameters
    ----------
    mapping : Mapping
        Or anything else with `apply(samples).xy`.
    rec : Recording
    role : {"validation", "calibration", "pointing"}
        Which targets to judge on. Those left out by the operator do not count.

    Returns
    -------
    Assessment
        One row per target, session figures with intervals, and each eye's own.

    Raises
    ------
    InputError
        When the recording has no such target.

    Notes
    -----
    Per target: accuracy is the exact angle from the target to the mean gaze point,
    precision the root mean square angle between successive valid samples and the
    spread about the mean point (n - 1), loss (expected - valid) / expected over the
    whole time of the target. Expected is rate x time, rounded down, or the number of
    samples that came if that is more. A target that nobody looked at keeps its loss
    and is judged on what gaze there is (`looked` is then false); one never seen has
    loss 1 and NaN. One at which gaze stayed far away while the others are well met was
    not looked at either: its loss counts, its accuracy is NaN, its reason says why.
    """
    (rec,) = only_recordings([rec])
    targets = rec.targets[(rec.targets["role"] == role) & (rec.targets["kept"] != 0)]
    if not len(targets):
        raise InputError(
            f"the recording {rec.session or rec.name or 'given'} has no {role} "
            "targets; validate with the person first, or name another role"
        )
    rec = _sure(rec.in_time_order())
    both = _xy(mapping, rec.samples)
    found = _attentive(rec, judged(rec, targets, both), both)
    gaze = {"both": both, **_single_eyes(mapping, rec)}
    eyes = {eye: _judge(rec, found, xy) for eye, xy in gaze.items()}
    return assembled(
        eyes,
        reasons=tuple(look.reason for look in found),
        gaze_px=tuple(frozen(_counted(look, both)) for look in found),
        setup=rec.setup,
        role=role,
        rate_hz=rec.rate_hz(),
        measured_rate_hz=_measured_rate(rec),
        absent=_absent(rec, found),
    )


def _sure(rec: Recording) -> Recording:
    """Blank what the tracker was less sure of than the protocol asks for."""
    least = rec.least_confidence()
    if least <= 0:
        return rec
    samples = np.array(rec.samples, float)
    for eye in EYES:
        column = confidence_column(rec.channels, eye)
        if column is not None:
            poor = ~(samples[:, column] >= sure_from(least))
            for position in _eye_columns(rec.channels, eye):
                samples[poor, position] = np.nan
    return replace(rec, samples=samples)


def _xy(mapping: Applies, samples: NDArray[np.floating]) -> Array:
    return np.asarray(mapping.apply(samples).xy, float)


def _single_eyes(mapping: Applies, rec: Recording) -> dict[str, Array]:
    """Each eye's own answer: that of the mapping when the other eye is hidden."""
    own = {eye: _eye_columns(rec.channels, eye) for eye in ("left", "right")}
    answers = {}
    for eye, other in (("left", "right"), ("right", "left")):
        if not own[eye]:
            answers[eye] = np.full((len(rec.time), 2), np.nan)
            continue
        samples = np.array(rec.samples, float)
        samples[:, own[other]] = np.nan
        answers[eye] = _xy(mapping, samples)
    return answers


def _eye_columns(channels: Sequence[Channel], eye: str) -> list[int]:
    # A diameter or a head is no answer of an eye, and a covariate may need it.
    stems = ("screen", "direction", "pupil", "reflex")
    return [
        column
        for column, channel in enumerate(channels)
        if plain_eye(channel.eye) == eye and channel.type.lower().startswith(stems)
    ]


def _measured_rate(rec: Recording) -> float:
    steps = np.diff(rec.time)
    steps = steps[steps > 0]
    return float(1 / np.median(steps)) if len(steps) else math.nan


def _judge(rec: Recording, found: Sequence[Judged], xy: Array) -> Figures:
    rows = np.zeros(len(found), TARGET_FIELDS)
    expected, valid = np.zeros(len(found)), np.zeros(len(found))
    for i, look in enumerate(found):
        seen = np.isfinite(xy[look.rows]).all(axis=1)
        expected[i], valid[i] = _expected(rec, look), seen.sum()
        rows[i] = _row(rec, look, xy, quality.data_loss(expected[i], valid[i]))
    return figures_of(rows, quality.data_loss(expected.sum(), valid.sum()))


def _expected(rec: Recording, look: Judged) -> int:
    due = math.floor(rec.rate_hz() * look.shown_s + 1e-6)
    return max(due, len(look.rows))


def _absent(rec: Recording, found: Sequence[Judged]) -> float:
    """Share of the expected samples that never came, whoever may have been seen."""
    expected = sum(_expected(rec, look) for look in found)
    return quality.data_loss(expected, sum(len(look.rows) for look in found))


def _attentive(
    rec: Recording, found: tuple[Judged, ...], xy: Array
) -> tuple[Judged, ...]:
    """Leave out looks that went elsewhere; a mapping's errors stay in."""
    rows = _judge(rec, found, xy).targets
    off_deg = np.asarray(rows["accuracy_deg"], float)
    return without(found, elsewhere(off_deg, rows["looked"]), off_deg)


def _counted(look: Judged, xy: Array) -> Array:
    gaze = xy[look.counted]
    return gaze[np.isfinite(gaze).all(axis=1)]


def _row(rec: Recording, look: Judged, xy: Array, loss: float) -> tuple[Any, ...]:
    index = look.counted[np.isfinite(xy[look.counted]).all(axis=1)]
    if not len(index):
        nothing = [math.nan] * 5
        return (*look.centre_px, *nothing, loss, 0, *[math.nan] * 5, False)
    offsets, covariance, steps = _measures(rec, look, xy, index)
    spread = quality.spread_deg(covariance)
    apart = geometry.offset_deg(
        rec.setup, np.broadcast_to(xy[index].mean(axis=0), (len(index), 2)), xy[index]
    )
    worth = min(quality.effective_n(axis) for axis in apart.T)
    seconds = len(index) / rec.rate_hz() if rec.rate_hz() else math.nan
    (vx, cxy), (_, vy) = covariance
    accuracy = math.hypot(*offsets)
    return (
        *look.centre_px,
        *(accuracy, *offsets, steps, spread, loss, len(index)),
        *(seconds, worth, vx, vy, cxy, look.looked),
    )


def _measures(
    rec: Recording, look: Judged, xy: Array, index: NDArray[np.intp]
) -> tuple[Array, Array, float]:
    """Offset (2,), covariance (2, 2) and sample-to-sample angle of one target."""
    longest = 1.5 / rec.rate_hz() if rec.rate_hz() else math.inf
    joined = (np.diff(index) == 1) & (np.diff(rec.time[index]) < longest)
    gaze = xy[index]
    if not look.moved:
        return (
            quality.offset_of_mean_deg(rec.setup, look.centre_px, gaze),
            quality.covariance_deg2(rec.setup, gaze),
            quality.sample_to_sample_deg(rec.setup, gaze, joined),
        )
    # A target that moves: everything is about the offset from where it was.
    where = look.where_px[np.searchsorted(look.counted, index)]
    offsets = geometry.offset_deg(rec.setup, where, gaze)
    steps = np.hypot(*np.diff(offsets, axis=0)[joined].T)
    rms = float(np.sqrt(np.mean(steps**2))) if len(steps) else math.nan
    covariance = np.full((2, 2), np.nan)
    if len(index) > 1:
        covariance = np.asarray(np.cov(offsets, rowvar=False), float)
    return offsets.mean(axis=0), covariance, rms
