"""calibkit fit, share and apply: files in, files out, statuses as the contract says."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import invented
import numpy as np
import pytest

import calibkit
from calibkit.cli import main
from calibkit.commands import assess


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recordings of four people, and a part of a fifth's."""
    where = tmp_path_factory.mktemp("recordings")
    for k in range(4):
        invented.record(k, invented.NINE, kind="screen")[0].save(where / f"p{k}.h5")
    rec, _ = invented.record(9, invented.NINE, kind="screen")
    rec.with_targets([4, 0]).save(where / "new.h5")
    return where


def test_share_then_fit_then_apply(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    people = [str(folder / f"p{k}.h5") for k in range(4)]
    shared, mapping = tmp_path / "s.h5", tmp_path / "m.h5"
    assert main(["share", *people, "-o", str(shared), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["people"] == 4
    assert told["may_be_exported"] is False
    new = str(folder / "new.h5")
    assert (
        main(["fit", new, "--shared", str(shared), "-o", str(mapping), "--json"]) == 0
    )
    told = json.loads(capsys.readouterr().out)
    assert [t["role"] for t in told["targets"]] == ["calibration"] * 2
    assert told["id"] == calibkit.Mapping.load(mapping).id
    assert len(calibkit.Mapping.load(mapping).recordings[0]) == 64
    rec, table = calibkit.Recording.load(new), tmp_path / "gaze.csv"
    samples = np.array(rec.samples, float)
    samples[3] = np.nan
    rec, lost = replace(rec, samples=samples), tmp_path / "lost.h5"
    rec.save(lost)
    assert main(["apply", str(mapping), str(lost), "-o", str(table)]) == 0
    # Source: contract, "missing gaze": NaN in files; float() reads every cell.
    with table.open(encoding="utf-8", newline="") as file:
        cells = list(csv.DictReader(file))
    rows = {name: np.array([float(row[name]) for row in cells]) for name in cells[0]}
    assert list(rows) == ["time", "x", "y", "sd_x", "sd_y"]
    gaze = calibkit.Mapping.load(mapping).apply(rec.samples)
    assert np.isnan(rows["x"][3])
    assert rows["time"] == pytest.approx(rec.time, abs=1e-8)
    assert rows["x"] == pytest.approx(gaze.xy[:, 0], abs=1e-6, nan_ok=True)
    assert rows["sd_y"] == pytest.approx(gaze.sd[:, 1], abs=1e-6, nan_ok=True)


def test_a_recording_that_is_named_twice_counts_once(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same looks twice are no more looks. Source: common practice."""
    once, twice = tmp_path / "once.h5", tmp_path / "twice.h5"
    rec, copy = str(folder / "p0.h5"), tmp_path / "copy.h5"
    copy.write_bytes(Path(rec).read_bytes())
    assert main(["fit", rec, "-o", str(once)]) == 0
    assert "counts once" not in capsys.readouterr().err
    assert main(["fit", rec, str(copy), "-o", str(twice)]) == 0
    assert f"{copy} is the same as {rec} and counts once" in capsys.readouterr().err
    one, two = calibkit.Mapping.load(once), calibkit.Mapping.load(twice)
    assert len(two.recordings) == 1
    samples = calibkit.Recording.load(rec).samples
    assert np.array_equal(one.apply(samples).sd, two.apply(samples).sd, equal_nan=True)
    people = [str(folder / f"p{k}.h5") for k in range(3)]
    learned = []
    for name, more in (("a", []), ("b", people[:1])):
        call = ["share", *people, *more, "-o", str(tmp_path / f"{name}.h5"), "--json"]
        assert main(call) == 0
        learned.append(calibkit.SharedMapping.load(tmp_path / f"{name}.h5"))
    assert np.array_equal(learned[0].weights.cov, learned[1].weights.cov)


def test_a_starter_by_name(folder: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "m.h5")
    new = str(folder / "new.h5")
    assert main(["fit", new, "--shared", "starter-screen", "-o", out]) == 0
    assert calibkit.Mapping.load(out).people > 20


def test_refusals(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, new = str(tmp_path / "m.h5"), str(folder / "new.h5")
    assert main(["fit", str(tmp_path / "none.h5"), "-o", out]) == 3
    assert main(["share", new, "-o", out]) == 3
    assert main(["fit", new, "-o", out]) == 0
    assert main(["fit", new, "-o", out]) == 2
    assert main(["fit", new, "-o", out, "--force"]) == 0
    assert main(["apply", out, new, "-o", str(tmp_path / "g.txt")]) == 2
    other, _ = invented.record(1, [], kind="direction")
    other.save(tmp_path / "other.h5")
    table = str(tmp_path / "g.csv")
    assert main(["apply", out, str(tmp_path / "other.h5"), "-o", table]) == 3
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert "--force" in said


def test_recordings_of_two_persons_make_no_mapping(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Source: reliability, never list: never switch person silently.
    out = tmp_path / "m.h5"
    people = [str(folder / "p0.h5"), str(folder / "p1.h5")]
    assert main(["fit", *people, "-o", str(out)]) == 2
    assert not out.exists()
    assert "calibkit share" in capsys.readouterr().err


def test_what_was_applied_is_told_to_programs(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Source: contract, "Command line": commands that read have --json.
    out, rec = str(tmp_path / "m.h5"), str(folder / "p0.h5")
    assert main(["fit", rec, "-o", out, "--json"]) == 0
    capsys.readouterr()
    table = str(tmp_path / "g.csv")
    assert main(["apply", out, rec, "-o", table, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["samples"] == len(calibkit.Recording.load(rec).time)
    assert 0.5 < told["with_gaze"] <= 1


def test_compare_without_a_name_sets_every_kind_beside(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Source: contract, "Command line": `--compare` sets other mappings beside it.
    out, rec = str(tmp_path / "m.h5"), str(folder / "p0.h5")
    assert main(["fit", rec, "-o", out]) == 0
    capsys.readouterr()
    words = ["--role", "calibration", "--json", "--compare"]
    assert main(["assess", out, rec, *words]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {"offset", "affine", "hierarchical"} <= {o["name"] for o in told["compare"]}
    assert main(["assess", out, rec, *words[:-1]]) == 0
    assert json.loads(capsys.readouterr().out)["compare"] == []


def test_how_much_farther_is_told_with_an_interval_of_the_same_sign() -> None:
    farther = {"closer_deg": -0.2, "closer_low_deg": -0.3, "closer_high_deg": -0.1}
    assert assess._verdict(farther) == "farther by 0.20° (+0.10 to +0.30)"
    closer = {"closer_deg": 0.2, "closer_low_deg": 0.1, "closer_high_deg": 0.3}
    assert assess._verdict(closer) == "closer by 0.20° (+0.10 to +0.30)"


def test_compare_shows_what_can_be_fitted_and_says_what_cannot(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four looks are too few for a quadratic (six unknowns an axis: algebra)."""
    rec, out = str(tmp_path / "r.h5"), str(tmp_path / "m.h5")
    four = [(0.1, 0.1), (0.9, 0.1), (0.1, 0.9), (0.9, 0.9)]
    invented.record(3, four, checks=invented.CHECKS)[0].save(rec)
    assert main(["fit", rec, "-o", out]) == 0
    capsys.readouterr()
    named = ["--compare", "affine", "--compare", "quadratic"]
    assert main(["assess", out, rec, *named]) == 0
    told, said = capsys.readouterr()
    assert "\naffine " in told
    assert "\nquadratic " not in told
    assert "quadratic is left out: 4 usable target(s)" in said
    # All kinds: the shift of raw features needs other people's mapping.
    assert main(["assess", out, rec, "--json", "--compare"]) == 0
    found = json.loads(capsys.readouterr().out)
    names = {other["name"] for other in found["compare"]}
    assert {"affine", "hierarchical"} <= names
    assert set(found["left_out"]) == {"offset", "quadratic", "quadratic-robust"} - names
    assert "shared" in found["left_out"]["offset"]
