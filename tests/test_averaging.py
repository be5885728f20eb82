"""Without a prior: states of the tracker averaged, against the plain posterior."""

from __future__ import annotations

from dataclasses import replace

import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from test_mapping import errors_deg

import calibkit
from calibkit.channels import Channel
from calibkit.fitted import averaging, bayes
from calibkit.fitted.broad import broad
from calibkit.fitted.estimate import estimate
from calibkit.fitted.features import layout
from calibkit.fitted.material import gather
from calibkit.fitted.observations import blocks, carried, prepare
from calibkit.geometry import angles_to_px
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]


def right_already(
    seed: int, count: int, aim_deg: float, rate: float = 60.0
) -> tuple[Recording, Array]:
    """A tracker that is right, and a person whose looks lie about the targets."""
    places = [invented.NINE[k] for k in (4, 0, 8, 2, 6, 1, 3, 5, 7)[:count]]
    rec, truth = invented.record(
        seed, places, kind="screen", aim_deg=aim_deg, rate=rate
    )
    channels = tuple(
        Channel(label=t, eye="both", type=t, unit="pixels")
        for t in ("ScreenX", "ScreenY")
    )
    noise = np.random.default_rng(seed).normal(0, 8.0, truth.shape)
    return replace(rec, samples=truth + noise, channels=channels), truth


@pytest.mark.parametrize("count", [1, 4, 9])
def test_one_state_is_the_plain_posterior(
    monkeypatch: pytest.MonkeyPatch, count: int
) -> None:
    """One hypothesis: mean, covariance, left-out looks are those of weight space."""
    monkeypatch.setattr(averaging, "SCALES", ((1.0, 1.0, 0.0),))
    for name in ("BENDS", "NOISES", "NOISES_MANY"):
        monkeypatch.setattr(averaging, name, ((1.0, 0.0),))
    rec, _ = invented.record(3, invented.NINE[:count], kind="screen")
    plan = layout(rec.channels)
    found = gather(rec, plan).points
    prior = broad(plan, found, rec.setup)
    best = estimate(prior.weights, prior.basis, prior.noise, found)
    kinds = averaging.states(count, 60.0, plan.in_degrees)
    made = averaging.averaged(prior.weights, prior.basis, best, found, kinds)
    prepared = prepare(prior.basis, found)
    own = blocks(prepared, best.noise, carried(prepared, best.weights.mean))
    solved = bayes.solve(prior.weights, own, made.trust)
    np.testing.assert_allclose(made.weights.mean, solved.posterior.mean, atol=1e-7)
    np.testing.assert_allclose(made.weights.cov, solved.posterior.cov, atol=1e-7)
    assert made.score == pytest.approx(solved.predictive(own), rel=1e-6)
    assert made.strain == pytest.approx(solved.strain(own), rel=1e-6)


@pytest.mark.parametrize("count", [1, 2, 5, 9])
@pytest.mark.parametrize(("aim", "rate"), [(0.4, 60.0), (3.0, 30.0)])
def test_a_tracker_that_is_right_stays_right(
    count: int, aim: float, rate: float
) -> None:
    """Looks far from targets, as with webcams, are no reason to leave its answer."""
    ours = []
    for seed in range(12):
        rec, truth = right_already(seed, count, aim, rate)
        ours.append(np.median(errors_deg(calibkit.fit(rec), rec, truth)))
    assert np.median(ours) < 0.7 * aim


@pytest.mark.parametrize("count", [1, 2, 5])
def test_a_tracker_that_is_off_is_put_right(count: int) -> None:
    errors = []
    for seed in range(12):
        rec, truth = right_already(seed, count, 0.3)
        away = angles_to_px(rec.setup, np.array([[3.0, -2.0]]))[0]
        shift = away - np.array(rec.setup.screen_px) / 2.0
        off = replace(rec, samples=rec.samples + shift)
        errors.append(np.median(errors_deg(calibkit.fit(off), off, truth)))
    assert np.median(errors) < 0.8


def test_rough_states_do_not_swallow_lapses() -> None:
    """Raw features, 7 of 16 looks elsewhere: left out, not taken for a noisy person.

    No source; where a lapse cost its state more than a gross error does, the median of
    these people was 1.05 degrees.
    """
    steps = (0.1, 0.37, 0.63, 0.9)
    grid, errors = [(x, y) for x in steps for y in steps], []
    for seed in range(10):
        lapses = np.random.default_rng(seed).permutation(len(grid))[:7]
        rec, truth = invented.record(
            seed, grid, lapses=lapses.tolist(), noise_deg=0.4, aim_deg=0.5
        )
        errors.append(errors_deg(calibkit.fit(rec), rec, truth))
    assert np.median(errors) < 0.5


@pytest.mark.parametrize("turn", [0.0, 0.4, 2.0])
@pytest.mark.parametrize(
    ("shape", "pictured"),
    [
        ([[1.0, 0.0], [0.0, 1.0]], True),
        ([[-1.0, 0.0], [0.0, 0.7]], True),
        ([[1.0, 0.8], [0.0, 1.0]], False),
        ([[1.0, 0.0], [0.0, 0.2]], False),
    ],
)
def test_a_picture_keeps_angles_however_it_is_turned(
    turn: float, shape: list[list[float]], pictured: bool
) -> None:
    """Plain geometry: a rotation or a mirror changes no angle, a shear does."""
    rec, _ = invented.record(3, invented.NINE[:3])
    plan = layout(rec.channels)
    found = gather(rec, plan).points
    basis = broad(plan, found, rec.setup).basis
    sine, cosine = np.sin(turn), np.cos(turn)
    gain = np.array([[cosine, -sine], [sine, cosine]]) @ np.array(shape)
    weights = np.zeros((len(basis.centre), 2, basis.terms))
    weights[:, :, 1] = gain[:, 0] * basis.scale[:, [0]]
    weights[:, :, 2] = gain[:, 1] * basis.scale[:, [1]]
    assert averaging.as_pictured(weights.ravel(), basis, found) is pictured
    unseen = replace(found, seen=np.zeros_like(found.seen))
    assert not averaging.as_pictured(weights.ravel(), basis, unseen)


def test_three_raw_looks_are_surer_where_all_were_on_their_targets() -> None:
    """A look elsewhere is fitted exactly, too: what it seems to tell stays unsure."""
    rec, _ = invented.record(5, [invented.NINE[k] for k in (0, 2, 7)])
    assert calibkit.fit(rec).evaluator.spread_at(np.zeros((1, 2))).max() < 1.5
    there = rec.targets.copy()
    there["x"][1], there["y"][1] = there["x"][0] + 60.0, there["y"][2]
    away = calibkit.fit(replace(rec, targets=there))
    assert away.evaluator.spread_at(np.zeros((1, 2))).max() > 2.0
