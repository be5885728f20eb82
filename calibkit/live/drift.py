"""When a mapping no longer fits: re-centre it on a look, learn from selections.

Immutable state in, state out; no clock, no stream. A correction is an offset in field
angles, the same over the whole screen. Nothing moves silently: whatever changes the
offset also returns a `Change`, which is both the notice and the log's row. Every
correction is bounded and can be undone to the last bit.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit import geometry
from calibkit.geometry import Setup
from calibkit.live.drift_facts import POLICY, Change, Drift, Pair, Policy

Array = NDArray[np.float64]

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
    except (TypeError, ValueError, OverflowError):
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
