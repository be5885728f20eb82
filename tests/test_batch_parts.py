"""The parts of a batch: progress that outlives a crash, lists, tables, leaving one out.

Outside sources: CRC-32 is zlib's; CSV as RFC 4180 says, read by pandas; Parquet read by
pyarrow; leave-one-out against fitting and judging by hand.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import json
import zlib
from pathlib import Path
from typing import Any

import batching
import numpy as np
import pytest

import calibkit
from calibkit.batch import listing, strips
from calibkit.batch.columns import RECORDINGS, TARGETS, WHERE, Column
from calibkit.batch.crew import Crew
from calibkit.batch.driver import Step, batch
from calibkit.batch.leaving import leave_one_out
from calibkit.batch.meter import Meter, duration
from calibkit.batch.progress import Progress
from calibkit.batch.settings import Settings
from calibkit.batch.summary import Group
from calibkit.batch.table import Table
from calibkit.errors import CallError, InputError, StorageError
from calibkit.kept import disk

Result = dict[str, Any]


def result(name: str, **more: Any) -> Result:
    return {"sha256": name, "keep": True, "rows": [{"file": name}], **more}


def test_progress_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "t.csv.progress"
    with Progress(path, "plain") as progress:
        progress.add(result("a", text="größer\n"))
        progress.add(result("b", keep=False))
        assert progress.result("b")["rows"] == [{"file": "b"}]
    with Progress(path, "plain") as progress:
        assert "a" in progress
        assert "b" not in progress  # tried again
        assert progress.result("a")["text"] == "größer\n"
    with Progress(path, "other settings") as progress:
        assert len(progress) == 0


def test_lines_are_checked_by_crc_32(tmp_path: Path) -> None:
    path = tmp_path / "p"
    with Progress(path, "plain") as progress:
        progress.add(result("a"))
    for line in path.read_bytes().splitlines():
        crc, _, body = line.partition(b" ")
        assert int(crc, 16) == zlib.crc32(body)
        json.loads(body)


def test_a_line_cut_off_anywhere_costs_itself_alone(tmp_path: Path) -> None:
    path = tmp_path / "p"
    with Progress(path, "plain") as progress:
        progress.add(result("a"))
        before = path.stat().st_size
        progress.add(result("b"))
    whole = path.read_bytes()
    for size in range(before, len(whole)):
        path.write_bytes(whole[:size])
        with Progress(path, "plain") as progress:
            # The line end alone carries nothing.
            assert [n for n in "ab" if n in progress] == ["a", "b"][
                : 1 + (size == len(whole) - 1)
            ]
            progress.add(result("c"))
            assert progress.result("a")["sha256"] == "a"
        with Progress(path, "plain") as progress:
            assert "c" in progress


def test_a_flipped_bit_costs_one_line(tmp_path: Path) -> None:
    path = tmp_path / "p"
    with Progress(path, "plain") as progress:
        for name in "abc":
            progress.add(result(name))
        start = progress._places["b"].start
    data = bytearray(path.read_bytes())
    data[start + 30] ^= 1
    path.write_bytes(data)
    with Progress(path, "plain") as progress:
        assert [name for name in "abc" if name in progress] == ["a", "c"]


def test_progress_is_held_by_one_and_never_taken_from_others(tmp_path: Path) -> None:
    path = tmp_path / "p"
    import os

    with (
        Progress(path, "plain"),
        pytest.raises(CallError, match=f"process {os.getpid()} "),
    ):
        Progress(path, "plain")
    path.write_text("my notes\n")
    with pytest.raises(CallError, match="another file"):
        Progress(path, "plain")
    assert path.read_text() == "my notes\n"
    body = b'{"format":"calibkit-batch","version":2}'
    path.write_bytes(b"%08x %s\n" % (zlib.crc32(body), body))
    with pytest.raises(InputError, match="newer calibkit"):
        Progress(path, "plain")
    with pytest.raises(StorageError):
        Progress(tmp_path / "no" / "p", "plain")


def test_a_full_disk_stops_it_and_keeps_what_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: POSIX write(2): a full disk takes a part, then says ENOSPC."""
    (tmp_path / "in").mkdir()
    for seed in range(4):
        batching.small(seed, eyes=("left",)).save(tmp_path / "in" / f"{seed}.h5")
    plan = batching.plan(tmp_path / "in", tmp_path / "t.csv")
    real, left = disk.write_all, [4_000]

    def full(handle: int, data: bytes) -> None:
        room = min(len(data), left[0])
        real(handle, data[:room])
        left[0] -= room
        if room < len(data):
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(disk, "write_all", full)
    with pytest.raises(StorageError, match="No space left"):
        batch(plan, Crew(1))
    assert not plan.table.exists()
    monkeypatch.undo()
    with Progress(plan.progress, plan.settings.name()) as progress:
        done = len(progress)
    assert 0 < done < 4
    assert batch(plan, Crew(1)).worked == 4 - done
    assert plan.table.exists()


def test_settings_name_what_a_result_depends_on() -> None:
    plain = Settings()
    assert plain.name() == Settings().name()
    assert Settings.of(json.loads(json.dumps(plain.plain()))) == plain
    others = [
        Settings(eyes="left"),
        Settings(extra=("a",)),
        Settings(min_confidence=0.5),
        Settings(reliability=0.9),
        Settings(shared="starter-screen"),
        Settings(shared="/a/s.h5", shared_sha256="1"),
        Settings(shared="/a/s.h5", shared_sha256="2"),
    ]
    assert len({s.name() for s in [plain, *others]}) == len(others) + 1
    moved = Settings(shared="/b/s.h5", shared_sha256="1")
    assert moved.name() == others[-2].name()


def test_listing_is_in_order_and_lazy(tmp_path: Path) -> None:
    for name in ("b/2.h5", "a.h5", "b/1.HDF5", "b/c/x.h5", ".hidden/y.h5", "z.txt"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    (tmp_path / "b" / "up").symlink_to(tmp_path, target_is_directory=True)
    names = [file.name for file in listing.listed([tmp_path])]
    assert names == ["a.h5", "b/1.HDF5", "b/2.h5", "b/c/x.h5"]
    assert next(iter(listing.listed([tmp_path]))).name == "a.h5"
    two = [file.name for file in listing.listed([tmp_path / "b", tmp_path / "a.h5"])]
    assert two[-1].endswith("a.h5")
    assert two[0] == f"{(tmp_path / 'b').as_posix()}/1.HDF5"
    with pytest.raises(CallError, match="does not exist"):
        list(listing.listed([tmp_path / "none"]))


COLUMNS = (
    Column(name="a", kind="text", meaning="a text"),
    Column(name="b", kind="number", meaning=""),
    Column(name="c", kind="whole", meaning=""),
)
ROWS: list[dict[str, Any]] = [
    {"a": 'x, "y"\nz', "b": 0.1 + 0.2, "c": 3, "d": "no column"},
    {"a": "größer", "b": None},
    {"a": "\udcff", "b": 1e-300, "c": -1},
]


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_tables_are_read_by_others(ending: str, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    if ending == ".parquet":
        pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    path = tmp_path / f"t{ending}"
    with Table(path, COLUMNS, overwrite=False) as table:
        for row in ROWS:
            table.add(row)
    read = pandas.read_csv if ending == ".csv" else pandas.read_parquet
    found = read(path)
    assert list(found.columns) == ["a", "b", "c"]
    assert found["a"].tolist() == ['x, "y"\nz', "größer", "?"]
    assert found["b"].tolist() == pytest.approx(
        [0.30000000000000004, np.nan, 1e-300], rel=0, nan_ok=True
    )
    assert found["c"].tolist() == pytest.approx([3, np.nan, -1], nan_ok=True)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_csv_is_that_of_the_standard_library(tmp_path: Path) -> None:
    with Table(tmp_path / "t.csv", COLUMNS, overwrite=False) as table:
        for row in ROWS[:2]:
            table.add(row)
    text = (tmp_path / "t.csv").read_bytes().decode()
    assert text == 'a,b,c\n"x, ""y""\nz",0.30000000000000004,3\ngrößer,,\n'
    assert list(csv.reader(io.StringIO(text)))[1][0] == ROWS[0]["a"]


def test_parquet_says_what_its_columns_mean(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed")
    with Table(tmp_path / "t.parquet", RECORDINGS, overwrite=False) as table:
        table.add({"file": "a"})
    schema = parquet.read_schema(tmp_path / "t.parquet")
    assert schema.names == [column.name for column in RECORDINGS]
    assert str(schema.field("accuracy_deg").type) == "double"
    assert b"offset of mean gaze" in schema.field("accuracy_deg").metadata[b"meaning"]


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_a_table_is_there_whole_or_not_at_all(ending: str, tmp_path: Path) -> None:
    if ending == ".parquet":
        pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    path = tmp_path / f"t{ending}"
    path.write_text("before")
    stopped = contextlib.suppress(KeyboardInterrupt)
    with stopped, Table(path, COLUMNS, overwrite=True) as table:
        table.add(ROWS[0])
        raise KeyboardInterrupt
    assert path.read_text() == "before"
    with (
        pytest.raises(CallError, match="exists"),
        Table(path, COLUMNS, overwrite=False),
    ):
        pass
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    with pytest.raises(StorageError):
        Table(tmp_path / "no" / path.name, COLUMNS, overwrite=False)


def test_column_names_are_unique_and_carry_units() -> None:
    for columns in (RECORDINGS, TARGETS):
        names = [column.name for column in columns]
        assert len(set(names)) == len(names)
        assert names[: len(WHERE)] == ["file", "sha256", "duplicate_of"]
    units = ("_deg", "_px", "_mm", "_s", "_hz")
    bare = {
        c.name for c in RECORDINGS if c.kind == "number" and not c.name.endswith(units)
    }
    assert bare == {"loss", "loss_low", "loss_high", "reliability", "key_probability"}


def test_leaving_one_out_is_what_one_would_do_by_hand() -> None:
    """Plain recomputation: fit without each target, judge on that one alone."""
    rec = batching.small(5, checks=[], seconds=1.0)
    whole = calibkit.fit(rec)
    result = calibkit.assess(
        leave_one_out(rec, whole, calibkit.fit), rec, "calibration"
    )
    for k, row in enumerate(result.targets):
        others = [j for j in range(len(rec.targets)) if j != k]
        mapping = calibkit.fit(rec.with_targets(others))
        alone = calibkit.assess(mapping, rec.with_targets([k]), "calibration")
        assert row["accuracy_deg"] == pytest.approx(alone.accuracy_deg, rel=1e-9)
        assert row["loss"] == pytest.approx(alone.loss)
    seen = calibkit.assess(whole, rec, "calibration")
    assert result.accuracy_deg > seen.accuracy_deg  # a mapping flatters its own targets


def test_a_place_shown_twice_is_left_out_twice() -> None:
    rec = batching.small(6, checks=[])
    targets = rec.targets.copy()
    targets["x"][3], targets["y"][3] = targets["x"][0], targets["y"][0]
    from dataclasses import replace

    rec = replace(rec, targets=targets)
    asked: list[int] = []

    def fit(part: calibkit.Recording) -> calibkit.Mapping:
        asked.append(len(part.targets))
        return calibkit.fit(part)

    leave_one_out(rec, calibkit.fit(rec), fit)
    assert asked == [2, 3, 3]


def test_without_check_targets_the_row_says_how(tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    (tmp_path / "in").mkdir()
    rec = batching.small(5, checks=[], seconds=1.0)
    rec.save(tmp_path / "in" / "a.h5")
    raw = batching.small(5, checks=[], kind="pupil-reflex")
    raw.with_targets([0, 1, 2]).save(tmp_path / "in" / "raw.h5")
    summary = batch(batching.plan(tmp_path / "in", tmp_path / "t.csv"), Crew(1))
    rows = pandas.read_csv(tmp_path / "t.csv").drop_duplicates("file").set_index("file")
    assert rows.loc["a.h5", "method"] == "leave-one-target-out"
    assert rows.loc["a.h5", "role"] == "calibration"
    assert rows.loc["raw.h5", "status"] == "fitted"
    assert "no validation targets" in rows.loc["raw.h5", "message"]
    assert summary.methods == {"leave-one-target-out": 1}


def test_the_meter_tells_the_rest() -> None:
    quiet, live = Meter(live=False), Meter(live=True)
    said = [quiet.line(Step(done=k, total=100, worked=k), float(k)) for k in range(31)]
    assert [k for k, line in enumerate(said) if line] == [10, 20, 30]
    assert said[10] == "10 of 100 recordings, about 2 min left"
    assert live.line(Step(done=0, total=9, worked=0), 0.0) is None
    assert live.line(Step(done=0, total=9, worked=0), 1.0) == "0 of 9 recordings"
    none = Step(done=5, total=9, worked=5, hands=0)
    assert live.line(none, 2.0) == "5 of 9 recordings; waiting for a worker"
    # What was done before this run says nothing about the speed.
    resumed = Meter(live=True)
    resumed.line(Step(done=90, total=100, worked=0), 0.0)
    line = resumed.line(Step(done=95, total=100, worked=5), 5.0)
    assert line == "95 of 100 recordings, about 5 s left"
    assert [duration(s) for s in (5, 89, 600, 7200)] == [
        "5 s",
        "89 s",
        "10 min",
        "2.0 h",
    ]


def test_strips_place_dots_by_the_logarithm() -> None:
    import re

    group = Group(name="a<b", count=3, median_deg=1.0, accuracies_deg=(0.1, 1.0, 10.0))
    svg = strips.picture([group], "x")
    dots = [float(x) for x in re.findall(r'<circle cx="([0-9.]+)"', svg)]
    assert dots[1] - dots[0] == pytest.approx(dots[2] - dots[1], abs=0.2)
    assert "a&lt;b (3)" in svg
    many = Group(
        name="n",
        count=9999,
        median_deg=1.0,
        accuracies_deg=tuple(np.linspace(0.5, 2, 9999)),
    )
    assert strips.picture([many], "x").count("<circle") == strips.MOST_DOTS
    none = Group(
        name="n", count=1, median_deg=float("inf"), accuracies_deg=(float("inf"),)
    )
    assert strips.picture([none], "x") == ""
