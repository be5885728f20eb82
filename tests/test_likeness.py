"""How like others a person is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit import fit, geometry, learn_shared, simulation
from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.estimate import Estimate, estimate
from calibkit.fitted.likeness import scales, with_likeness
from calibkit.fitted.observations import Noise, Points, blocks, carried, prepare

Array = NDArray[np.float64]

NOISE = Noise(
    fixation=np.full(2, 0.25),
    eye=np.full((1, 2), 0.1),
    spread=0.0,
    sample=np.eye(2) * 0.01,
    drift=np.zeros(2),
)
BASIS = Basis(
    degree=2,
    covariates=(),
    centre=np.zeros((1, 2)),
    scale=np.ones((1, 2)),
    extra_centre=np.zeros((1, 0)),
    extra_scale=np.ones((1, 0)),
)
PRIOR = Gaussian(
    mean=np.array([0, 8, 0, 0, 0, 0, 0, 0, 8, 0, 0, 0], float),
    cov=np.diag(np.tile([1.0, 0.5, 0.5, 0.2, 0.2, 0.2], 2) ** 2),
)
PLACES = np.array([(-0.9, -0.9), (0.9, 0.9), (0.9, -0.9), (0.0, 0.9), (-0.9, 0.3)])


def functions(places: Array) -> Array:
    terms: Array = BASIS.functions(places[None], np.empty((1, len(places), 0)))[0]
    return terms


def looks_at(gaze: Array, places: Array) -> Points:
    count = len(gaze)
    return Points(
        gaze=gaze,
        mean=places[:, None],
        mean_cov=np.zeros((count, 2, 2)),
        extra=np.empty((count, 1, 0)),
        seen=np.ones((count, 1), bool),
        moving=np.zeros(count, bool),
        target=np.arange(count),
        spread=np.zeros((2, 2)),
    )


def person(rng: np.random.Generator, scale: float, looks: int) -> tuple[Points, Array]:
    """Looks of a person whose weights are `scale` times as far off, and the weights."""
    own = PRIOR.mean + scale * rng.normal(size=12) * np.sqrt(np.diag(PRIOR.cov))
    gaze = functions(PLACES[:looks]) @ own.reshape(2, 6).T
    sd = np.hypot(0.25, 0.1)
    return looks_at(gaze + rng.normal(0, sd, gaze.shape), PLACES[:looks]), own


def with_full_trust(looks: Points) -> Estimate:
    found = estimate(PRIOR, BASIS, NOISE, looks)
    return replace(found, trust=np.ones(len(looks)))


def test_scales_have_mean_one() -> None:
    """A log-normal's mean, exp(m + s²/2) with m = -s²/2: textbook."""
    factors, odds = scales()
    assert np.exp(odds).sum() == pytest.approx(1.0)
    assert np.exp(odds) @ factors == pytest.approx(1.0, abs=0.01)


def test_it_is_the_mixture_of_the_posteriors() -> None:
    """Plain recomputation: one fit for each scale, moments of their mixture."""
    looks, _ = person(np.random.default_rng(3), 2.0, 4)
    found = estimate(PRIOR, BASIS, NOISE, looks)
    found = replace(found, trust=np.array([1.0, 0.4, 0.9, 1.0]))
    prepared = prepare(BASIS, looks)
    made = blocks(prepared, found.noise, carried(prepared, found.weights.mean))
    logs, means, covs = [], [], []
    for factor, log_odds in zip(*scales(), strict=True):
        scaled = Gaussian(mean=PRIOR.mean, cov=factor * PRIOR.cov)
        one = bayes.solve(scaled, made, found.trust)
        logs.append(float(one.log_evidence) + log_odds)
        means.append(one.posterior.mean)
        covs.append(one.posterior.cov)
    share = np.exp(np.array(logs) - max(logs))
    share /= share.sum()
    mean = share @ np.array(means)
    apart = np.array(means) - mean
    cov = np.tensordot(share, np.array(covs), axes=1)
    cov += np.einsum("h,hi,hj->ij", share, apart, apart)
    mixed = with_likeness(PRIOR, BASIS, found, looks).weights
    assert mixed.mean == pytest.approx(mean, abs=1e-8)
    assert mixed.cov == pytest.approx(cov, abs=1e-8)


def test_regions_suit_people_near_the_average_and_far_from_it() -> None:
    """Monte Carlo: of the stated 90 % regions of both kinds, as many hold as stated.

    Under one covariance for all, those of the near hold too often and those of the far
    too seldom.
    """
    rng = np.random.default_rng(11)
    check = functions(rng.uniform(-1, 1, (40, 2)))
    held: dict[tuple[float, bool], list[float]] = {}
    for scale in (0.6, 1.6) * 150:
        looks, own = person(rng, scale, 5)
        found = with_full_trust(looks)
        for likeness in (False, True):
            weights = found.weights
            if likeness:
                weights = with_likeness(PRIOR, BASIS, found, looks).weights
            apart = (weights.mean - own).reshape(2, 6) @ check.T
            var = [np.sum((check @ block) * check, 1) for block in _halves(weights.cov)]
            inside = np.sum(apart**2 / np.array(var), axis=0) < 4.605
            held.setdefault((scale, likeness), []).append(float(inside.mean()))
    share = {key: float(np.mean(value)) for key, value in held.items()}
    assert share[0.6, False] > 0.96
    assert share[1.6, False] < 0.85
    assert abs(share[0.6, True] - 0.9) < abs(share[0.6, False] - 0.9)
    assert abs(share[1.6, True] - 0.9) < abs(share[1.6, False] - 0.9)


def _halves(cov: Array) -> tuple[Array, Array]:
    return cov[:6, :6], cov[6:, 6:]


def test_no_look_changes_nothing() -> None:
    looks, _ = person(np.random.default_rng(0), 1.0, 0)
    found = estimate(PRIOR, BASIS, NOISE, looks)
    assert with_likeness(PRIOR, BASIS, found, looks) is found


def test_glides_are_weighed_where_the_target_was() -> None:
    """A glide beside people's prior: off true gaze, as simulated, by less than 1 deg.

    A block of a glide has its place only once its lag is known (Points.gaze is NaN).
    """
    desk = simulation.desk(77, "screen")
    places = np.array([(x, y) for x in (0.1, 0.5, 0.9) for y in (0.1, 0.5, 0.9)])
    size = np.asarray(desk.setup.screen_px, float)
    t = np.arange(0.0, 5.0, 1 / 60)
    round_about = np.column_stack([np.sin(1.9 * t), np.cos(2.5 * t)])
    path = np.column_stack([t, (0.5 + 0.4 * round_about) * size])
    recs = []
    for seed in range(6):
        who = simulation.person(
            tracker="screen", kind="steady", seed=7_700 + seed, desk=desk
        )
        recs.append(simulation.record(who, places * size, seed=seed)[0])
    shared = learn_shared(recs)
    who = simulation.person(tracker="screen", kind="steady", seed=7_790, desk=desk)
    rec, times, truth = simulation.record(who, np.empty((0, 2)), seed=1, path=path)
    gaze = fit(rec, shared).apply(rec.samples)
    true = np.column_stack([np.interp(rec.time, times, truth[:, k]) for k in (0, 1)])
    seen = np.isfinite(gaze.xy).all(axis=1)
    assert seen.mean() > 0.8
    off = geometry.angle_between(desk.setup, gaze.xy[seen], true[seen])
    assert np.median(off) < 1.0
