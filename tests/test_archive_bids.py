"""Recordings become a BIDS data set that the standard's own validator passes.

Outside: bids-validator-deno (offline), the schema in bidsschematools, and pandas, which
reads the tables back as any user would. Where the validator is blind, our own check is
not: each such fault is planted, the validator shown to pass it, and our check to tell.
"""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import calibkit
from calibkit import cli
from calibkit.archive import bids_check, bids_data, bids_names
from calibkit.archive.bids_names import Take
from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.kept.recording import Recording

pandas = pytest.importorskip("pandas", reason="reads the tables as users do")

ROOT = Path(__file__).parent.parent
RECORDINGS = ROOT / "recordings"
VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")
validated = pytest.mark.skipif(
    not VALIDATOR.exists(), reason="bids-validator-deno is not installed"
)


def run(*words: object) -> int:
    try:
        return cli.main(list(map(str, words)))
    except SystemExit as end:
        return int(str(end.code or 0))


def errors(folder: Path) -> list[str]:
    """Return what the standard's validator calls an error."""
    done = subprocess.run(
        [VALIDATOR, folder, "--format", "json", "--max-rows", "-1"],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    issues = json.loads(done.stdout)["issues"]["issues"]
    return [i["code"] for i in issues if i["severity"] == "error"]


def keep(path: Path, name: str, **changes: Any) -> Path:
    rec = Recording.load(RECORDINGS / f"{name}.h5")
    out = path / f"{len(list(path.glob('*.h5')))}.h5"
    replace(rec, **changes).save(out)
    return out


@pytest.fixture(scope="module")
def paths(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two sessions of one person, one of another in bed, one without calibration."""
    folder = tmp_path_factory.mktemp("recordings")
    rec = Recording.load(RECORDINGS / "steady.h5")
    checks = rec.targets[rec.targets["role"] == "validation"]
    long = np.tile(rec.samples, (2, 1))
    time = np.r_[rec.time, rec.time[-1] + 1 + np.arange(len(rec.time)) / 60]
    return [
        keep(folder, "steady", person="heron", session="b", created="2026-11-25"),
        keep(folder, "steady", person="heron", session="a", created="2026-11-24"),
        keep(folder, "webcam", person="ana--bed", events=((1.0, 'a\tb\n"c'),)),
        keep(
            folder,
            "steady",
            person="p-01",
            targets=checks,
            samples=long,
            time=time,
            time_raw=None,
        ),
    ]


@pytest.fixture(scope="module")
def made(paths: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("bids") / "set"
    assert run("export", "bids", *paths, "-o", target) == 0
    return target


@pytest.fixture
def copied(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "set")


def table(path: Path) -> Any:
    """Read a packed table as a user would: the names are in the JSON beside it."""
    about = json.loads(path.with_name(path.name[:-7] + ".json").read_text())
    options = {"sep": "\t", "names": about["Columns"], "keep_default_na": False}
    words = pandas.read_csv(path, dtype=str, **options)
    # Python itself parses the numbers: to the bit, in any pandas.
    for name in words:
        if name not in ("trial_type", "message"):
            words[name] = [float("nan" if v == "n/a" else v) for v in words[name]]
    return words


@validated
def test_the_standards_validator_finds_no_error(made: Path) -> None:
    assert errors(made) == []
    assert bids_check.check(made) == []


def test_what_lies_where(made: Path) -> None:
    files = {p.relative_to(made).as_posix() for p in made.rglob("*") if p.is_file()}
    heron = "sub-heron/ses-01/beh/sub-heron_ses-01_task-looking"
    assert {
        "README",
        "dataset_description.json",
        "participants.tsv",
        "participants.json",
        f"{heron}_events.tsv",
        f"{heron}_events.json",
        *(
            f"{heron}_recording-eye{k}_{what}"
            for k in (1, 2, 3)
            for what in (
                "physio.tsv.gz",
                "physio.json",
                "physioevents.tsv.gz",
                "physioevents.json",
            )
        ),
        f"sourcedata/{heron}_recording.h5",
    } <= files
    assert any(
        "sub-ana/ses-01/beh/sub-ana_ses-01_task-looking_acq-bed" in f for f in files
    )
    assert {p.name[:8] for p in made.glob("sub-*")} == {
        "sub-hero",
        "sub-ana",
        "sub-p01x",
    }
    people = pandas.read_csv(made / "participants.tsv", sep="\t")
    assert set(people["calibkit_person"]) == {"heron", "ana", "p-01"}


def test_gaze_comes_back_as_the_mapping_gave_it(made: Path, paths: list[Path]) -> None:
    """Outside: pandas reads the table; the mapping is fitted here anew."""
    rec = Recording.load(paths[1])
    stem = made / "sub-heron/ses-01/beh/sub-heron_ses-01_task-looking"
    gaze = calibkit.fit(rec).apply(rec.samples)
    read = table(Path(f"{stem}_recording-eye3_physio.tsv.gz"))
    np.testing.assert_array_equal(read["timestamp"], rec.time)
    for name, want in (
        ("x_coordinate", gaze.xy[:, 0]),
        ("y_coordinate", gaze.xy[:, 1]),
        ("x_sd", gaze.sd[:, 0]),
        ("y_sd", gaze.sd[:, 1]),
    ):
        np.testing.assert_allclose(read[name], want, atol=5.1e-5)
    left = table(Path(f"{stem}_recording-eye1_physio.tsv.gz"))
    raw = next(k for k, c in enumerate(rec.channels) if c.type == "PupilX")
    np.testing.assert_array_equal(
        left["raw_pupil_x"].astype(np.float32), rec.samples[:, raw].astype(np.float32)
    )
    alone = rec.samples.copy()
    right = [k for k, c in enumerate(rec.channels) if c.eye == "right"]
    alone[:, [k for k in right if rec.channels[k].type != "Diameter"]] = np.nan
    want = calibkit.fit(rec).apply(alone).xy
    np.testing.assert_allclose(left["x_coordinate"], want[:, 0], atol=5.1e-5)


def test_targets_come_back(made: Path, paths: list[Path]) -> None:
    rec = Recording.load(paths[1])
    stem = made / "sub-heron/ses-01/beh/sub-heron_ses-01_task-looking"
    events = pandas.read_csv(f"{stem}_events.tsv", sep="\t", na_values="n/a")
    events = events[events["trial_type"] != "note"]
    order = np.argsort(rec.targets["onset"], kind="stable")
    rows = rec.targets[order]
    np.testing.assert_allclose(events["onset"] + rec.time[0], rows["onset"], atol=1e-8)
    np.testing.assert_allclose(
        events["duration"], rows["offset"] - rows["onset"], atol=1e-8
    )
    np.testing.assert_allclose(events["target_x"], rows["x"], atol=5.1e-5)
    assert list(events["trial_type"]) == list(rows["role"])
    on_clock = table(Path(f"{stem}_recording-eye2_physioevents.tsv.gz"))
    on_clock = on_clock[on_clock["trial_type"] != "note"]
    np.testing.assert_allclose(on_clock["onset"], rows["onset"], atol=1e-8)


def test_the_sidecars_figures(made: Path, paths: list[Path]) -> None:
    rec = Recording.load(paths[1])
    stem = made / "sub-heron/ses-01/beh/sub-heron_ses-01_task-looking"
    about = json.loads(Path(f"{stem}_recording-eye3_physio.json").read_text())
    result = calibkit.assess(calibkit.fit(rec), rec)
    assert about["AverageCalibrationError"] == pytest.approx(
        result.accuracy_deg, abs=1e-4
    )
    worst = np.nanmax(result.targets["accuracy_deg"])
    assert about["MaximalCalibrationError"] == pytest.approx(worst, abs=1e-4)
    mine = rec.targets[rec.targets["role"] == "calibration"]
    places = np.array(about["CalibrationPosition"])
    assert len(places) == len(mine)
    assert {tuple(p) for p in places.round(1)} == {
        tuple(p) for p in np.column_stack([mine["x"], mine["y"]]).round(1)
    }
    assert about["SamplingFrequency"] == pytest.approx(60, rel=0.01)
    screen = json.loads(Path(f"{stem}_events.json").read_text())["StimulusPresentation"]
    assert screen["ScreenDistance"] == pytest.approx(rec.setup.distance_mm / 1000)
    assert screen["ScreenSize"] == pytest.approx(np.divide(rec.setup.screen_mm, 1000))
    assert screen["ScreenResolution"] == list(rec.setup.screen_px)


def test_stamps_without_a_rate_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """SamplingFrequency is a number above 0 (BIDS 1.11): told before writing."""
    rec = Recording.load(RECORDINGS / "steady.h5")
    wrong = replace(rec, time=np.append(rec.time[:-1], 1e300))
    wrong.save(tmp_path / "wrong.h5")
    assert run("export", "bids", tmp_path / "wrong.h5", "-o", tmp_path / "set") == 3
    assert "no sampling rate" in capsys.readouterr().err
    assert not (tmp_path / "set").exists()


def test_raw_data_without_calibration_targets(made: Path, paths: list[Path]) -> None:
    rec = Recording.load(paths[3])
    (path,) = made.glob("sub-p01x*/ses-01/beh/*eye1_physio.tsv.gz")
    about = json.loads(path.with_name(path.name[:-7] + ".json").read_text())
    assert about["SampleCoordinateSystem"] == "custom"
    assert about["CalibkitCoordinateSystem"]
    assert about["CalibrationCount"] == 0
    assert "AverageCalibrationError" not in about
    read = table(path)
    assert len(read) == len(rec.time) > 1000
    (k,) = [
        k for k, c in enumerate(rec.channels) if (c.eye, c.type) == ("left", "PupilX")
    ]
    seen = read["x_coordinate"].notna().to_numpy()
    assert seen.mean() > 0.5
    np.testing.assert_array_equal(
        read["x_coordinate"][seen].astype(np.float32),
        rec.samples[seen, k].astype(np.float32),
    )
    assert not list(made.glob("sub-p01x*/ses-01/beh/*eye3*"))


def test_every_field_is_one_of_the_standard(made: Path) -> None:
    """Outside: the schema in bidsschematools; ours are marked as ours."""
    load = pytest.importorskip("bidsschematools.schema").load_schema
    schema = load()
    objects = schema.objects.metadata
    rules = schema.rules.sidecars.continuous
    required = {
        key
        for rule in (rules.Continuous, rules.EyeTrack)
        for key, level in rule.fields.items()
        if level == "required"
    }
    columns = schema.rules.tabular_data.physio.PhysioEyeTracking
    first = [schema.objects.columns[c].name for c in columns.initial_columns]
    assert [*bids_check.FIRST] == first
    for path in made.rglob("sub-*/**/*.json"):
        about = json.loads(path.read_text())
        described = set(about.get("Columns", []))
        if path.name.endswith("_events.json"):
            head = path.with_suffix(".tsv").read_text().split("\n")[0]
            described = set(head.split("\t"))
        for key, value in about.items():
            if key in described or key.startswith("Calibkit"):
                continue
            assert key in objects, f"{path.name}: {key}"
            allowed = objects[key].get("enum")
            assert allowed is None or value in allowed, f"{path.name}: {key}"
        if path.name.endswith("_physio.json"):
            assert required <= set(about), path.name
    system = objects["SampleCoordinateSystem"]["enum"]
    assert list(bids_check.SYSTEMS) == list(system)
    assert list(bids_check.RECORDED) == list(objects["RecordedEye"]["enum"])
    assert list(bids_check.UNITS) == list(objects["CalibrationUnit"]["enum"])


def test_packed_tables_tell_neither_time_nor_name(made: Path) -> None:
    for path in made.rglob("*.tsv.gz"):
        head = path.read_bytes()[:10]
        assert head[:4] == b"\x1f\x8b\x08\x00"  # no name, no comment
        assert head[4:8] == bytes(4)


def test_the_same_recordings_give_the_same_bytes(
    made: Path, paths: list[Path], tmp_path: Path
) -> None:
    again = tmp_path / "again"
    assert run("export", "bids", paths[2], "-o", again) == 0
    for path in again.rglob("sub-ana/beh/*_physio.tsv.gz"):
        name = path.name.replace("sub-ana_", "sub-ana_ses-01_")
        first = made / "sub-ana/ses-01/beh" / name
        assert path.read_bytes() == first.read_bytes()


# What the validator does not see.


def edit(path: Path, change: Callable[[dict[str, Any]], object]) -> None:
    about = json.loads(path.read_text())
    change(about)
    path.write_text(json.dumps(about))


def rows(path: Path, change: Callable[[list[str]], object]) -> None:
    lines = gzip.decompress(path.read_bytes()).decode().splitlines()
    change(lines)
    path.write_bytes(gzip.compress(("\n".join(lines) + "\n").encode(), mtime=0))


STEM = "sub-heron/ses-01/beh/sub-heron_ses-01_task-looking"


def no_distance(folder: Path) -> None:
    path = folder / f"{STEM}_events.json"
    edit(path, lambda about: about["StimulusPresentation"].pop("ScreenDistance"))


def millimetres(folder: Path) -> None:
    path = folder / f"{STEM}_events.json"
    edit(path, lambda a: a["StimulusPresentation"].update(ScreenSize=[527, 296]))


def no_units(folder: Path) -> None:
    path = folder / f"{STEM}_recording-eye1_physio.json"
    edit(path, lambda about: about["x_coordinate"].pop("Units"))


def no_label(folder: Path) -> None:
    for what in ("physio", "physioevents"):
        for ending in (".json", ".tsv.gz"):
            path = folder / f"{STEM}_recording-eye1_{what}{ending}"
            path.rename(folder / f"{STEM}_{what}{ending}")


def late_row(folder: Path) -> None:
    def change(lines: list[str]) -> None:
        lines[1500] = lines[1500].replace("\t", "\tnan\t", 1)

    rows(folder / f"{STEM}_recording-eye1_physio.tsv.gz", change)


def backwards(folder: Path) -> None:
    rows(folder / f"{STEM}_recording-eye1_physio.tsv.gz", list.reverse)


def no_description(folder: Path) -> None:
    (path,) = folder.glob("sub-p01x*/ses-01/beh/*eye1_physio.json")
    edit(path, lambda about: about.pop("CalibkitCoordinateSystem"))


def worse_than_worst(folder: Path) -> None:
    path = folder / f"{STEM}_recording-eye1_physio.json"
    edit(path, lambda about: about.update(AverageCalibrationError=90.0))


Plant = Callable[[Path], None]
BLIND: dict[Plant, str] = {
    no_distance: "ScreenDistance",
    millimetres: "ScreenSize",
    no_units: "no Units",
    no_label: "recording-eye1",
    backwards: "back in time",
    no_description: "not described",
    worse_than_worst: "larger than the maximal",
}
PLANTED: dict[Plant, str] = {**BLIND, late_row: "row 1501"}


@pytest.mark.parametrize("plant", PLANTED, ids=lambda p: p.__name__)
def test_planted_faults_are_told(plant: Callable[[Path], None], copied: Path) -> None:
    plant(copied)
    found = [str(fault) for fault in bids_check.check(copied)]
    assert any(PLANTED[plant] in text for text in found), found


@validated
def test_the_validator_passes_these_faults(copied: Path) -> None:
    """All at once: were one seen, our check of it would be for nothing."""
    for plant in BLIND:
        if plant is not no_label:
            plant(copied)
    no_label(copied)
    assert errors(copied) == []


def orphan(folder: Path) -> None:
    for ending in (".json", ".tsv.gz"):
        (folder / f"{STEM}_recording-eye1_physio{ending}").unlink()


def stranger(folder: Path) -> None:
    path = folder / "participants.tsv"
    path.write_text(path.read_text().replace("sub-heron", "sub-crane"))


def dated(folder: Path) -> None:
    path = folder / f"{STEM}_recording-eye1_physio.tsv.gz"
    path.write_bytes(gzip.compress(gzip.decompress(path.read_bytes()), mtime=1))


def not_json(folder: Path) -> None:
    path = folder / f"{STEM}_recording-eye1_physio.json"
    path.write_text(path.read_text().replace('"StartTime": 0', '"StartTime": NaN'))


def other_clock(folder: Path) -> None:
    path = folder / f"{STEM}_recording-eye1_physioevents.json"
    edit(path, lambda about: about.update(OnsetSource="n/a"))


def torn(folder: Path) -> None:
    path = folder / f"{STEM}_recording-eye1_physio.tsv.gz"
    path.write_bytes(path.read_bytes()[:-500])


@pytest.mark.parametrize(
    ("plant", "word"),
    [
        (orphan, "belongs to no samples"),
        (stranger, "other persons"),
        (dated, "tells when"),
        (not_json, "cannot be read"),
        (other_clock, "OnsetSource"),
        (torn, "cannot be read"),
    ],
    ids=lambda p: getattr(p, "__name__", ""),
)
def test_other_faults_are_told(
    plant: Callable[[Path], None], word: str, copied: Path
) -> None:
    plant(copied)
    assert any(word in str(fault) for fault in bids_check.check(copied))


# Recordings that are unlike ours.


def odd(folder: Path) -> list[Path]:
    """Make recordings as other programs might."""
    rec = Recording.load(RECORDINGS / "steady.h5")
    none = rec.targets[:0]
    share = calibkit.fit(rec).apply(rec.samples).xy / rec.setup.screen_px
    pair = [
        Channel(label=a, eye="", type=f"Screen{a}", unit="normalized") for a in "XY"
    ]
    kinds = ("DirectionX", "DirectionY", "DirectionZ", "PupilX_2", "PupilX", "PupilX")
    one_eye = [Channel(label="a", eye="left", type=k, unit="") for k in kinds]
    moving = rec.targets.copy()
    moving["x"][:2] = moving["y"][:2] = np.nan
    moving["onset"][5], moving["x"][7] = np.nan, np.inf
    way = np.column_stack(
        [np.arange(0.5, 3.5, 0.02), *[np.linspace(100, 900, 150)] * 2]
    )
    small: dict[str, Any] = {
        "screen_px": (320, 200),
        "screen_mm": (10.0, 10.0),
        "distance_mm": 10.0,
    }
    changes: dict[str, dict[str, Any]] = {
        "eye": {"setup": replace(rec.setup, eye_mm=(10.0, -30.0, 620.0))},
        "bare": {"targets": none},
        "one": {"targets": none, "time": rec.time[:1], "samples": rec.samples[:1]},
        "Ängström 7": {"events": ((1.0, "\x00\x1b[31m=1"), (float("nan"), "x"))},
        "cyclops": {"channels": pair, "samples": share.astype(np.float32)},
        "direction": {
            "channels": one_eye,
            "targets": none,
            "samples": np.column_stack(
                [share, np.ones(len(share)), share, share[:, 0]]
            ),
        },
        "glide": {"targets": moving, "target_path": way},
        "small": {"setup": Setup(**small)},
    }
    paths: list[Path] = []
    for name, change in changes.items():
        fields = {"person": name, "time_raw": None, "nominal_rate": 60.0, **change}
        paths.append(folder / f"{len(paths)}.h5")
        replace(rec, **fields).save(paths[-1])
    return paths


@pytest.fixture(scope="module")
def strange(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("strange")
    assert run("export", "bids", *odd(folder), "-o", folder / "set") == 0
    return folder / "set"


@validated
def test_the_validator_passes_recordings_unlike_ours(strange: Path) -> None:
    assert errors(strange) == []


def test_recordings_unlike_ours(strange: Path) -> None:
    """Our own check ran when they were written; here is what it cannot know."""

    def about(pattern: str) -> Any:
        (path,) = strange.glob(pattern)
        return json.loads(path.read_text(encoding="utf-8"))

    screen = about("sub-eye/beh/*_events.json")["StimulusPresentation"]
    assert screen["ScreenDistance"] == [0.01, -0.03, 0.62]
    assert about("sub-cyclops/beh/*_physio.json")["RecordedEye"] == "cyclopean"
    glide = about("sub-glide/beh/*eye3_physio.json")
    assert "gliding" in glide["CalibrationType"]
    columns = about("sub-direction/beh/*_physio.json")["Columns"]
    assert columns[-3:] == ["raw_pupil_x_2", "raw_pupil_x", "raw_pupil_x_3"]
    assert not list(strange.glob("sub-bare/beh/*physioevents*"))
    rows = next(strange.glob("sub-*7x*/beh/*_events.tsv")).read_text("utf-8")
    assert "\x1b" not in rows


def test_samples_without_any_rate_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rec = Recording.load(RECORDINGS / "steady.h5")
    same_time: dict[str, Any] = {
        "time": np.ones(3),
        "samples": rec.samples[:3],
        "nominal_rate": 0.0,
    }
    path = tmp_path / "a.h5"
    replace(rec, time_raw=None, **same_time).save(path)
    assert run("export", "bids", path, "-o", tmp_path / "set") == 3
    assert "no rate is known" in capsys.readouterr().err


# Names.


def take(person: str, session: str = "", created: str = "", attempt: int = 1) -> Take:
    return Take(
        person=person, session=session, created=created, attempt=attempt, start_s=0.0
    )


def test_no_two_persons_share_a_label() -> None:
    codes = ["a-b", "ab", "a--b", "A-B", "AB", "", "unknown", "-", "--", "é", "x" * 64]
    labels = [bids_names.label(code) for code in codes]
    assert len({text.lower() for text in labels}) == len(codes)
    assert all(text.isascii() and text.isalnum() for text in labels)
    assert bids_names.label("heron7") == "heron7"


def test_sessions_and_runs() -> None:
    takes = [
        take("a", "s2", "2026-11-25"),
        take("a", "s1", "2026-11-24", attempt=2),
        take("a", "s1", "2026-11-24", attempt=1),
        take("a--bed", "s3", "2026-11-26"),
        take("b"),
    ]
    found = bids_names.names(takes, "look")
    assert [n.file("x") for n in found] == [
        "sub-a_ses-02_task-look_x",
        "sub-a_ses-01_task-look_run-2_x",
        "sub-a_ses-01_task-look_run-1_x",
        "sub-a_ses-03_task-look_acq-bed_x",
        "sub-b_ses-01_task-look_x",
    ]
    (one,) = bids_names.names([take("b")], "look")
    assert str(one.folder) == "sub-b/beh"


def test_one_session_needs_no_folder_and_two_nameless_are_not_one() -> None:
    found = bids_names.names([take("a"), take("a")], "look")
    assert [n.session for n in found] == ["01", "02"]


# What the command refuses.


def test_what_is_there_is_not_lost(
    paths: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "set"
    target.mkdir()
    assert run("export", "bids", paths[2], "-o", target) == 0  # an empty folder is fine
    assert run("export", "bids", paths[2], "-o", target) == 2
    (target / "sub-zz").mkdir()
    assert run("export", "bids", paths[2], "-o", target, "--force", "--json") == 0
    assert not (target / "sub-zz").exists()
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("years")
    capsys.readouterr()
    assert run("export", "bids", paths[2], "-o", mine, "--force") == 2
    assert "no folder that calibkit exported" in capsys.readouterr().err
    assert (mine / "thesis.txt").read_text() == "years"


def test_one_bad_file_costs_nothing_that_is_there(
    paths: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.h5"
    bad.write_bytes(paths[0].read_bytes()[:5000])
    empty = tmp_path / "empty.h5"
    rec = Recording.load(paths[0])
    replace(rec, time=rec.time[:0], samples=rec.samples[:0], time_raw=None).save(empty)
    for path in (bad, empty, tmp_path / "none.h5"):
        target = tmp_path / "set"
        assert run("export", "bids", paths[2], path, "-o", target) == 3
        assert str(path) in capsys.readouterr().err.splitlines()[-1]
        assert not list(tmp_path.glob("set*"))


def test_a_mapping_for_all_or_another_screens(
    paths: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rec = Recording.load(paths[0])
    calibkit.fit(rec).save(tmp_path / "m.h5")
    words = ("export", "bids", "--mapping", tmp_path / "m.h5", "-o", tmp_path / "set")
    assert run(*words, paths[3]) == 0
    (path,) = (tmp_path / "set").rglob("*eye3_physio.tsv.gz")
    time = Recording.load(paths[3])
    want = calibkit.Mapping.load(tmp_path / "m.h5").apply(time.samples).xy
    np.testing.assert_allclose(table(path)["x_coordinate"], want[:, 0], atol=5.1e-5)
    assert run(*words, "--force", paths[2]) == 3
    assert str(paths[2]) in capsys.readouterr().err.splitlines()[-1]


def test_others_know_how_where_nothing_was_calibrated(
    paths: list[Path], tmp_path: Path
) -> None:
    """A starter made from many calibrates a recording that has no targets for it."""
    target = tmp_path / "set"
    words = ("--pages", "-o", target, "--shared")
    assert run("export", "bids", paths[3], *words, "starter-pupil-reflex") == 3
    rec = Recording.load(RECORDINGS / "one-eye.h5")
    checks = rec.targets[rec.targets["role"] == "validation"]
    path = keep(tmp_path, "one-eye", targets=checks)
    assert run("export", "bids", path, *words, "starter-screen") == 0
    (path,) = target.glob("sub-*/beh/*eye3_physio.tsv.gz")
    about = json.loads(path.with_name(path.name[:-7] + ".json").read_text())
    assert about["SampleCoordinateSystem"] == "gaze-on-screen"
    assert about["CalibrationCount"] == 0
    assert "CalibrationPosition" not in about
    assert about["CalibkitMapping"]["PeopleInPrior"] > 0
    assert about["AverageCalibrationError"] > 0
    (page,) = target.glob("derivatives/calibkit/sub-*/beh/*_report.html")
    assert page.read_text(encoding="utf-8").count("<svg") >= 2
    if VALIDATOR.exists():
        assert errors(target) == []


def test_strange_channels_get_names_of_their_own() -> None:
    kinds = ["PupilX", "PupilX", "HeadYaw", "", "Größe 1", "PupilX"]
    channels = [Channel(label="", eye="left", type=k, unit="") for k in kinds]
    found = bids_data._raw_names(channels)
    assert found == [
        "raw_pupil_x",
        "raw_pupil_x_2",
        "raw_head_yaw",
        "raw_channel",
        "raw_gr_e_1",
        "raw_pupil_x_3",
    ]
