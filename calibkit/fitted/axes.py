"""Which way a stream counts its directions: told by looks, and unsure until it is.

The standard of gaze streams names no direction of the axes; trackers count up as well
as down, some from their own side. A look well off the middle tells it; until one does,
gaze may be mirrored about the middle, and stated regions hold that, too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.broad import pose_slopes, prior_weights
from calibkit.fitted.estimate import LAPSE_SHARE, Estimate, estimate, unsure_by
from calibkit.fitted.features import Layout
from calibkit.fitted.observations import Points, anywhere, blocks, carried, prepare
from calibkit.fitted.prior import SharedMapping

Array = NDArray[np.float64]
Turn = tuple[float, float]  # 1 or -1: right, down

# How often streams count so, before anything is seen (judgement: up is common).
SHARES: dict[Turn, float] = {
    (1.0, 1.0): 0.84,
    (1.0, -1.0): 0.1,
    (-1.0, 1.0): 0.03,
    (-1.0, -1.0): 0.03,
}
# A look elsewhere may be anywhere, a screen's width away: its variance, by that of a
# lapse where the way is known.
WIDER = 6.0
# A way that is less likely than this is ruled out; of the squared difference to one
# that is not, so much is unsure at least: a region of 90 % then holds both.
RULED_OUT, LEAST_SHARE = 0.01, 0.3


def ways(plan: Layout, prior: SharedMapping, found: Points) -> dict[Turn, float]:
    """Probability of each way to count, from the likeliest on.

    Parameters
    ----------
    plan : Layout
        Only directions may be turned; of other features there is one way.
    prior : SharedMapping
        The broad one.
    found : Points
        T looks; T may be 0.
    """
    if any(source.kind != "direction" for source in plan.eyes):
        return {(1.0, 1.0): 1.0}
    logs = {turn: np.log(share) for turn, share in SHARES.items()}
    if len(found):
        for turn in logs:
            logs[turn] += _evidence(plan, prior, found, turn)
    top = max(logs.values())
    shares = {turn: float(np.exp(each - top)) for turn, each in logs.items()}
    total = sum(shares.values())
    order = sorted(shares, key=lambda turn: -shares[turn])
    return {turn: shares[turn] / total for turn in order}


def _evidence(plan: Layout, prior: SharedMapping, found: Points, turn: Turn) -> float:
    """Log density of the targets, each by itself; any look may be a lapse."""
    prepared, slopes = prepare(prior.basis, found), pose_slopes(prior.basis, plan)
    weights = prior_weights(prior.basis, True, turn=turn, slopes=slopes)
    made = blocks(prepared, prior.noise, carried(prepared, weights.mean))
    design = made.design
    left = made.target - design @ weights.mean
    sound = design @ weights.cov @ np.swapaxes(design, -1, -2) + made.noise
    both = np.stack([sound, sound + WIDER * anywhere(left.shape[1])])
    both = bayes.masked_noise(both, made.present)
    solved = np.linalg.solve(both, np.broadcast_to(left, both.shape[:-1])[..., None])
    logs = -0.5 * (np.sum(solved[..., 0] * left, -1) + np.linalg.slogdet(both)[1])
    share = np.log([[1.0 - LAPSE_SHARE], [LAPSE_SHARE]])
    return float(np.logaddexp(*(logs + share)).sum())


def unsure(
    plan: Layout,
    prior: SharedMapping,
    best: Estimate,
    looks: Points,
    likely: dict[Turn, float],
) -> Estimate:
    """Return an estimate, as unsure as other ways to count would have it.

    Parameters
    ----------
    plan : Layout
    prior : SharedMapping
        Turned the likeliest way.
    best : Estimate
        Under it.
    looks : Points
    likely : dict of float by turn
        As `ways` gives them.
    """
    chosen, others = next(iter(likely)), []
    for axis in range(2):
        share = sum(s for turn, s in likely.items() if turn[axis] != chosen[axis])
        if share > RULED_OUT:
            other = (-chosen[0], chosen[1]) if axis == 0 else (chosen[0], -chosen[1])
            others.append((other, max(share, LEAST_SHARE)))
    if not others:
        return best
    slopes = pose_slopes(prior.basis, plan)
    noise = replace(best.noise, spread=0.0)

    def mean(turn: Turn) -> Array:
        weights = prior_weights(prior.basis, True, turn=turn, slopes=slopes)
        return estimate(weights, prior.basis, noise, looks).weights.mean

    here = mean(chosen)
    for other, share in others:
        best = unsure_by(best, mean(other) - here, share)
    return best
