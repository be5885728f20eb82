"""A batch meets what lies in real folders: one bad file never stops the rest.

Outside sources: the bad inputs are a catalogue of our own; pandas reads the tables.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import batching
import pytest

import calibkit
from calibkit.batch.crew import Crew
from calibkit.batch.driver import batch
from calibkit.cli import main
from calibkit.kept import store

pandas = pytest.importorskip("pandas", reason="pandas is not installed")
WORDS = {
    "empty.h5": (3, "is empty"),
    "nothing/text.h5": (3, "damaged|not"),
    "torn.h5": (3, "damaged|refused|stopped|not"),
    "nowhere.h5": (3, "does not exist"),
    "circle.h5": (3, "cannot be read"),
    "no-screen.h5": (3, "screen_mm is missing"),
    "raw-no-targets.h5": (3, "raw"),
    "untouched.h5": (3, "has no target to judge on"),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good recordings among everything else."""
    where = tmp_path_factory.mktemp("lab")
    (where / "nothing").mkdir()
    (where / "Übung 1").mkdir()
    batching.small(1).save(where / "good.h5")
    batching.small(2).save(where / "Übung 1" / "日本.h5")
    shutil.copy(where / "good.h5", where / "Übung 1" / "copy.h5")
    (where / "empty.h5").touch()
    (where / "nothing" / "text.h5").write_text("no recording")
    whole = (where / "good.h5").read_bytes()
    (where / "torn.h5").write_bytes(whole[: len(whole) // 2])
    (where / "nowhere.h5").symlink_to(where / "gone.h5")
    (where / "circle.h5").symlink_to(where / "circle.h5")
    (where / "again").symlink_to(where, target_is_directory=True)
    tree = store.read(
        where / "good.h5",
        format="calibkit-recording",
        max_version=1,
        limit_bytes=1 << 30,
    )
    setup = {k: v for k, v in tree.attrs["/setup"].items() if k != "screen_mm"}
    less = store.Tree(attrs={**tree.attrs, "/setup": setup}, data=tree.data)
    store.write(where / "no-screen.h5", less, format="calibkit-recording", version=1)
    raw = batching.small(3, kind="pupil-reflex")
    raw.with_targets(raw.targets["role"] == "validation").save(
        where / "raw-no-targets.h5"
    )
    batching.small(4).with_targets([]).save(where / "untouched.h5")
    calibkit.fit(batching.small(1)).save(where / "mapping.h5")
    return where


@pytest.fixture(scope="module")
def table(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    out = tmp_path_factory.mktemp("out") / "t.csv"
    arguments = ["-o", str(out), "--page", str(out.with_suffix(".html"))]
    assert main(["batch", str(folder), *arguments, "--workers", "2"]) == 0
    found = pandas.read_csv(out, keep_default_na=False)
    found.attrs["page"] = out.with_suffix(".html").read_text(encoding="utf-8")
    return found


def test_every_file_has_its_row(table: Any, folder: Path) -> None:
    good = ["good.h5", "Übung 1/copy.h5", "Übung 1/日本.h5"]
    # A mapping is no recording; the link back into the folder is walked once.
    assert table["file"].drop_duplicates().tolist() == sorted([*WORDS, *good])
    judged = table[table["status"] == "judged"]
    assert sorted(set(judged["file"])) == sorted(good)
    assert set(judged["exit_status"]) == {0}


@pytest.mark.parametrize("name", WORDS)
def test_a_bad_file_says_what_is_wrong(name: str, table: Any, folder: Path) -> None:
    status, words = WORDS[name]
    (row,) = table[table["file"] == name].to_dict("records")
    assert row["status"] == ("fitted" if name == "untouched.h5" else "failed")
    assert row["exit_status"] == status
    assert any(word in row["message"] for word in words.split("|")), row["message"]
    assert str(folder) not in row["message"]
    assert "Traceback" not in row["message"]


def test_a_copy_says_of_what(table: Any) -> None:
    copies = table[table["duplicate_of"] != ""]
    assert set(copies["file"]) == {"Übung 1/copy.h5"}
    assert set(copies["duplicate_of"]) == {"good.h5"}
    first = table[table["file"] == "good.h5"]
    assert copies["accuracy_deg"].tolist() == first["accuracy_deg"].tolist()


def test_the_page_names_the_reasons(table: Any) -> None:
    page = table.attrs["page"]
    assert "Judged: 3 of 11 recordings." in page
    assert "1 file is a copy of another one" in page
    assert "screen_mm is missing" in page
    assert "built-in" not in page


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything"
)
def test_what_may_not_be_read(tmp_path: Path) -> None:
    (tmp_path / "in" / "closed").mkdir(parents=True)
    batching.small(1).save(tmp_path / "in" / "good.h5")
    batching.small(2).save(tmp_path / "in" / "mine.h5")
    (tmp_path / "in" / "mine.h5").chmod(0)
    (tmp_path / "in" / "closed").chmod(0)
    try:
        batch(batching.plan(tmp_path / "in", tmp_path / "t.csv"), Crew(1))
    finally:
        (tmp_path / "in" / "closed").chmod(0o700)
    rows = pandas.read_csv(tmp_path / "t.csv").set_index("file")
    assert "Permission denied" in rows.loc["mine.h5", "message"]
    assert "cannot be listed" in rows.loc["closed/", "message"]


def test_a_recording_that_ends_or_hangs_its_process(tmp_path: Path) -> None:
    """It costs its own row and its process; an accident gets a second try."""
    (tmp_path / "in").mkdir()
    names = ("a", "crash", "hang", "once", "print", "z")
    for seed, name in enumerate(names):
        batching.small(seed).save(tmp_path / "in" / f"{name}.h5")
    plan = batching.plan(tmp_path / "in", tmp_path / "t.csv", limit_s=8.0)
    summary = batch(plan, Crew(2, batching.WILD))
    rows = pandas.read_csv(plan.table, keep_default_na=False)
    bad = rows[rows["status"] != "judged"].set_index("file")
    assert set(bad.index) == {"crash.h5", "hang.h5"}
    assert "status 9" in bad.loc["crash.h5", "message"]
    assert "took longer than 8 s" in bad.loc["hang.h5", "message"]
    assert set(bad["exit_status"]) == {1}
    assert (summary.judged, summary.failed) == (4, 2)
    again = batch(batching.plan(tmp_path / "in", plan.table, overwrite=True), Crew(1))
    assert (again.worked, again.judged) == (2, 6)  # only these are tried again


def test_a_defect_of_ours_is_one_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from calibkit.batch import judging, worker
    from calibkit.kept.store import sha256_of

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    path = tmp_path / "a.h5"
    batching.small(1).save(path)
    monkeypatch.setattr(judging, "judge", broken)
    settings = batching.plan(tmp_path, tmp_path / "t.csv").settings.plain()
    task = {"path": str(path), "sha256": sha256_of(path), "settings": settings}
    result = worker.work(task)
    assert result["rows"][0]["exit_status"] == 1
    assert "ZeroDivisionError" in result["rows"][0]["message"]
    assert "ZeroDivisionError" in result["detail"]
    assert result["keep"] is False
    monkeypatch.undo()
    assert worker.work(task)["keep"] is True
    changed = worker.work(task | {"sha256": "0" * 64})
    assert "changed while it was read" in changed["rows"][0]["message"]
    assert changed["keep"] is False


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["none", "-o", "t.csv"], 2, "none does not exist"),
        ([".", "-o", "t.xlsx"], 2, "neither .csv nor .parquet"),
        ([".", "-o", "t.csv", "--targets", "t.csv"], 2, "the same name"),
        ([".", "-o", "old.csv"], 2, "--force"),
        ([".", "-o", "no/t.csv"], 5, "does not exist"),
        ([".", "-o", "t.csv"], 3, "no recording"),
        ([".", "-o", "t.csv", "--shared", "gone.h5"], 3, "gone.h5"),
        ([".", "-o", "t.csv", "--workers", "0"], 2, "--workers"),
        ([".", "-o", "t.csv", "--workers", "2", "--scheduler", "tcp://a:1"], 2, "one"),
    ],
)
def test_refusals(
    arguments: list[str],
    status: int,
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("old.csv").touch()
    assert main(["batch", *arguments]) == status
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said
    assert not Path("t.csv").exists()


def test_nothing_at_all_could_be_fitted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The table is there and says why; a script that asks is told by the status."""
    (tmp_path / "a.h5").touch()
    out = tmp_path / "t.csv"
    assert main(["batch", str(tmp_path), "-o", str(out), "--workers", "1"]) == 3
    assert "is empty" in out.read_text(encoding="utf-8")
    assert "0 recordings judged, 1 not" in capsys.readouterr().err


def test_missing_pyarrow_is_named_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import importlib.util

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    batching.small(1).save(tmp_path / "a.h5")
    table = str(tmp_path / "t.parquet")
    assert main(["batch", str(tmp_path), "-o", table]) == 2
    assert "pip install 'calibkit[cluster]'" in capsys.readouterr().err
    table = str(tmp_path / "t.csv")
    call = ["batch", str(tmp_path), "-o", table, "--scheduler", "tcp://127.0.0.1:1"]
    assert main(call) == 2
    assert "pip install 'calibkit[cluster]'" in capsys.readouterr().err


def test_a_name_is_never_in_a_message_by_its_path(tmp_path: Path) -> None:
    """A row must not tell where the file lies: it may lie elsewhere tomorrow."""
    from calibkit.batch import worker

    settings = batching.plan(tmp_path, tmp_path / "t.csv").settings.plain()
    task = {"path": str(tmp_path / "x.h5"), "sha256": "", "settings": settings}
    (row,) = worker.work(task)["rows"]
    assert row["message"].startswith("the recording does not exist")
