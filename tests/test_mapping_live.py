"""One sample at a time gives what many at a time give, to the last bit.

Source: the requirement "published rows equal `Mapping.apply` of the same inputs".
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from storing import scaled

from calibkit import simulation
from calibkit.channels import Channel
from calibkit.fitted import fitting as fitted
from calibkit.fitted.basis import exponents
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.mapping_live import live
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
POINTS = [[x, y] for y in (100, 540, 980) for x in (150, 960, 1770)]
KINDS = (
    "pupil-reflex",
    "screen",
    "webcam",
    "one reflex",
    "direction",
    "one eye",
    "mm",
    "degree 1",
    "degree 2",
)


@cache
def recorded(tracker: str) -> Recording:
    person = simulation.person(tracker=tracker, seed=5)
    return simulation.record(person, POINTS, seed=5, seconds_per_point=0.8)[0]


@cache
def case(kind: str) -> tuple[Mapping, Array]:
    """A mapping and samples for it, from each kind of tracker."""
    if kind == "one eye":
        rec = recorded("pupil-reflex")
        made = fitted.fit(rec, eyes="left")
    elif kind == "one reflex":
        rec = without(recorded("pupil-reflex"), second_reflexes)
        made = fitted.fit(rec)
    elif kind == "direction":
        rec = as_directions(recorded("screen"))
        made = fitted.fit(rec)
    elif kind.startswith("degree"):
        rec = recorded("pupil-reflex")
        made = of_degree(fitted.fit(rec), int(kind[-1]))
    elif kind == "mm":
        rec = in_mm(recorded("screen"))
        made = fitted.fit(rec)
    else:
        rec = recorded(kind)
        made = fitted.fit(rec)
    return made, np.asarray(rec.samples, float)


def second_reflexes(channels: tuple[Channel, ...]) -> set[int]:
    """Columns of each eye's second reflex."""
    seen: dict[tuple[str, str], int] = {}
    gone = set()
    for k, channel in enumerate(channels):
        word = (channel.eye, channel.type)
        seen[word] = seen.get(word, 0) + 1
        if channel.type.startswith("Reflex") and seen[word] > 1:
            gone.add(k)
    return gone


def without(rec: Recording, which: object) -> Recording:
    gone = which(rec.channels)  # type: ignore[operator]
    assert gone
    keep = [k for k in range(len(rec.channels)) if k not in gone]
    return replace(
        rec,
        samples=rec.samples[:, keep],
        channels=tuple(rec.channels[k] for k in keep),
    )


def screen_columns(rec: Recording, eye: str) -> list[int]:
    return [
        k
        for k, c in enumerate(rec.channels)
        if c.eye == eye and c.type in ("ScreenX", "ScreenY")
    ]


def as_directions(rec: Recording) -> Recording:
    """The same gaze as unit vectors, which point away from the person."""
    parts, channels = [], []
    for eye in sorted({c.eye for c in rec.channels if c.type == "ScreenX"}):
        x, y = (np.asarray(rec.samples, float)[:, k] for k in screen_columns(rec, eye))
        across = (x / 1920 - 0.5) * rec.setup.screen_mm[0]
        down = (y / 1080 - 0.5) * rec.setup.screen_mm[1]
        deep = np.full(len(x), -rec.setup.distance_mm)
        way = np.column_stack([across, down, deep])
        parts.append(way / np.linalg.norm(way, axis=1)[:, None])
        channels += [
            Channel(label=f"{eye} {a}", eye=eye, type=f"Direction{a}", unit="none")
            for a in "XYZ"
        ]
    return replace(rec, samples=np.hstack(parts), channels=tuple(channels))


def in_mm(rec: Recording) -> Recording:
    samples, channels = np.array(rec.samples, float), list(rec.channels)
    for k, channel in enumerate(channels):
        if channel.type in ("ScreenX", "ScreenY"):
            axis = "XY".index(channel.type[-1])
            unit = {"normalized": 1.0}.get(channel.unit, rec.setup.screen_px[axis])
            samples[:, k] *= rec.setup.screen_mm[axis] / unit
            channels[k] = replace(channel, unit="mm")
    return replace(rec, samples=samples, channels=tuple(channels))


def of_degree(made: Mapping, degree: int) -> Mapping:
    """The same mapping without its terms of higher degree."""
    terms, count = len(exponents(degree)), len(exponents(made.basis.degree))
    each = np.r_[:terms, count : made.basis.terms]
    blocks = np.arange(2 * len(made.layout.eyes)) * made.basis.terms
    keep = (blocks[:, None] + each).ravel()
    weights = Gaussian(
        mean=made.weights.mean[keep], cov=made.weights.cov[np.ix_(keep, keep)]
    )
    return replace(made, basis=replace(made.basis, degree=degree), weights=weights)


def rows(mapping: Mapping, samples: Array) -> Array:
    one = live(mapping)
    return np.array([one(sample) for sample in samples.tolist()]).reshape(-1, 4)


def applied(mapping: Mapping, samples: Array) -> Array:
    gaze = mapping.apply(samples)
    return np.hstack([gaze.xy, gaze.sd])


@pytest.mark.parametrize("kind", KINDS)
def test_recorded_samples(kind: str) -> None:
    mapping, samples = case(kind)
    want = applied(mapping, samples)
    assert np.isfinite(want).all(axis=1).mean() > 0.5
    np.testing.assert_array_equal(rows(mapping, samples), want)


@pytest.mark.parametrize("kind", KINDS)
def test_a_row_never_depends_on_its_neighbours(kind: str) -> None:
    mapping, samples = case(kind)
    samples = samples[:700]
    want = applied(mapping, samples)
    for size in (1, 2, 3, 7, 64):
        parts = [
            applied(mapping, samples[k : k + size])
            for k in range(0, len(samples), size)
        ]
        np.testing.assert_array_equal(np.concatenate(parts), want)


@pytest.mark.parametrize("kind", KINDS)
def test_one_eye_lost_both_lost_and_far_off(kind: str) -> None:
    mapping, samples = case(kind)
    rng = np.random.default_rng(8)
    samples = samples[:2000].copy()
    samples[rng.random(samples.shape) < 0.08] = np.nan
    for value in (0.0, -1.0, np.inf, 1e30, -1e300, 5e-324):
        samples[rng.random(samples.shape) < 0.02] = value
        samples[rng.random(len(samples)) < 0.02] = value
        for eye in mapping.layout.eyes:
            lost = rng.random(len(samples)) < 0.05
            for column in eye.columns:
                samples[lost, column] = value
    with np.errstate(all="ignore"):
        want = applied(mapping, samples)
    got = rows(mapping, samples)
    np.testing.assert_array_equal(got, want)
    assert np.isnan(got).any()
    assert np.isfinite(got).all(axis=1).any()


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=scaled(60), deadline=None)
@given(data=st.data())
def test_any_sample_at_all(kind: str, data: st.DataObject) -> None:
    mapping, samples = case(kind)
    base = samples[data.draw(st.integers(0, len(samples) - 1))].copy()
    number = st.floats(allow_nan=True, allow_infinity=True)
    changes = st.dictionaries(st.integers(0, len(base) - 1), number, max_size=8)
    for column, value in data.draw(changes).items():
        base[column] = value
    with np.errstate(all="ignore"):
        want = applied(mapping, base[None])
    np.testing.assert_array_equal(rows(mapping, base[None]), want)


def test_a_sample_of_another_length_is_refused() -> None:
    mapping, samples = case("screen")
    with pytest.raises(ValueError, match="instead of"):
        live(mapping)(samples[0, :-1].tolist())
