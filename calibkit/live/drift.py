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
FAR = 4.0  # sd of what has moved: a look beyond was at something else


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
    point is then worse than none. Looks add up: a second one, at another target, mends
    what the first got wrong.

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
    Two hypotheses weighed by Bayes' factor, normal each (two axes): nothing has moved
    since the last evidence, or something has, by moved_sd_deg. Their posterior means
    are averaged by their probabilities.
    """
    off, _ = _away(setup, target_px, gaze_px, sd_deg)
    if off is None:
        text = "the look at the target was not seen; nothing has changed"
        return state, (_kept(state, time_s, text),)
    # The mapping's whole sd: what it gets wrong there is the same for the whole look.
    noise = policy.aim_sd_deg**2 + _own(sd_deg) ** 2
    away = off - np.array(state.mean)
    if math.hypot(*away) > FAR * math.sqrt(policy.moved_sd_deg**2 + noise):
        text = (
            f"gaze was {math.hypot(*away):.1f} degrees from the target, too far to "
            "follow; nothing has changed: look at the target again, or calibrate anew"
        )
        return state, (_kept(state, time_s, text),)
    soon = abs(time_s - state.looked_s) < policy.again_s  # never with NaN
    chance = policy.again_chance if soon else policy.moved_chance
    if soon and state.asked is not None:  # both are the evidence that was asked for
        off, noise, chance = (off + state.asked) / 2, noise / 2, policy.moved_chance
        away = off - np.array(state.mean)
    still = _walked(state, time_s, policy)
    moved, mean, variance = _weighed(away, still, noise, chance, policy)
    wanted = np.array(state.mean) + mean
    state = replace(state, looked_s=time_s, asked=None)
    way = wanted - np.array(state.offset)
    sure = moved >= 0.5 or float(way @ way) / variance > policy.doubt
    # A coarse mapping is off by as much in many a place without that anything moved.
    alone = not soon and policy.coarse(sd_deg) and moved < policy.alone
    if sure and alone:
        return _ask_again(state, time_s, off)
    if not sure or _short(wanted, state, sd_deg, policy):
        state = replace(state, mean=_pair(wanted), variance=variance, seen_s=time_s)
        text = f"the look agrees with the mapping ({_size(off - state.offset)}); it "
        text += "stays"
        return state, (_kept(state, time_s, text),)
    made, changes = _move(
        state, time_s, wanted, variance, "re-centred", policy, sd_deg=sd_deg
    )
    if soon:
        return made, changes
    text = f"{changes[0].text}; a look at another target makes sure"
    return made, (replace(changes[0], text=text),)


def _ask_again(
    state: Drift, time_s: float, off: Array
) -> tuple[Drift, tuple[Change, ...]]:
    text = f"the look is {_size(off - state.offset)} off, which with this tracker may "
    text += "be chance; look at another target to make sure"
    return replace(state, asked=_pair(off)), (_kept(state, time_s, text),)


def _walked(state: Drift, time_s: float, policy: Policy) -> float:
    """Variance of the offset, per axis, when nothing happens but its own walk."""
    idle = 0.0 if math.isnan(state.seen_s) else max(0.0, time_s - state.seen_s)
    walked = state.variance + policy.wander_deg**2 * idle / 600.0
    return min(walked, policy.moved_sd_deg**2)


def _weighed(
    away: Array, still: float, noise: float, chance: float, policy: Policy
) -> tuple[float, Array, float]:
    """Probability that something moved; mean (2,) and variance of the offset's change.

    The variance is per axis, of both hypotheses together.
    """
    prior = np.array([still, policy.moved_sd_deg**2])
    total = prior + noise
    square = float(away @ away)
    fits = np.exp(-0.5 * square / total + 0.5 * square / total.max()) / total
    share = np.array([1.0 - chance, chance]) * fits
    share /= share.sum()
    weight = prior / total
    mean: Array = float(share @ weight) * away
    apart = (weight - float(share @ weight)) ** 2 * square / 2.0
    variance = float(share @ ((1.0 - weight) * prior + apart))
    return float(share[1]), mean, variance


def _short(wanted: Array, state: Drift, sd_deg: float, policy: Policy) -> bool:
    """Whether the offset would hardly change."""
    way = _bounded(wanted, policy.bound(sd_deg)) - np.array(state.offset)
    return math.hypot(*way) < policy.least_deg


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
    prior = _walked(state, time_s, policy)
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
    return _act(state, time_s, sd_deg, policy)


def _act(
    state: Drift, time_s: float, sd_deg: float, policy: Policy
) -> tuple[Drift, tuple[Change, ...]]:
    """Move, tell, or leave alone, by what the selections say by now."""
    difference = np.array(state.mean) - state.offset
    proof = float(difference @ difference) / state.variance
    if proof <= policy.proof or math.hypot(*difference) < policy.least_deg:
        return replace(state, told=state.told and proof > policy.proof / 2), ()
    if policy.learn:
        share = min(1.0, policy.step_deg / math.hypot(*difference))
        wanted = np.array(state.offset) + share * difference
        moved, changes = _move(
            state, time_s, wanted, state.variance, "learned", policy, sd_deg=sd_deg
        )
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
    *,
    sd_deg: float,
) -> tuple[Drift, tuple[Change, ...]]:
    bound = policy.bound(sd_deg)
    bounded = _bounded(wanted, bound)
    before, after = state.offset, _pair(bounded)
    text = f"gaze is {kind}: moved by {_size(bounded - np.array(before))}"
    if math.hypot(*wanted) > bound:
        text += f"; more than {bound:.2g} degrees is not corrected, so calibrate anew"
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


def _bounded(wanted: Array, bound: float) -> Array:
    length = math.hypot(*wanted)
    bounded = wanted * min(1.0, bound / length) if length else wanted
    # Rounding must not carry it a bit beyond the bound.
    while math.hypot(*bounded) > bound:
        bounded = bounded * (1 - 1e-15)
    return bounded


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
    own = _own(sd_deg) ** 2
    return away, math.sqrt(max(0.0, own - within))


def _own(sd_deg: float) -> float:
    return min(abs(sd_deg), 90.0) if math.isfinite(sd_deg) else 0.0


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
