"""The mappings that ours is compared with, each against a library."""

from __future__ import annotations

import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import LeaveOneOut, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import PolynomialFeatures

import calibkit
from calibkit.errors import CallError, InputError
from calibkit.fitted import rivals
from calibkit.fitted.features import layout, read, with_covariates
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.material import gather
from calibkit.geometry import px_to_angles
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]


def one_eye(seed: int = 1, lapses: tuple[int, ...] = ()) -> Recording:
    places = [(x, y) for y in (0.1, 0.37, 0.63, 0.9) for x in (0.1, 0.37, 0.63, 0.9)]
    return invented.record(seed, places, eyes=("left",), lapses=lapses)[0]


def material(rec: Recording) -> tuple[Array, Array, Array]:
    """Means of looks, targets in degrees, features of all samples."""
    plan = with_covariates(layout(rec.channels), ())
    looks = gather(rec, plan).points
    return looks.mean[:, 0], looks.gaze, read(plan, rec.samples, rec.setup).xy[0]


@pytest.mark.parametrize(("name", "degree"), [("affine", 1), ("quadratic", 2)])
def test_least_squares_of_scikit_learn(name: str, degree: int) -> None:
    rec = one_eye()
    x, y, samples = material(rec)
    other = make_pipeline(PolynomialFeatures(degree), LinearRegression()).fit(x, y)
    mine = rivals.fit_rival(name, rec)
    gaze = px_to_angles(rec.setup, mine.apply(rec.samples).xy)
    assert gaze == pytest.approx(other.predict(samples), abs=1e-7)
    left = y - cross_val_predict(other, x, y, cv=LeaveOneOut())
    assert isinstance(mine, rivals.Rival)
    assert mine.sd_deg == pytest.approx(np.sqrt(np.mean(left**2)), rel=1e-6)


def test_thin_plate_of_scipy() -> None:
    """Same smoothing, same surface: scipy's RBFInterpolator, thin_plate_spline."""
    from scipy.interpolate import RBFInterpolator

    rng = np.random.default_rng(0)
    at, y = rng.normal(size=(14, 2)), rng.normal(size=(14, 2))
    for smooth in (0.0, 0.1, 3.0):
        kernel = rivals._kernel(at, at)
        plane = np.column_stack([np.ones(14), at])
        weights = rivals._plate_matrix(kernel, plane, smooth) @ y
        points = rng.normal(size=(30, 2))
        mine = rivals._kernel(points, at) @ weights[:-3]
        mine += weights[-3] + points @ weights[-2:]
        other = RBFInterpolator(at, y, smoothing=smooth, kernel="thin_plate_spline")
        assert mine == pytest.approx(other(points), abs=1e-7)


def test_robust_fit_survives_lapses_and_least_squares_does_not() -> None:
    rec, clean = one_eye(lapses=(3, 9, 14)), one_eye()
    truth = px_to_angles(
        rec.setup, rivals.fit_rival("quadratic", clean).apply(clean.samples).xy
    )
    off = {}
    for name in ("quadratic", "quadratic-robust"):
        gaze = px_to_angles(
            rec.setup, rivals.fit_rival(name, rec).apply(clean.samples).xy
        )
        off[name] = float(np.nanmedian(np.hypot(*(gaze - truth).T)))
    assert off["quadratic-robust"] < 0.5
    assert off["quadratic"] > 1.0


def test_offset_is_the_mean_error() -> None:
    rec, _ = invented.record(2, invented.NINE, kind="screen", eyes=("left",))
    x, y, samples = material(rec)
    mine = rivals.fit_rival("offset", rec)
    gaze = px_to_angles(rec.setup, mine.apply(rec.samples).xy)
    assert gaze == pytest.approx(samples + (y - x).mean(axis=0), abs=1e-9)


def test_offset_of_raw_features_shifts_what_people_share() -> None:
    from test_shared import crowd

    rec, _ = invented.record(3, [(0.5, 0.5)])
    with pytest.raises(InputError, match="shared"):
        rivals.fit_rival("offset", rec)
    mine = rivals.fit_rival("offset", rec, calibkit.learn_shared(crowd(5)))
    assert np.isfinite(mine.apply(rec.samples).xy).all()


def test_hierarchical_is_our_own_fit() -> None:
    rec = one_eye()
    found = rivals.fit_rival("hierarchical", rec)
    assert isinstance(found, Mapping)
    assert found.id == calibkit.fit(rec).id


def test_too_few_points_and_unknown_names_are_refused() -> None:
    rec = one_eye().with_targets([0, 5])
    with pytest.raises(InputError, match="needs at least 3"):
        rivals.fit_rival("affine", rec)
    with pytest.raises(CallError, match="'spline'"):
        rivals.fit_rival("spline", rec)
