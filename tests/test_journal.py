"""A live recording survives what happens to it; wrong rows are never taken."""

from __future__ import annotations

import os
import random
import signal
import struct
import subprocess
import sys
import textwrap
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import CHANNELS, SETUP, header, one_line, scaled

from calibkit.errors import CallError, InputError, StorageError
from calibkit.kept import disk, frames, journal, journal_contents
from calibkit.kept.recording import Recording

ROW = (0.1, 0.9, 100.0, 200.0, "calibration", "gaze", 1)


def chunk(start: int, count: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Samples whose values tell their number, so that a wrong row is seen."""
    number = np.arange(start, start + count, dtype=float)
    return number / 250, np.column_stack([number, -number])


def write(path: Path, chunks: int = 6, *, close: bool = True) -> Path:
    writer = journal.Writer(path, header())
    for number in range(chunks):
        stamps, rows = chunk(5 * number)
        writer.gaze(stamps, rows, stamps - 0.5)
        writer.event(float(stamps[0]), f"chunk {number} – ü")
    writer.target(ROW)
    writer.path_rows([(0.0, 1.0, 2.0), (0.1, np.nan, 2.0)])
    writer.clock(0.0, 0.5)
    if close:
        writer.close()
    else:
        os.close(writer._handle)  # as a crash would
    return path


def test_a_session_becomes_a_contract_recording(tmp_path: Path) -> None:
    made = journal.finish(write(tmp_path / "s-01.journal"))
    assert made == tmp_path / "s-01.h5"
    assert list(tmp_path.iterdir()) == [made]
    rec = Recording.load(made)
    stamps, rows = chunk(0, 30)
    assert np.array_equal(rec.time, stamps)
    assert np.array_equal(rec.samples, rows)
    assert rec.time_raw is not None
    assert np.array_equal(rec.time_raw, stamps - 0.5)
    assert rec.targets.tolist() == [ROW]
    assert rec.target_path is not None
    assert np.array_equal(
        rec.target_path, [[0.0, 1.0, 2.0], [0.1, np.nan, 2.0]], equal_nan=True
    )
    assert rec.clock is not None
    assert rec.clock.tolist() == [[0.0, 0.5]]
    assert [text for _, text in rec.events] == [f"chunk {i} – ü" for i in range(6)]
    assert (rec.setup, rec.channels) == (SETUP, CHANNELS)
    wanted = header()
    for name in ("person", "session", "attempt", "created", "protocol", "nominal_rate"):
        assert getattr(rec, name) == wanted[name]


def test_single_precision_and_missing_stay_as_they_are(tmp_path: Path) -> None:
    with journal.Writer(tmp_path / "a.journal", header()) as writer:
        writer.append("gaze", [0.0], np.array([[np.nan, 1.1]], "f4"))
        writer.append("gaze", [], np.empty((0, 2)))
    rec = Recording.load(journal.finish(tmp_path / "a.journal"))
    assert rec.samples.dtype == np.float32
    assert np.isnan(rec.samples[0, 0])
    assert rec.samples[0, 1] == np.float32(1.1)


def test_a_session_without_a_sample_is_kept_too(tmp_path: Path) -> None:
    journal.Writer(tmp_path / "a.journal", header()).close()
    rec = Recording.load(journal.finish(tmp_path / "a.journal"))
    assert rec.samples.shape == (0, 2)
    assert len(rec.targets) == 0


def test_a_target_row_can_be_set_anew(tmp_path: Path) -> None:
    with journal.Writer(tmp_path / "a.journal", header()) as writer:
        first = writer.target(ROW)
        second = writer.target((*ROW[:4], "validation", "key", 1))
        writer.target((*ROW[:6], 0), index=first)
        third = writer.target(ROW)
    assert (first, second, third) == (0, 1, 2)
    rec = Recording.load(journal.finish(tmp_path / "a.journal"))
    assert rec.targets["kept"].tolist() == [0, 1, 1]
    roles = ["calibration", "validation", "calibration"]
    assert rec.targets["role"].tolist() == roles


def test_the_frame_by_hand() -> None:
    """Oracle: struct and zlib, by the layout that the module states."""
    body = b"body"
    head = b"\xcaKJ\x01" + struct.pack("<IQ", 4, 7) + b"12345678" + b"\x02\0\0\0"
    wanted = head + struct.pack("<I", zlib.crc32(head + body)) + body
    assert frames.encode(7, b"12345678", 2, body) == wanted
    # zlib's CRC-32 is ISO 3309's: its check value for "123456789" is CBF43926.
    assert zlib.crc32(b"123456789") == 0xCBF43926


@given(st.lists(st.tuples(st.integers(0, 255), st.binary(max_size=40)), max_size=6))
@settings(max_examples=scaled(100), deadline=None)
def test_frames_come_back(content: list[tuple[int, bytes]]) -> None:
    mark = frames.mark("s")
    data = b"".join(
        frames.encode(i, mark, kind, body) for i, (kind, body) in enumerate(content)
    )
    found = list(frames.decode(data))
    assert [(f.kind, f.body) for f in found] == content
    assert all(f.session == mark and f.skipped == 0 for f in found)


@given(st.binary(max_size=300))
def test_any_bytes_are_no_frames_but_no_error(data: bytes) -> None:
    found = list(frames.decode(data))
    assert all(f.kind == -1 for f in found)
    assert sum(f.skipped for f in found) == len(data)


def check_rows(contents: journal_contents.Contents) -> int:
    """Every row that was read is one that was written; return how many."""
    total = 0
    for stamps, raw, rows in contents.gaze:
        assert np.array_equal(stamps, rows[:, 0] / 250)
        assert np.array_equal(raw, stamps - 0.5)
        assert np.array_equal(rows[:, 1], -rows[:, 0])
        total += len(rows)
    return total


def test_a_torn_tail_costs_one_frame(tmp_path: Path) -> None:
    whole = write(tmp_path / "a.journal").read_bytes()
    last = len(whole) - 60
    path = tmp_path / "b.journal"
    for cut in range(last, len(whole)):
        path.write_bytes(whole[:cut])
        contents = journal_contents.read(path)
        assert check_rows(contents) == 30
        assert "the session did not end properly" in contents.faults
    path.write_bytes(whole + bytes(1000))
    contents = journal_contents.read(path)
    assert contents.complete
    assert contents.faults == ["1000 bytes are unreadable after frame 16"]


def test_damaged_journals(tmp_path: Path) -> None:
    """Bits, cuts, zeros and swaps: no exception but ours, no wrong row, little lost."""
    whole = write(tmp_path / "a.journal", chunks=60).read_bytes()
    rng, path = random.Random(11), tmp_path / "b.journal"
    lost = []
    for _ in range(scaled(300)):
        data = bytearray(whole)
        kind, at = rng.randrange(4), rng.randrange(len(data))
        if kind == 0:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[at : at + 40] = bytes(len(data[at : at + 40]))
        elif kind == 2:
            del data[at : at + rng.randrange(1, 200)]
        else:
            data[at:at] = data[: rng.randrange(1, 500)]
        path.write_bytes(data)
        try:
            contents = journal_contents.read(path)
        except InputError as error:
            one_line(error, str(path), "no readable header")
            continue
        rows = check_rows(contents)
        assert contents.faults
        lost.append(300 - rows)
    assert np.median(lost) <= 5  # rows; one chunk
    assert len(lost) > scaled(300) * 0.9


def test_the_header_is_there_again_after_a_while(tmp_path: Path) -> None:
    now = [0.0]
    path = tmp_path / "a.journal"
    writer = journal.Writer(path, header(), clock=lambda: now[0])
    for number in range(70):
        now[0] += 1.0
        writer.gaze(*chunk(number, 1), time_raw=chunk(number, 1)[0] - 0.5)
    writer.close()
    data = path.read_bytes()
    path.write_bytes(bytes(200) + data[200:])
    assert check_rows(journal_contents.read(path)) == 70


def test_frames_of_another_session_and_repeats_are_left_out(tmp_path: Path) -> None:
    first = write(tmp_path / "a.journal").read_bytes()
    other = header() | {"session": "s-99"}
    with journal.Writer(tmp_path / "b.journal", other) as writer:
        writer.gaze(*chunk(1000))
    path = tmp_path / "c.journal"
    path.write_bytes(first + (tmp_path / "b.journal").read_bytes() + first)
    contents = journal_contents.read(path)
    assert check_rows(contents) == 30
    assert any("another session or out of order" in f for f in contents.faults)


def test_each_second_it_is_flushed(tmp_path: Path) -> None:
    now, flushed = [0.0], [0]

    def fsync(_: int) -> None:
        flushed[0] += 1

    writer = journal.Writer(
        tmp_path / "a.journal",
        header(),
        clock=lambda: now[0],
        system=disk.System(fsync=fsync),
    )
    assert flushed[0] == 1  # the header at once
    for _ in range(100):
        now[0] += 0.1
        writer.event(now[0], "x")
    assert 10 <= flushed[0] <= 12
    writer.close()
    writer.close()


def test_finishing_again_after_a_crash_in_between(tmp_path: Path) -> None:
    path = write(tmp_path / "a.journal")
    data = path.read_bytes()
    made = journal.finish(path)
    path.write_bytes(data)  # the crash came before the removal
    assert journal.finish(path) == made
    assert list(tmp_path.iterdir()) == [made]


def test_a_recording_of_that_name_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "a.h5").write_bytes(b"another session's")
    assert journal.finish(write(tmp_path / "a.journal")) == tmp_path / "a-2.h5"
    assert (tmp_path / "a.h5").read_bytes() == b"another session's"


def test_recover(tmp_path: Path) -> None:
    folder = tmp_path / "recordings" / "p-01"
    folder.mkdir(parents=True)
    write(folder / "crashed.journal", close=False)
    (folder / "broken.journal").write_bytes(b"nothing of ours")
    alive = journal.Writer(folder / "alive.journal", header())
    found = {r.journal.name: r for r in journal.recover(tmp_path)}
    assert set(found) == {"crashed.journal", "broken.journal-damaged"}
    assert found["crashed.journal"].recording == folder / "crashed.h5"
    rec = Recording.load(folder / "crashed.h5")
    assert rec.events[-1][1] == "journal: the session did not end properly"
    assert found["broken.journal-damaged"].recording is None
    assert (folder / "broken.journal-damaged").read_bytes() == b"nothing of ours"
    assert journal.recover(tmp_path) == ()
    alive.close()
    assert len(journal.recover(tmp_path)) == 1


def test_refusals(tmp_path: Path) -> None:
    write(tmp_path / "a.journal")
    with pytest.raises(CallError):
        journal.Writer(tmp_path / "a.journal", header())
    with pytest.raises(StorageError):
        journal.Writer(tmp_path / "none" / "a.journal", header())
    with (
        journal.Writer(tmp_path / "b.journal", header()) as writer,
        pytest.raises(ValueError, match="do not fit"),
    ):
        writer.gaze([0.0, 1.0], [[1.0, 2.0]])


@pytest.mark.skipif(not hasattr(signal, "SIGXFSZ"), reason="no file size limit here")
def test_a_full_disk_in_the_middle(tmp_path: Path) -> None:
    """One sentence from the writer; all rows before are there, the tail is told."""
    code = f"""
        import resource, signal
        from pathlib import Path
        from calibkit.kept import journal
        from calibkit import errors
        from test_journal import chunk, header
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        writer = journal.Writer(Path({str(tmp_path / "a.journal")!r}), header())
        resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
        for number in range(1000):
            try:
                stamps, rows = chunk(5 * number)
                writer.gaze(stamps, rows, stamps - 0.5)
            except errors.StorageError as error:
                print(number, error)
                break
    """
    done = run(code)
    count = int(done.split()[0])
    assert "was not written: File too large" in done
    contents = journal_contents.read(tmp_path / "a.journal")
    assert check_rows(contents) == 5 * count
    assert any("unreadable" in fault for fault in contents.faults)


def run(code: str) -> str:
    paths = [
        str(Path(__file__).parent),
        str(Path(journal.__file__).parent.parent.parent),
    ]
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_journal_in_the_way_becomes_a_recording_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    assert journal.rescue(path) is None
    for chunks in (3, 4):
        write(path, chunks)
        kept = journal.rescue(path)
        assert kept is not None
        assert kept.recording is not None
        assert not path.exists()
        assert len(Recording.load(kept.recording).time) == 5 * chunks
    assert len(list(tmp_path.glob("a-unfinished-1*.h5"))) == 2


def test_a_journal_that_is_being_written_is_not_rescued(tmp_path: Path) -> None:
    with journal.Writer(tmp_path / "a.journal", header()):
        with pytest.raises(CallError) as caught:
            journal.rescue(tmp_path / "a.journal")
        one_line(caught.value, "another process writes")
