"""Journals outside the home folder: the next start finds what a crash left there."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from storing import header, one_line
from test_journal import write

from calibkit import cli
from calibkit.errors import InputError
from calibkit.kept import disk, frames, journal, journal_contents, journal_elsewhere
from calibkit.kept.recording import Recording


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    found = tmp_path / "stick, ä"
    found.mkdir()
    return found


def notes(home: Path) -> list[Path]:
    return list((home / journal_elsewhere.FOLDER).iterdir())


@pytest.mark.skipif(os.name != "posix", reason="POSIX signals")
def test_a_killed_writer_elsewhere_is_found_at_the_next_start(
    home: Path, place: Path
) -> None:
    path = place / "one.journal"
    code = f"""
import os, signal
from pathlib import Path
from storing import header
from test_journal import chunk
from calibkit.kept import journal, journal_elsewhere
path = Path({str(path)!r})
journal_elsewhere.note(Path({str(home)!r}), path)
writer = journal.Writer(path, header())
stamps, rows = chunk(0)
writer.gaze(stamps, rows, stamps)
os.kill(os.getpid(), signal.SIGKILL)
"""
    places = [str(Path(__file__).parent), str(Path(cli.__file__).parent.parent)]
    environ = os.environ | {"PYTHONPATH": os.pathsep.join(places)}
    done = subprocess.run([sys.executable, "-c", code], env=environ, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert journal_elsewhere.left(home) == (path,)
    (found,) = journal_elsewhere.recover(home)
    assert found.recording == place / "one.h5"
    assert len(Recording.load(place / "one.h5").time) == 5
    assert not path.exists()
    assert notes(home) == []
    assert journal_elsewhere.left(home) == ()
    assert journal_elsewhere.recover(home) == ()


def test_those_in_the_home_folder_are_found_too(home: Path) -> None:
    folder = home / "recordings" / "p-01"
    folder.mkdir(parents=True)
    write(folder / "own.journal", close=False)
    assert journal_elsewhere.left(home) == (folder / "own.journal",)
    (found,) = journal_elsewhere.recover(home)
    assert found.recording == folder / "own.h5"


def test_one_that_is_written_now_is_left_alone(home: Path, place: Path) -> None:
    path = place / "one.journal"
    journal_elsewhere.note(home, path)
    with journal.Writer(path, header()):
        assert journal_elsewhere.recover(home) == ()
        assert journal_elsewhere.left(home) == ()
        journal_elsewhere.forget(home, path)
        assert len(notes(home)) == 1


def test_a_note_stays_while_its_journal_may_come(home: Path, place: Path) -> None:
    """It may be about to be made, or lie on a medium that is not there now."""
    path = place / "one.journal"
    journal_elsewhere.note(home, path)
    journal_elsewhere.recover(home)
    assert len(notes(home)) == 1
    later = replace(disk.SYSTEM, wall=lambda: disk.SYSTEM.wall() + 3600)
    away = place.rename(place.with_name("away"))
    journal_elsewhere.recover(home, system=later)
    assert len(notes(home)) == 1
    away.rename(place)
    journal_elsewhere.recover(home, system=later)
    assert notes(home) == []


def test_a_damaged_one_is_kept_and_told(home: Path, place: Path) -> None:
    path = place / "one.journal"
    path.write_bytes(b"nothing of ours")
    journal_elsewhere.note(home, path)
    (found,) = journal_elsewhere.recover(home)
    assert found.recording is None
    assert "no readable header" in found.text
    assert found.journal.read_bytes() == b"nothing of ours"
    assert notes(home) == []


@pytest.mark.parametrize("text", [b"", b"\xff\0", b"relative.journal", b"/etc/passwd"])
def test_what_is_no_note_of_ours_is_left_alone(
    text: bytes, home: Path, place: Path
) -> None:
    precious = place / "precious.journal"
    precious.write_bytes(b"another program's")
    journal_elsewhere.note(home, place / "one.journal")
    notes(home)[0].write_bytes(text)
    (home / journal_elsewhere.FOLDER / "0.path").write_text(str(precious))
    assert journal_elsewhere.recover(home) == ()
    assert precious.read_bytes() == b"another program's"


def test_reading_a_recording_that_is_still_a_journal_names_it(place: Path) -> None:
    path = write(place / "one.journal", close=False)
    with pytest.raises(InputError) as caught:
        Recording.load(place / "one.h5")
    one_line(caught.value, "import journal")
    assert str(path) in str(caught.value)
    with pytest.raises(InputError, match="check its name and folder"):
        Recording.load(place / "two.h5")


def test_a_journal_from_anywhere_is_imported(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(place / "one.journal", close=False)
    out = place / "made.h5"
    words = ["import", "journal", str(path), "-o", str(out), "--json"]
    assert cli.main(words) == 0
    said = capsys.readouterr()
    facts = json.loads(said.out)
    assert facts["samples"] == len(Recording.load(out).time) > 0
    assert "did not end properly" in said.err
    assert path.exists()
    assert cli.main(words) == 2
    assert cli.main(["import", "journal", str(out), "-o", str(place / "no.h5")]) == 3
    assert "no readable header" in capsys.readouterr().err
    assert not (place / "no.h5").exists()


HOSTILE: tuple[dict[str, object], ...] = (
    {"channels": 5},
    {"channels": [{"label": "x"}]},
    {"channels": None},
    {"setup": {"screen_px": [1, 2]}},
    {"setup": 7},
    {"attempt": "many"},
    {"attempt": 1e999},
    {"nominal_rate": []},
)


@pytest.mark.parametrize("change", HOSTILE, ids=repr)
def test_a_header_that_another_program_wrote_is_one_sentence(
    change: dict[str, object], place: Path
) -> None:
    path = write(place / "good.journal")
    body = next(frames.decode(path.read_bytes())).body
    changed = json.dumps({**json.loads(body), **change}).encode()
    bad = place / "bad.journal"
    bad.write_bytes(frames.encode(0, frames.mark("s"), 0, changed))
    with pytest.raises(InputError) as caught:
        journal_contents.read(bad)
    one_line(caught.value, "no readable header")


def test_absurd_counts_cost_one_frame(place: Path) -> None:
    path = write(place / "good.journal")
    good = path.read_bytes()
    mark = next(frames.decode(good)).session
    huge = b"\xff" * 12 + bytes(64)
    path.write_bytes(good + frames.encode(10**6, mark, 1, huge))
    contents = journal_contents.read(path)
    assert any("no known content" in fault for fault in contents.faults)
