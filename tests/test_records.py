"""What is kept of a person: listed, looked up again, exported, deleted."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import stat
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import leftovers, one_line, recording, scaled

from calibkit import cli, language
from calibkit.errors import CallError, InputError
from calibkit.kept import profile, records, store

WHO = "p-01"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    place = tmp_path / "home"
    for person in (WHO, "p-02"):
        for number in (1, 2):
            profile.save(
                place,
                person,
                store.Tree(attrs={"/m": {"n": number}}),
                {"n": number},
                created=f"2026-11-0{number}T00:00:00Z",
                summary={"accuracy_deg": 0.7},
            )
        recording().save(records.folder(place, "recordings", person) / "s-01.h5")
        (records.folder(place, "reports", person) / "s-01.html").write_text("page")
        records.add_history(place, person, {"attempt": 1, "accuracy_deg": 0.7})
    return place


entries = st.dictionaries(
    st.text(max_size=5),
    st.one_of(
        st.none(),
        st.text(max_size=9),
        st.floats(allow_nan=False, allow_infinity=False),
    ),
    max_size=4,
)


@given(st.lists(entries, max_size=5))
@settings(max_examples=scaled(40), deadline=None)
def test_history_comes_back(
    tmp_path_factory: pytest.TempPathFactory, attempts: list[dict[str, object]]
) -> None:
    place = tmp_path_factory.mktemp("home")
    for entry in attempts:
        records.add_history(place, WHO, entry)
    assert records.history(place, WHO) == tuple(attempts)


def test_a_torn_line_costs_itself_alone(home: Path) -> None:
    path = home / "history" / f"{WHO}.jsonl"
    for cut in range(1, 20):
        with path.open("ab") as file:
            file.write(b'{"attempt": 2, "acc'[:cut])
        records.add_history(home, WHO, {"attempt": 3 + cut})
    found = [entry["attempt"] for entry in records.history(home, WHO)]
    assert found == [1, *range(4, 23)]


def test_many_append_at_once(home: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: records.add_history(home, WHO, {"n": n}), range(50)))
    assert sorted(e["n"] for e in records.history(home, WHO)[1:]) == list(range(50))
    assert records.history_faults(home, WHO) == ()


def test_each_line_holds_the_hash_of_the_one_before(home: Path) -> None:
    """Source: SHA-256 of the line before, by hashlib, without its end."""
    for n in range(5):
        records.add_history(home, WHO, {"n": n})
    path = home / "history" / f"{WHO}.jsonl"
    lines = path.read_bytes().splitlines()
    for line, last in zip(lines[1:], lines, strict=False):
        assert json.loads(line)["before_sha256"] == hashlib.sha256(last).hexdigest()
    assert json.loads(lines[0])["before_sha256"] == ""
    assert records.history_faults(home, WHO) == ()


def test_a_line_that_was_changed_taken_out_or_put_in_is_found(home: Path) -> None:
    for n in range(5):
        records.add_history(home, WHO, {"n": n})
    path = home / "history" / f"{WHO}.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    told = {
        (): lines,
        (4,): [*lines[:2], lines[2].replace(b'"n": 1', b'"n": 8'), *lines[3:]],
        (3,): [*lines[:2], *lines[3:]],
        (1,): lines[1:],
        (3, 4): [*lines[:2], lines[4], *lines[2:]],
        (7,): [*lines, b'{"n": 9}\n'],
    }
    for want, changed in told.items():
        path.write_bytes(b"".join(changed))
        assert records.history_faults(home, WHO)[: len(want)] == want
        assert bool(records.history_faults(home, WHO)) == bool(want)


def test_a_history_of_an_older_version_goes_on(home: Path) -> None:
    path = home / "history" / f"{WHO}.jsonl"
    path.write_bytes(b'{"n": 1}\n{"n": 2}\n{"torn')
    records.add_history(home, WHO, {"n": 3})
    assert [e["n"] for e in records.history(home, WHO)] == [1, 2, 3]
    assert records.history_faults(home, WHO) == ()


def test_what_is_no_history(home: Path) -> None:
    for entry in ({"x": float("nan")}, {"x": object()}, {"x": "y" * 70_000}):
        with pytest.raises(InputError):
            records.add_history(home, WHO, entry)
    assert len(records.history(home, WHO)) == 1


def test_all_paths_is_all_there_is(home: Path) -> None:
    mine = set(records.all_paths(home, WHO))
    others = set(records.all_paths(home, "p-02"))
    everything = {p for p in home.rglob("*") if p.is_file()}
    assert mine | others == everything
    assert not mine & others


def test_export_copies_all_to_the_bit(home: Path, tmp_path: Path) -> None:
    target = tmp_path / "out"
    copies = records.export(home, WHO, target)
    sources = records.all_paths(home, WHO)
    assert [c.relative_to(target) for c in copies] == [
        s.relative_to(home) for s in sources
    ]
    assert all(
        c.read_bytes() == s.read_bytes() for c, s in zip(copies, sources, strict=True)
    )
    with pytest.raises(CallError):
        records.export(home, WHO, target)
    with pytest.raises(InputError) as caught:
        records.export(home, "p-03", tmp_path / "other")
    one_line(caught.value, "p-03", "p-01, p-02")


def test_delete_takes_all_of_one_person(home: Path) -> None:
    others = {p: p.read_bytes() for p in records.all_paths(home, "p-02")}
    gone = records.delete(home, WHO)
    assert len(gone) == 10
    assert not [p for p in home.rglob("*") if WHO in str(p)]
    assert all(path.read_bytes() == data for path, data in others.items())
    assert records.everybody(home) == ("p-02",)
    with pytest.raises(InputError):
        records.delete(home, WHO)


@pytest.mark.skipif(os.name != "posix", reason="links need rights on Windows")
def test_delete_follows_no_link(home: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.mkdir()
    (precious / "file").write_bytes(b"x")
    (home / "recordings" / WHO / "link").symlink_to(precious)
    records.delete(home, WHO)
    assert (precious / "file").exists()


Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def calibkit(home: Path, capsys: pytest.CaptureFixture[str]) -> Call:
    def call(*words: str) -> tuple[int, str, str]:
        status = cli.main(["profiles", *words, "--home", str(home)])
        return (status, *capsys.readouterr())

    return call


def test_list(calibkit: Call, tmp_path: Path) -> None:
    status, out, err = calibkit("list")
    assert (status, err) == (0, "")
    assert [line.split()[0] for line in out.splitlines()] == [WHO, "p-02"]
    status, out, _ = calibkit("list", "--json")
    first = json.loads(out)["persons"][0]
    assert status == 0
    assert (first["person"], first["version"], first["recordings"]) == (WHO, 2, 1)


def test_show(calibkit: Call, tmp_path: Path) -> None:
    status, out, err = calibkit("show", WHO)
    assert (status, err) == (0, "")
    for words in ("version 2 of 2026-11-02", "in use", "attempt 1: 0.70° off"):
        assert words in out
    assert "s-01.h5" in out
    assert not re.search(r"sha256|[a-z]_[a-z]", out.replace(str(tmp_path), ""))
    assert not re.search(r"\d\.\d{5}|[0-9a-f]{20}", out)
    status, out, _ = calibkit("show", "--person", WHO, "--json")
    found = json.loads(out)
    assert [v["in_use"] for v in found["versions"]] == [False, True]
    assert found["history"] == [{"attempt": 1, "accuracy_deg": 0.7}]


def test_what_is_stored_is_said_in_german(calibkit: Call) -> None:
    try:
        _, out, _ = calibkit("show", WHO, "--language", "de")
        assert "es gilt: Version 2 vom 2026-11-02" in out
        assert "Versuch 1: 0,70° daneben" in out
        _, _, err = calibkit("rollback", WHO, "--language", "de")
        assert "Version 1 vom 2026-11-01" in err
    finally:
        language.choose(None)


def test_rollback(calibkit: Call, home: Path) -> None:
    status, out, err = calibkit("rollback", WHO)
    assert (status, out) == (0, "")
    assert "Version 1" in err
    assert profile.current(home, WHO).mapping == {"n": 1}
    status, _, err = calibkit("rollback", WHO)
    assert status == 3
    assert "nothing was changed" in err
    assert calibkit("rollback", WHO, "--to", "2")[0] == 0
    assert profile.current(home, WHO).mapping == {"n": 2}


def test_export_adds_tables(calibkit: Call, tmp_path: Path) -> None:
    """Oracle: the standard library's csv reader."""
    target = tmp_path / "out"
    assert calibkit("export", WHO, "-o", str(target))[0] == 0
    with (target / "recordings" / WHO / "s-01-gaze.csv").open(newline="") as file:
        head, *rows = list(csv.reader(file))
    rec = recording()
    assert head == ["time", *(c.label for c in rec.channels)]
    found = np.array(rows, float)
    assert np.array_equal(found[:, 0], rec.time)
    assert np.array_equal(found[:, 1:], rec.samples, equal_nan=True)
    with (target / "recordings" / WHO / "s-01-targets.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == len(rec.targets)
    if os.name == "posix":
        assert stat.S_IMODE((target / "recordings").stat().st_mode) == 0o700
    assert not leftovers(tmp_path)


def test_delete(calibkit: Call, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    status, _, err = calibkit("delete", WHO)
    assert status == 2
    assert "--yes" in err
    assert records.all_paths(home, WHO)
    status, out, err = calibkit("delete", WHO, "--yes", "--json")
    assert status == 0
    assert len(json.loads(out)["deleted"]) == 10
    assert "Backups" in err
    assert calibkit("show", WHO)[0] == 3


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["show"], 2),
        (["show", "a", "--person", "b"], 2),
        (["show", "a/b"], 2),
        (["show", "p-99"], 3),
        (["rollback", "p-99"], 3),
        (["rollback", WHO, "--to", "77"], 3),
        (["rollback", WHO, "--to", "0"], 2),
        (["export", WHO], 2),
        (["delete", "p-99", "--yes"], 3),
        (["burn", WHO], 2),
        (["list", WHO], 2),
        (["show", WHO, "-o", "x"], 2),
        (["delete", WHO, "--to", "1"], 2),
        (["export", WHO, "-o", "x", "--yes"], 2),
        ([], 2),
    ],
    ids=str,
)
def test_refusals(words: list[str], status: int, calibkit: Call) -> None:
    found, out, err = calibkit(*words)
    assert (found, out) == (status, "")
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_nothing_stored_is_no_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["profiles", "list", "--home", str(tmp_path / "new")]) == 0
    assert "Nothing is stored" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()
