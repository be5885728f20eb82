"""Raw features without a prior: cameras stand upright, maps with lapses are skewed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit import simulation
from calibkit.fitted.basis import Basis, exponents
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.estimate import Estimate
from calibkit.fitted.fitting import predicted_sd_deg
from calibkit.fitted.observations import Noise
from calibkit.fitted.starts import trimmed_start, upright_start
from calibkit.fitted.upright import skewed, unsure_if_skewed
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

FIVE = np.array([(-1, -1), (1, -1), (0, 0), (-1, 1), (1, 1)]) * [16.0, 9.0]
BASIS = Basis(
    degree=2,
    covariates=(),
    centre=np.zeros((2, 2)),
    scale=np.ones((2, 2)),
    extra_centre=np.zeros((2, 0)),
    extra_scale=np.ones((2, 0)),
)


def turn(degrees: float) -> Array:
    angle = np.radians(degrees)
    return np.array(
        [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]], float
    )


def test_what_is_skewed() -> None:
    """Plain geometry: neither a mirror nor a size skews, shear and a turn do."""
    upright = np.array([[10.0, 0.0], [0.0, 10.0]])
    for gain in (upright, 0.01 * upright, upright * [-1.0, 1.0]):
        assert skewed(gain) == pytest.approx(0.0)
    assert skewed(np.array([[10.0, 0.0], [0.0, 15.0]])) < 1.0
    assert skewed(turn(5.0)) < 1.0
    assert skewed(np.array([[10.0, 8.0], [0.0, 10.0]])) > 4.0
    assert skewed(turn(40.0)) > 4.0


@pytest.mark.parametrize("start", [upright_start, trimmed_start])
def test_two_lapses_of_five_are_told_where_the_camera_is_upright(start) -> None:  # type: ignore[no-untyped-def]
    """Invented: any three of five looks agree with some map, but that is skewed.

    The lapses are told in most cases; least trimmed squares, beside it, tells few.
    """
    rng, told = np.random.default_rng(8), 0
    for _ in range(100):
        features = FIVE / 12.0 + rng.normal(0, 0.02, FIVE.shape)
        lapsed = rng.permutation(5)[:2]
        gaze = FIVE.copy()
        features[lapsed] = rng.uniform(-1, 1, (2, 2)) * [16.0, 9.0] / 12.0
        far = np.linalg.norm(features[lapsed] * 12.0 - gaze[lapsed], axis=1) > 6.0
        trust = start(features, gaze)
        rest = np.setdiff1d(np.arange(5), lapsed)
        told += bool((trust[lapsed[far]] < 1.0).all() and (trust[rest] == 1.0).all())
    assert told >= 80 if start is upright_start else told < 60


@pytest.mark.parametrize("degrees", [0.0, 20.0, 90.0, 180.0])
def test_attentive_looks_at_a_turned_camera_are_all_believed(degrees: float) -> None:
    """Plain geometry: a camera may lie on its side; its looks agree all the same."""
    rng = np.random.default_rng(2)
    features = FIVE @ turn(degrees) / 12.0 + rng.normal(0, 0.04, FIVE.shape)
    for count in (4, 5):
        trust = upright_start(features[:count], FIVE[:count])
        assert trust is not None
        assert (trust == 1.0).all()


def estimate_of(gain: Array, trust: Array) -> Estimate:
    mean = np.zeros((2, 2, BASIS.terms))
    straight = [exponents(2).index((1, 0)), exponents(2).index((0, 1))]
    mean[..., straight] = gain
    size = mean.size
    return Estimate(
        weights=Gaussian(mean=mean.ravel(), cov=np.eye(size) * 0.01),
        noise=Noise(
            fixation=np.full(2, 0.3),
            eye=np.full((2, 2), 0.3),
            spread=0.7,
            sample=np.eye(4) * 0.01,
            drift=np.full(2, 0.2),
        ),
        trust=trust,
        away=np.zeros((len(trust), 2)),
        score=0.0,
        strain=1.0,
    )


def test_a_skewed_map_of_few_looks_is_unsure() -> None:
    """What it makes gaze move by, root mean square, nearly all of it: definition."""
    upright, sheared = np.diag([9.0, 6.0]), np.array([[9.0, 9.0], [9.0, -2.0]])
    three, five = np.ones(3), np.ones(5)
    for gain, trust in ((upright, three), (sheared, five)):
        found = estimate_of(gain, trust)
        assert unsure_if_skewed(BASIS, found) is found
    found = estimate_of(sheared, three)
    wider = unsure_if_skewed(BASIS, found)
    assert (wider.weights.mean == found.weights.mean).all()
    added = wider.weights.cov - found.weights.cov
    assert np.linalg.eigvalsh(added).min() > -1e-9
    # Of one eye's axis: the mean square of the functions is 1, they are orthonormal.
    moved = np.sqrt(np.mean(sheared**2))
    own = np.sqrt(np.trace(added[: BASIS.terms, : BASIS.terms]))
    assert 0.8 * moved < own < moved


def sitting(places: Array) -> tuple[Recording, Array, Array]:
    desk = simulation.desk(177, "pupil-reflex")
    who = simulation.person(
        tracker="pupil-reflex", kind="steady", seed=17_700, desk=desk
    )
    size = np.asarray(desk.setup.screen_px, float)
    roles = ["calibration"] * len(places)
    return simulation.record(who, places * size, seed=4, roles=roles, lapse_share=0.0)


def test_a_person_who_looked_elsewhere_once_in_three_is_answered_widely() -> None:
    """Never sure and wrong: one of three targets was elsewhere than the person looked.

    True gaze is the simulator's.
    """
    places = np.array([(0.3, 0.25), (0.7, 0.25), (0.5, 0.75)])
    rec, times, truth = sitting(places)
    rows = rec.targets.copy()
    size = np.asarray(rec.setup.screen_px, float)
    rows["x"][2], rows["y"][2] = np.array([0.7, 0.6]) * size
    calm, lapsed = calibkit.fit(rec), calibkit.fit(replace(rec, targets=rows))
    assert predicted_sd_deg(lapsed) > 2.0 * predicted_sd_deg(calm)
    gaze = lapsed.apply(rec.samples)
    true = np.column_stack([np.interp(rec.time, times, truth[:, k]) for k in (0, 1)])
    seen = np.isfinite(gaze.xy).all(axis=1)
    off = np.sum(((gaze.xy - true) / gaze.sd)[seen] ** 2, axis=1)
    assert np.mean(off < 4.605) > 0.85
