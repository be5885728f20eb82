"""What is learned of people: against known truth, statsmodels, and its own traps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import h5py
import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from test_mapping import errors_deg

import calibkit
from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.fitted import population, starter
from calibkit.fitted.basis import Basis, exponents, powers, supported_degree, to_powers
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.broad import prior_weights
from calibkit.fitted.fitting import load_prior, predicted_sd_deg
from calibkit.fitted.observations import Noise, Prepared
from calibkit.fitted.prior import SharedMapping
from calibkit.fitted.structured import structured
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
THIRTEEN = [*invented.NINE, (0.29, 0.29), (0.71, 0.29), (0.29, 0.71), (0.71, 0.71)]


def crowd(count: int, first: int = 1000, **options: object) -> list[Recording]:
    """Recordings of invented people, each on nine of thirteen points."""
    made = []
    for k in range(count):
        picks = np.random.default_rng(k).permutation(13)[:9]
        places = [THIRTEEN[p] for p in picks]
        made.append(invented.record(first + k, places, **options)[0])  # type: ignore[arg-type]
    return made


@pytest.fixture(scope="module")
def shared() -> SharedMapping:
    return calibkit.learn_shared(crowd(20))


def medians(shared: SharedMapping | None, places: list, people: int = 12) -> float:  # type: ignore[type-arg]
    found = []
    for seed in range(people):
        rec, truth = invented.record(seed, places)
        found.append(np.median(errors_deg(calibkit.fit(rec, shared), rec, truth)))
    return float(np.median(found))


def test_few_points_are_enough_with_people_behind_them(shared: SharedMapping) -> None:
    """None, one, two: one code path, better with each."""
    none, one, two = (
        medians(shared, places)
        for places in ([], [(0.5, 0.5)], [(0.2, 0.2), (0.8, 0.8)])
    )
    assert none < 2.5
    assert one < 0.7 * none
    assert two < 0.45
    assert two < one


def test_people_may_come_one_by_one(tmp_path: Path) -> None:
    """Python's iterables: what a generator gives is gone once it was read.

    Source: the contract's call takes any row of recordings; common practice.
    """
    people = crowd(3)
    learned = calibkit.learn_shared(person for person in people)
    learned.save(tmp_path / "shared.h5")
    known = calibkit.learn_shared(people)
    assert np.array_equal(learned.setups, known.setups)
    assert learned.setups.shape == (1, 5)
    rec, _ = invented.record(1, [])
    for prior in (learned, calibkit.SharedMapping.load(tmp_path / "shared.h5")):
        gaze = calibkit.fit(rec, prior).apply(rec.samples)
        wanted = calibkit.fit(rec, known).apply(rec.samples)
        assert np.array_equal(gaze.xy, wanted.xy, equal_nan=True)


@pytest.mark.parametrize("call", ["fit", "assess", "learn_shared"])
@pytest.mark.parametrize("given", [None, "rec.h5", Path("rec.h5"), 5])
def test_only_recordings_are_read_and_the_refusal_says_so(
    call: str, given: object
) -> None:
    """Source: contract, Python: paths go to Recording.load; refused in a sentence."""
    rec, _ = invented.record(1, invented.NINE)
    calls: dict[str, Callable[[], object]] = {
        "fit": lambda: calibkit.fit(given),  # type: ignore[arg-type]
        "assess": lambda: calibkit.assess(calibkit.fit(rec), given),  # type: ignore[arg-type]
        "learn_shared": lambda: calibkit.learn_shared([rec, rec, given]),  # type: ignore[list-item]
    }
    with pytest.raises(calibkit.CalibkitError, match=r"Recording\.load") as refusal:
        calls[call]()
    assert refusal.value.exit_status == 3


def test_a_refused_prior_is_named_and_not_printed_whole() -> None:
    rec, _ = invented.record(1, invented.NINE)
    with pytest.raises(InputError, match="list") as refusal:
        calibkit.fit(rec, shared=[rec])  # type: ignore[arg-type]
    assert len(str(refusal.value)) < 200


def test_uncertainty_falls_with_points_and_is_true(shared: SharedMapping) -> None:
    inside, sds = [], []
    for count in (0, 1, 3, 9):
        part = []
        for seed in range(12):
            rec, truth = invented.record(seed, invented.NINE[:count])
            mapping = calibkit.fit(rec, shared)
            gaze = mapping.apply(rec.samples)
            part.append(predicted_sd_deg(mapping))
            for row in rec.targets[rec.targets["role"] == "validation"]:
                late = (rec.time >= row["onset"] + 0.45) & (rec.time < row["offset"])
                z = (gaze.xy[late] - truth[late]) / gaze.sd[late]
                inside.append(np.mean(np.sum(z**2, axis=1) < 4.605))
        sds.append(np.mean(part))
    assert sds == sorted(sds, reverse=True)
    assert 0.85 < np.mean(inside) < 0.995


def test_lapses_of_others_do_not_leak_in(shared: SharedMapping) -> None:
    """A lapse in every third person must hardly be felt at one point."""
    people = crowd(20)
    for k in range(0, 20, 3):
        picks = np.random.default_rng(k).permutation(13)[:9]
        places = [THIRTEEN[p] for p in picks]
        people[k] = invented.record(1000 + k, places, lapses=(4,))[0]
    spoiled = calibkit.learn_shared(people)
    places = [(0.5, 0.5)]
    assert medians(spoiled, places) < 1.25 * medians(shared, places) + 0.05
    assert spoiled.noise.fixation.max() < 1.5 * shared.noise.fixation.max() + 0.05


def test_a_lattice_supports_no_cubic() -> None:
    """On three rows and columns x³ is x; five points cannot tell x² from y².

    Literature check value 17: rank 5 of 6 for corners and centre.
    """
    nine = np.array(invented.NINE) * [40.0, 22.0]
    assert supported_degree([nine, nine]) == 2
    assert supported_degree([nine[[0, 2, 4, 6, 8]]]) == 1
    thirteen = np.array(THIRTEEN) * [40.0, 22.0]
    assert supported_degree([thirteen]) == 3
    sixteen = np.array([(x, y) for x in range(4) for y in range(4)], float)
    assert supported_degree([sixteen]) == 3


def test_people_on_one_lattice_learn_no_cubic() -> None:
    people = [invented.record(2000 + k, invented.NINE)[0] for k in range(8)]
    assert calibkit.learn_shared(people).basis.degree == 2


@pytest.mark.parametrize("count", [0, 1, 2])
def test_three_people_at_the_least(count: int) -> None:
    with pytest.raises(InputError, match=r"3|three"):
        calibkit.learn_shared(crowd(count))


def test_three_are_enough_but_wide_and_local() -> None:
    few = calibkit.learn_shared(crowd(3))
    assert few.people == 3
    assert few.local
    assert "3 people" in few.notes[0]


def test_recordings_of_one_person_count_once() -> None:
    people = [replace(rec, person="same") for rec in crowd(4)]
    with pytest.raises(InputError, match=r"1 person"):
        calibkit.learn_shared(people)


def test_a_person_whose_eyes_were_never_seen_is_no_hindrance() -> None:
    """The others teach; alone such a recording is refused (contract: exit status 3)."""
    recs = crowd(5)
    blind = replace(recs[0], samples=np.full_like(recs[0].samples, np.nan))
    assert calibkit.learn_shared([blind, *recs[1:]]).people == 4
    with pytest.raises(InputError, match="no sample in which an eye was seen"):
        calibkit.fit(blind)


def test_other_channels_are_refused(shared: SharedMapping) -> None:
    rec, _ = invented.record(1, invented.NINE, kind="screen")
    with pytest.raises(InputError, match="reads pupil and two reflexes"):
        calibkit.fit(rec, shared)
    people = crowd(3)
    with pytest.raises(InputError, match="different kinds") as refused:
        calibkit.learn_shared([*people, rec])
    said = str(refused.value)
    one, four = (
        f"recording {k} (of {r.person})" for k, r in ((1, people[0]), (4, rec))
    )
    assert f"{four} gaze positions or directions (left and right)" in said
    assert f"{one} has pupil and two reflexes (left and right)" in said
    left, _ = invented.record(1, invented.NINE, eyes=("left",))
    with pytest.raises(
        InputError, match=r"reflexes \(right\), recording 4 .* no others"
    ):
        calibkit.learn_shared([*people, left])


def with_more(rec: Recording, types: Sequence[str], seed: int) -> Recording:
    """Add channels of both eyes at a stream's front; HeadYaw moves the pupils too."""
    rng = np.random.default_rng([seed, 7])
    second = (rec.time - rec.time[0]).astype(int)
    yaw = rng.normal(0, 1.5, second[-1] + 1)[second]
    more = tuple(Channel(label=t, eye="both", type=t, unit="") for t in types)
    values = 100.0 + rng.normal(size=(len(yaw), len(types)))
    samples = rec.samples.copy()
    if "HeadYaw" in types:
        values[:, types.index("HeadYaw")] = yaw
        samples[:, [0, 6]] += 0.5 * yaw[:, None]  # half a pixel a degree
    return replace(
        rec,
        channels=(*more, *rec.channels),
        samples=np.hstack([values, samples]),
    )


def test_streams_that_carry_different_further_channels_are_learned_from() -> None:
    """What all carry is used, wherever it is; what some lack is left out and named."""
    plain = crowd(6)
    kinds = [("HeadYaw", "HeadX", "Diameter"), ("PositionZ", "HeadX", "HeadYaw")]
    people = [with_more(rec, kinds[k % 2], k) for k, rec in enumerate(plain)]
    shared = calibkit.learn_shared(people)
    note = "learned without Diameter, PositionZ: not every recording has it"
    assert note in shared.notes
    assert "HeadYaw" in shared.basis.covariates
    assert set(shared.basis.covariates) <= {"HeadYaw", "HeadX"}
    # One column is read as one thing: order alone must change nothing.
    ordered = [with_more(rec, kinds[0], k) for k, rec in enumerate(plain)]
    turned = [reordered(r) if k % 2 else r for k, r in enumerate(ordered)]
    same = calibkit.learn_shared(turned)
    assert not any("without" in text for text in same.notes)
    rec, truth = invented.record(2, invented.NINE[::4])
    for each in (shared, same):
        mapping = calibkit.fit(with_more(rec, kinds[0], 50), each)
        error = errors_deg(mapping, with_more(rec, kinds[0], 50), truth)
        assert np.median(error) < 0.8
    expected = calibkit.learn_shared(ordered)
    np.testing.assert_allclose(same.weights.mean, expected.weights.mean, atol=1e-9)


def reordered(rec: Recording) -> Recording:
    """Return the same stream with its channels the other way round."""
    order = np.r_[2, 1, 0, 3 : len(rec.channels)]
    return replace(
        rec,
        channels=tuple(rec.channels[k] for k in order),
        samples=rec.samples[:, order],
    )


def test_one_eye_of_a_shared_mapping(shared: SharedMapping) -> None:
    rec, truth = invented.record(2, [(0.5, 0.5)])
    mapping = calibkit.fit(rec, shared, eyes="right")
    assert np.median(errors_deg(mapping, rec, truth)) < 1.5


def test_a_foreign_setup_is_refused_at_one_point_and_flagged_at_two(
    shared: SharedMapping,
) -> None:
    """Raw camera features belong to their set-up (contract and study, section 4)."""
    other = replace(invented.SETUP, distance_mm=500.0)
    one, _ = invented.record(3, [(0.5, 0.5)], setup=other)
    with pytest.raises(InputError, match="another set-up"):
        calibkit.fit(one, shared)
    three, _ = invented.record(3, invented.NINE[:3], setup=other)
    assert any("another set-up" in note for note in calibkit.fit(three, shared).notes)


def test_degrees_hold_for_any_setup() -> None:
    """A screen-like shared mapping moves to another screen without a flag."""
    people = crowd(8, kind="screen")
    shared = calibkit.learn_shared(people)
    other = replace(
        invented.SETUP,
        screen_px=(1280, 1024),
        screen_mm=(380.0, 304.0),
        distance_mm=550,
    )
    rec, truth = invented.record(4, [(0.5, 0.5)], kind="screen", setup=other)
    mapping = calibkit.fit(rec, shared)
    assert not any("set-up" in note for note in mapping.notes)
    assert np.median(errors_deg(mapping, rec, truth)) < 1.5


def test_an_earlier_session_is_a_prior(shared: SharedMapping) -> None:
    """No new point: as good as the old mapping; a file of either kind can be read."""
    first, _ = invented.record(5, invented.NINE)
    earlier = calibkit.fit(first, shared)
    again, truth = invented.record(5, [])
    mapping = calibkit.fit(again, earlier)
    assert np.median(errors_deg(mapping, again, truth)) < 0.4
    assert predicted_sd_deg(mapping) > predicted_sd_deg(earlier)


def test_files_bring_back_the_same(shared: SharedMapping, tmp_path: Path) -> None:
    shared.save(tmp_path / "s.h5")
    other = calibkit.SharedMapping.load(tmp_path / "s.h5")
    assert other.id == shared.id
    assert other.weights.cov == pytest.approx(shared.weights.cov, rel=1e-6, abs=1e-9)
    earlier = calibkit.fit(invented.record(5, invented.NINE)[0], shared)
    earlier.save(tmp_path / "m.h5")
    assert isinstance(load_prior(tmp_path / "s.h5"), SharedMapping)
    assert load_prior(tmp_path / "m.h5").id == earlier.id
    with pytest.raises(InputError, match="calibkit-shared"):
        calibkit.SharedMapping.load(tmp_path / "m.h5")
    for name in ("s.h5", "m.h5"):  # contract: provenance, the software's version
        with h5py.File(tmp_path / name) as file:
            said = bytes(file.attrs["software"]).decode()
            assert said == f"calibkit {calibkit.__version__}"


def test_a_shared_file_holds_no_trace_of_single_recordings(
    shared: SharedMapping, tmp_path: Path
) -> None:
    shared.save(tmp_path / "s.h5")
    assert b"invented-" not in (tmp_path / "s.h5").read_bytes()
    assert not {"recordings", "looks", "source"} & set(shared.snapshot())


def test_starters_are_there_labelled_and_refused_for_raw_features() -> None:
    assert starter.names() == (
        "starter-pupil-reflex",
        "starter-screen",
        "starter-webcam",
    )
    ready = starter.load("starter-pupil-reflex")
    assert ready.origin == "simulated"
    assert "simulated" in ready.notes[0]
    rec, _ = invented.record(6, [(0.5, 0.5)])
    with pytest.raises(InputError, match="simulated"):
        calibkit.fit(rec, ready)
    assert load_prior("starter-screen").id == starter.load("starter-screen").id


def test_mixed_model_of_statsmodels() -> None:
    """Mean and variance over people, against MixedLM by maximum likelihood (REML off).

    A line with a random offset and slope for 150 people; one eye, one axis at a time.
    """
    import pandas as pd
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(0)
    count, looks = 150, 9
    basis = Basis(
        degree=1,
        covariates=(),
        centre=np.zeros((1, 2)),
        scale=np.ones((1, 2)),
        extra_centre=np.zeros((1, 0)),
        extra_scale=np.ones((1, 0)),
    )
    xy = rng.uniform(-1, 1, (count, looks, 2))
    terms = powers(xy, 1) @ to_powers(1)
    people = rng.multivariate_normal(
        [1.0, 6.0, 0.2], [[2.0, 0.3, 0], [0.3, 0.5, 0], [0, 0, 0.4]], (2, count)
    )
    truth = np.einsum("knt,akt->kna", terms, people)
    gaze = truth + rng.normal(0, 0.5, truth.shape)
    design = np.zeros((count, looks, 2, 6))
    for axis in range(2):
        design[:, :, axis, 3 * axis : 3 * axis + 3] = terms
    prepared = Prepared(
        design=design,
        target=gaze,
        present=np.ones((count, looks, 2), bool),
        slope=np.zeros((count, looks, 1, 2, 3)),
        mean_cov=np.zeros((count, looks, 2, 2)),
        moving=np.zeros((count, looks), bool),
    )
    noise = Noise(
        fixation=np.full(2, 0.3),
        eye=np.full((1, 2), 0.3),
        spread=0.3,
        sample=np.eye(2),
        drift=np.zeros(2),
    )
    found = population.learn(
        prepared, basis, prior_weights(basis, False), noise, rounds=40
    )
    for axis in range(2):
        table = pd.DataFrame(terms.reshape(-1, 3), columns=["a", "b", "c"])
        table["y"], table["who"] = (
            gaze[..., axis].ravel(),
            np.repeat(range(count), looks),
        )
        model = smf.mixedlm(
            "y ~ 0 + a + b + c", table, groups="who", re_formula="0 + a + b + c"
        ).fit(reml=False)
        mine = found.weights.mean[3 * axis : 3 * axis + 3]
        assert mine == pytest.approx(model.fe_params.to_numpy(), abs=0.03)
        part = slice(3 * axis, 3 * axis + 3)
        variances = np.diag(found.weights.cov[part, part])
        theirs = np.diag(model.cov_re.to_numpy())
        # Ours is shrunk to one variance per group, worth 12 of 162 people.
        assert variances == pytest.approx(theirs, rel=0.2)
        total = found.noise.fixation[axis] ** 2 + found.noise.eye[0, axis] ** 2
        assert total == pytest.approx(model.scale, rel=0.1)


def test_legendre_functions_are_orthonormal() -> None:
    """Mean of products over the square is 1 or 0: Abramowitz & Stegun 22.2.10."""
    nodes, weights = np.polynomial.legendre.leggauss(5)
    grid = np.array([(x, y) for x in nodes for y in nodes])
    measure = np.array([a * b for a in weights for b in weights]) / 4.0
    functions = powers(grid, 3) @ to_powers(3)
    assert functions.T @ (functions * measure[:, None]) == pytest.approx(
        np.eye(len(exponents(3))), abs=1e-12
    )


def test_structure_keeps_groups_and_eyes() -> None:
    """A structured covariance is left as it is; another is drawn towards it."""
    basis = Basis(
        degree=1,
        covariates=(),
        centre=np.zeros((2, 2)),
        scale=np.ones((2, 2)),
        extra_centre=np.zeros((2, 0)),
        extra_scale=np.ones((2, 0)),
    )
    own = np.diag([4.0, 1.0, 1.0] * 2)
    cov = np.block([[own, 0.5 * own], [0.5 * own, own]])
    assert structured(cov, basis, 20) == pytest.approx(cov, abs=1e-8)
    odd = cov.copy()
    odd[0, 0] += 3.0
    drawn = structured(odd, basis, 20)
    assert cov[0, 0] < drawn[0, 0] < odd[0, 0]
    assert Gaussian(mean=np.zeros(12), cov=drawn).root().shape == (12, 12)
