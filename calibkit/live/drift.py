"""When a mapping no longer fits: notice it, re-centre it, learn from selections.

Immutable state in, state out; no clock, no stream. A correction is an offset in field
angles, the same over the whole screen, and makes a new mapping with an id of its own,
so that no row of gaze mixes two. Nothing moves silently: whatever changes the offset
also returns a `Change`, which is both the notice and the log's row. Every correction is
bounded and can be undone to the last bit.
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.geometry import Setup

Array = NDArray[np.float64]
Pair = tuple[float, float]

NONE: Pair = (0.0, 0.0)


class Estimate(Protocol):
    """Where the person looks: xy (n, 2) px and sd (n, 2) px."""

    @property
    def xy(self) -> Array: ...  # noqa: D102
    @property
    def sd(self) -> Array: ...  # noqa: D102


class Fitted(Protocol):
    """The part of a mapping that is needed here."""

    @property
    def id(self) -> int: ...  # noqa: D102
    @property
    def channels(self) -> Sequence[str]: ...  # noqa: D102
    @property
    def setup(self) -> Setup: ...  # noqa: D102
    def apply(self, samples: NDArray[np.floating]) -> Estimate: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True)
class Policy:
    """How far and how readily the offset may move. Degrees of visual angle, per axis.

    Parameters
    ----------
    bound_deg : float
        The offset never becomes longer than this.
    step_deg : float
        Learning moves it by at most so much at once, and by no less than `least_deg`.
    least_deg : float
        What is smaller is left alone.
    usual_sd_deg : float
        Of a mapping's drift in ordinary use: the reason to doubt a single look.
    moved_sd_deg : float
        Of the offset once a look has shown that something moved.
    aim_sd_deg : float
        Of a look's own aim at a single target.
    select_sd_deg : float
        Of gaze about the centre of what is selected: aim within the key, local error.
    wander_deg : float
        Of the offset's own walk over ten minutes.
    proof : float
        Squared distance, in its own covariance, from which on the selections count as
        disagreeing: 13.8 is 1 in 1,000 for two axes (chi-squared).
    doubt : float
        The same for a single look: 9.2 is 1 in 100.
    tail : float
        Degrees of freedom of Student's t for selections: how wild single ones may be.
    learn : bool
        Whether selections may move the offset, or are only watched.
    """

    bound_deg: float = 3.0
    step_deg: float = 1.0
    least_deg: float = 0.3
    usual_sd_deg: float = 0.25
    moved_sd_deg: float = 2.0
    aim_sd_deg: float = 0.3
    select_sd_deg: float = 0.6
    wander_deg: float = 0.3
    proof: float = 13.8
    doubt: float = 9.2
    tail: float = 4.0
    learn: bool = False


POLICY = Policy()


@dataclass(frozen=True, kw_only=True)
class Change:
    """A notice and a log's row at once.

    Parameters
    ----------
    time_s : float
    kind : {"re-centred", "learned", "undone", "kept", "disagrees", "bound"}
    text : str
        In plain words.
    before, after : pair of float, degrees
        The offset; equal where nothing moved.
    """

    time_s: float
    kind: str
    text: str
    before: Pair
    after: Pair

    def row(self) -> dict[str, Any]:
        """Return it for a log."""
        return {
            "time": self.time_s,
            "kind": self.kind,
            "before_deg": list(self.before),
            "after_deg": list(self.after),
            "text": self.text,
        }


@dataclass(frozen=True, kw_only=True)
class Drift:
    """What is believed about one mapping's offset. Right and down are positive.

    Parameters
    ----------
    offsets : tuple of pair, degrees
        The one in use last, before it those that undoing goes back to; the first is
        none.
    mean : pair of float, degrees
        Where the evidence puts the offset.
    variance : float, degrees squared
        Of either axis of the mean.
    seen_s : float
        When the last evidence came; NaN before the first.
    selections : int
    told : bool
        Whether the operator knows of the disagreement there is now.
    """

    offsets: tuple[Pair, ...] = (NONE,)
    mean: Pair = NONE
    variance: float = POLICY.usual_sd_deg**2
    seen_s: float = math.nan
    selections: int = 0
    told: bool = False

    @property
    def offset(self) -> Pair:
        """The offset in use, which is taken off the gaze: degrees right, down."""
        return self.offsets[-1]


MOST_OFFSETS = 100


def look(
    state: Drift,
    time_s: float,
    setup: Setup,
    target_px: ArrayLike,
    gaze_px: Array,
    sd_deg: float = 0.0,
    policy: Policy = POLICY,
) -> tuple[Drift, tuple[Change, ...]]:
    """Re-centre on one look at one target, if the look disagrees with the mapping.

    A look is itself a third of a degree off, so one that agrees is left alone: a fresh
    point is then worse than none.

    Parameters
    ----------
    state : Drift
    time_s : float
    setup : Setup
    target_px : pair of float, px
    gaze_px : array (n, 2), px
        Of the uncorrected mapping during the look; NaN rows are left out.
    sd_deg : float
        The mapping's own sd there, per axis, for a single sample.
    policy : Policy

    Returns
    -------
    state : Drift
    changes : tuple of Change
        Always one, also where the offset was kept.

    Notes
    -----
    Posterior of a mean with prior sd tau and noise sigma: w = tau² / (tau² + sigma²).
    """
    off, _ = _away(setup, target_px, gaze_px, sd_deg)
    if off is None:
        text = "the look at the target was not seen; nothing has changed"
        return state, (_kept(state, time_s, text),)
    used = np.array(state.offset)
    difference = off - used
    # The mapping's own sd there holds its usual drift, and what it cannot follow.
    local = sd_deg if math.isfinite(sd_deg) else 0.0
    ordinary = max(policy.usual_sd_deg, local) ** 2 + policy.aim_sd_deg**2
    if float(difference @ difference) / ordinary <= policy.doubt:
        text = f"the look agrees with the mapping ({_size(difference)}); it stays"
        return state, (_kept(state, time_s, text),)
    prior, noise = policy.moved_sd_deg**2, policy.aim_sd_deg**2 + local**2
    weight = prior / (prior + noise)
    variance = (1 - weight) * prior
    wanted = used + weight * difference
    return _move(state, time_s, wanted, variance, "re-centred", policy)


def selected(
    state: Drift,
    time_s: float,
    setup: Setup,
    target_px: ArrayLike,
    gaze_px: Array,
    sd_deg: float = 0.0,
    policy: Policy = POLICY,
) -> tuple[Drift, tuple[Change, ...]]:
    """Take in one confirmed selection: robustly, and moving only on strong evidence.

    Parameters
    ----------
    state : Drift
    time_s : float
    setup : Setup
    target_px : pair of float, px
        Centre of what was selected.
    gaze_px : array (n, 2), px
        Of the uncorrected mapping during the dwell; NaN rows are left out.
    sd_deg : float
        The mapping's own sd there, per axis, for a single sample.
    policy : Policy

    Returns
    -------
    state : Drift
    changes : tuple of Change
        Empty while nothing is to be told.

    Notes
    -----
    A random walk observed with Student-t noise: each selection's variance is divided
    by (nu + 2) / (nu + d²), d its distance in predictive sd (two axes).
    """
    off, local_sd = _away(setup, target_px, gaze_px, sd_deg)
    if off is None or not math.isfinite(time_s):
        return state, ()
    idle = 0.0 if math.isnan(state.seen_s) else max(0.0, time_s - state.seen_s)
    prior = state.variance + policy.wander_deg**2 * idle / 600.0
    prior = min(prior, policy.moved_sd_deg**2)
    mean = np.array(state.mean)
    noise = policy.select_sd_deg**2 + local_sd**2
    wild = float((off - mean) @ (off - mean)) / (prior + noise)
    noise *= (policy.tail + wild) / (policy.tail + 2)
    weight = prior / (prior + noise)
    mean = mean + weight * (off - mean)
    state = replace(
        state,
        mean=_pair(mean),
        variance=(1 - weight) * prior,
        seen_s=time_s,
        selections=state.selections + 1,
    )
    return _act(state, time_s, policy)


def _act(
    state: Drift, time_s: float, policy: Policy
) -> tuple[Drift, tuple[Change, ...]]:
    """Move, tell, or leave alone, by what the selections say by now."""
    difference = np.array(state.mean) - state.offset
    proof = float(difference @ difference) / state.variance
    if proof <= policy.proof or math.hypot(*difference) < policy.least_deg:
        return replace(state, told=state.told and proof > policy.proof / 2), ()
    if policy.learn:
        share = min(1.0, policy.step_deg / math.hypot(*difference))
        wanted = np.array(state.offset) + share * difference
        moved, changes = _move(state, time_s, wanted, state.variance, "learned", policy)
        # What could not be moved for the bound must not come again at each selection.
        if changes[0].before != changes[0].after or not state.told:
            return replace(moved, mean=state.mean, told=True), changes
        return state, ()
    if state.told:
        return state, ()
    text = (
        f"the last {state.selections} selections say that gaze is off by "
        f"{_size(difference)}; look once at a target to re-centre"
    )
    change = Change(
        time_s=time_s,
        kind="disagrees",
        text=text,
        before=state.offset,
        after=state.offset,
    )
    return replace(state, told=True), (change,)


def _move(
    state: Drift,
    time_s: float,
    wanted: Array,
    variance: float,
    kind: str,
    policy: Policy,
) -> tuple[Drift, tuple[Change, ...]]:
    length = math.hypot(*wanted)
    bounded = wanted * min(1.0, policy.bound_deg / length) if length else wanted
    # Rounding must not carry it a bit beyond the bound.
    while math.hypot(*bounded) > policy.bound_deg:
        bounded = bounded * (1 - 1e-15)
    before, after = state.offset, _pair(bounded)
    text = f"gaze is {kind}: moved by {_size(bounded - np.array(before))}"
    if length > policy.bound_deg:
        text += (
            f"; more than {policy.bound_deg:g} degrees is not corrected, so calibrate "
            "anew"
        )
        kind = kind if after != before else "bound"
    change = Change(time_s=time_s, kind=kind, text=text, before=before, after=after)
    offsets = state.offsets if after == before else (*state.offsets, after)
    if len(offsets) > MOST_OFFSETS:  # the first, which is none, can always be had back
        offsets = (offsets[0], *offsets[2:])
    moved = replace(
        state,
        offsets=offsets,
        mean=after,
        variance=variance,
        seen_s=time_s,
        told=False,
    )
    return moved, (change,)


def undo(
    state: Drift, time_s: float, *, everything: bool = False
) -> tuple[Drift, tuple[Change, ...]]:
    """Go back to the offset before the last change, or to the mapping as it was.

    Parameters
    ----------
    state : Drift
    time_s : float
    everything : bool

    Returns
    -------
    state : Drift
        With the earlier offset, bit for bit; evidence starts anew.
    changes : tuple of Change
    """
    if len(state.offsets) == 1:
        text = "there is no correction to undo"
        return state, (_kept(state, time_s, text),)
    offsets = state.offsets[:1] if everything else state.offsets[:-1]
    change = Change(
        time_s=time_s,
        kind="undone",
        text="the mapping is as it was made"
        if len(offsets) == 1
        else "the last correction is undone",
        before=state.offset,
        after=offsets[-1],
    )
    return Drift(offsets=offsets, mean=offsets[-1], seen_s=time_s), (change,)


def _kept(state: Drift, time_s: float, text: str) -> Change:
    return Change(
        time_s=time_s,
        kind="kept",
        text=text,
        before=state.offset,
        after=state.offset,
    )


def _away(
    setup: Setup, target_px: ArrayLike, gaze_px: Array, sd_deg: float
) -> tuple[Array | None, float]:
    """Median of gaze minus target in field angles (2,), and the mapping's sd of it.

    A mean over a look has less of the samples' noise, which the look itself shows;
    what is left of the mapping's sd is the same for all its samples.
    """
    try:
        target = np.asarray(target_px, float).reshape(1, 2)
    except (TypeError, ValueError):
        return None, 0.0
    gaze = np.asarray(gaze_px, float).reshape(-1, 2)
    gaze = gaze[np.isfinite(gaze).all(axis=1)]
    if not len(gaze) or not np.isfinite(target).all():
        return None, 0.0
    hv = geometry.px_to_angles(setup, gaze) - geometry.px_to_angles(setup, target)
    away: Array = np.median(hv, axis=0)
    within = float(hv.var(axis=0).mean())
    own = sd_deg**2 if math.isfinite(sd_deg) else 0.0
    return away, math.sqrt(max(0.0, own - within))


def _pair(values: Array) -> Pair:
    return float(values[0]), float(values[1])


def _size(difference: Array) -> str:
    """Words for an offset of gaze: how far, and which way."""
    across = "right" if difference[0] > 0 else "left"
    down = "down" if difference[1] > 0 else "up"
    length = math.hypot(*difference)
    return (
        f"{length:.1f} degrees ({abs(difference[0]):.1f} {across}, "
        f"{abs(difference[1]):.1f} {down})"
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Moved:
    """Where a person looks by a re-centred mapping: xy and sd (n, 2), px."""

    xy: Array
    sd: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Recentred:
    """A mapping with an offset taken off: itself a mapping, with its own id.

    Parameters
    ----------
    mapping : Fitted
    offset : pair of float, degrees

    Raises
    ------
    InputError
        When the offset is not finite.
    """

    mapping: Fitted
    offset: Pair

    def __post_init__(self) -> None:
        if not all(math.isfinite(v) for v in self.offset):
            raise InputError(f"an offset of {self.offset} degrees is none; undo it")

    @cached_property
    def id(self) -> int:
        """A positive 31-bit number made from the mapping's and the offset."""
        content = struct.pack("<qdd", self.mapping.id, *self.offset)
        found = int.from_bytes(hashlib.sha256(content).digest()[:4], "big")
        return found % (2**31 - 1) + 1

    @property
    def channels(self) -> Sequence[str]:
        """The channels that it reads."""
        return self.mapping.channels

    @property
    def setup(self) -> Setup:
        """The set-up that it was made for."""
        return self.mapping.setup

    def apply(self, samples: NDArray[np.floating]) -> Moved:
        """Calibrated gaze with the offset taken off; row i depends on row i alone.

        Parameters
        ----------
        samples : array (n, c)

        Returns
        -------
        Moved
            The sd in degrees stays: the mapping's holds drift already.
        """
        gaze = self.mapping.apply(samples)
        hv = geometry.px_to_angles(self.setup, gaze.xy)
        scale = geometry.px_per_degree(self.setup, gaze.xy)
        xy = geometry.angles_to_px(self.setup, hv - np.array(self.offset))
        there = geometry.px_per_degree(self.setup, xy)
        return Moved(xy=xy, sd=gaze.sd * there / scale)


def corrected(mapping: Fitted, state: Drift) -> Fitted:
    """Return the mapping as the state would have it: itself where nothing is off."""
    if state.offset == NONE:
        return mapping
    return Recentred(mapping=mapping, offset=state.offset)
