"""Shared mappings that move: what they say of set-ups and people, and what not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import invented
import numpy as np
import pytest
from test_mapping import errors_deg
from test_shared import crowd

import calibkit
from calibkit.cli import main
from calibkit.errors import InputError, NotGoodEnoughError
from calibkit.fitted.features import agree
from calibkit.fitted.prior import SharedMapping


@pytest.fixture(scope="module")
def twenty() -> SharedMapping:
    return calibkit.learn_shared(crowd(20))


def test_what_it_stores(twenty: SharedMapping, tmp_path: Path) -> None:
    """Units, geometry, functions, number of people: through a file."""
    twenty.save(tmp_path / "s.h5")
    again = SharedMapping.load(tmp_path / "s.h5")
    assert again.signature == ("left:pupil-reflex:6", "right:pupil-reflex:6")
    np.testing.assert_array_equal(again.setups, [[1920, 1080, 531, 299, 650]])
    assert (again.people, again.basis.degree) == (20, twenty.basis.degree)


def test_units_must_agree() -> None:
    assert agree(("left:pupil:2:px",), ("left:pupil:2:px",))
    assert agree(("left:pupil:2",), ("left:pupil:2:px",))  # of files made before
    assert not agree(("left:pupil:2:mm",), ("left:pupil:2:px",))
    assert not agree(("left:pupil:2",), ("left:pupil:22",))
    assert not agree(("left:degrees",), ("left:degrees", "right:degrees"))


def test_few_people_stay_where_they_are(tmp_path: Path) -> None:
    shared = calibkit.learn_shared(crowd(6))
    assert shared.local
    assert any("where it was made" in note for note in shared.notes)
    with pytest.raises(NotGoodEnoughError, match="6 people"):
        shared.portable()
    shared.save(tmp_path / "here.h5")
    assert SharedMapping.load(tmp_path / "here.h5").local


@pytest.mark.parametrize("count", [2, 6])
def test_the_command_refuses_few(
    count: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """3 with too few for any, 6 with too few to pass on; nothing is written."""
    files = [tmp_path / f"{k}.h5" for k in range(count)]
    for k, file in enumerate(files):
        invented.record(k, invented.NINE, kind="screen")[0].save(file)
    out = tmp_path / "s.h5"
    status = main(["share", *map(str, files), "--portable", "-o", str(out)])
    assert status == {2: 3, 6: 6}[count]
    assert not out.exists()
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_a_portable_one_holds_no_trace_and_does_as_well(
    twenty: SharedMapping, tmp_path: Path
) -> None:
    carried = twenty.portable()
    file = tmp_path / "s.h5"
    carried.save(file)
    raw = file.read_bytes()
    for rec in crowd(20):
        assert rec.person.encode() not in raw
    # Nothing has more digits than it needs.
    mean = carried.weights.mean
    np.testing.assert_array_equal(mean, np.round(mean, 3))
    assert (
        len({f"{v:.3g}" for v in carried.weights.cov.ravel()})
        <= carried.weights.cov.size
    )
    assert all(float(f"{v:.3g}") == v for v in carried.weights.cov.ravel())
    assert np.linalg.eigvalsh(carried.weights.cov).min() > -1e-3
    for points in (0, 2, 9):
        rec, truth = invented.record(7, invented.NINE[:points])
        ours, theirs = (
            np.median(errors_deg(calibkit.fit(rec, s), rec, truth))
            for s in (twenty, SharedMapping.load(file))
        )
        assert theirs < ours + 0.05


def test_the_same_people_in_another_order_give_the_same_digits() -> None:
    people = crowd(20)
    one = calibkit.learn_shared(people).portable()
    other = calibkit.learn_shared(people[::-1]).portable()
    np.testing.assert_allclose(one.weights.mean, other.weights.mean, atol=0.02)


def test_several_set_ups_are_flagged_at_few_points(twenty: SharedMapping) -> None:
    """Raw features: even where this set-up is one of them; not so degrees."""
    here, there = twenty.setups[0], [1920, 1080, 531, 299, 900]
    pooled = replace(twenty, setups=np.array([here, there], float))
    assert pooled.mixed
    assert not twenty.mixed
    assert not pooled.foreign(invented.SETUP)
    for points, flagged in ((0, True), (1, True), (2, False), (5, False)):
        rec, _ = invented.record(1, invented.NINE[:points])
        notes = calibkit.fit(rec, pooled).notes
        assert any("several set-ups" in note for note in notes) == flagged
        assert not any("set-up" in note for note in calibkit.fit(rec, twenty).notes)
    screen = calibkit.learn_shared(crowd(4, kind="screen"))
    assert not replace(screen, setups=pooled.setups).mixed


def test_a_foreign_one_is_refused_at_few_and_flagged_at_more(
    twenty: SharedMapping,
) -> None:
    pooled = replace(
        twenty, setups=np.array([[1920, 1080, 531, 299, d] for d in (500.0, 900.0)])
    )
    assert pooled.foreign(invented.SETUP)
    for points in (0, 1):
        rec, _ = invented.record(2, invented.NINE[:points])
        with pytest.raises(InputError, match="another set-up"):
            calibkit.fit(rec, pooled)
    rec, _ = invented.record(2, invented.NINE[:5])
    assert any("another set-up" in note for note in calibkit.fit(rec, pooled).notes)
