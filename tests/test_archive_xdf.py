"""XDF files become recordings: the same numbers, or one sentence that says why not.

The files are written by `xdf_writing`, from the XDF 1.0 specification alone; files that
a general recorder wrote are imported in tests/live/test_archive_live.py.
"""

from __future__ import annotations

import gzip
import io
import json
import struct
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xdf_writing as xdf
from storing import one_line, same

import calibkit
from calibkit import cli
from calibkit.archive import imported, xdf_chunks
from calibkit.archive import xdf as archive
from calibkit.errors import CalibkitError
from calibkit.kept.reader import Refused
from calibkit.kept.recording import Recording

pyxdf = pytest.importorskip("pyxdf", reason="needs the extra `archive`")

ROOT = Path(__file__).parent.parent
SCREEN = (
    "--screen-px",
    "1920x1080",
    "--screen-mm",
    "527x296.5",
    "--distance-mm",
    "600",
)


@pytest.fixture(scope="module")
def rec() -> Recording:
    """A steady person's recording, stamped as after some days of a computer's work."""
    found = Recording.load(ROOT / "recordings" / "steady.h5")
    targets = found.targets.copy()
    targets["onset"] += 250_000.0
    targets["offset"] += 250_000.0
    return replace(found, time=found.time + 250_000.0, targets=targets)


def run(*words: object) -> int:
    try:
        return cli.main(list(map(str, words)))
    except SystemExit as end:
        return int(str(end.code or 0))


def refused(capsys: pytest.CaptureFixture[str], status: int, *words: object) -> str:
    """Run what must fail; return its one sentence."""
    capsys.readouterr()
    assert run(*words) == status, capsys.readouterr().err
    said = capsys.readouterr().err.strip()
    assert said.startswith("calibkit: ")
    assert "\n" not in said
    assert "Traceback" not in said
    return said


def imports(path: Path, *words: object) -> Recording:
    out = path.with_suffix(".h5")
    assert run("import", "xdf", path, "-o", out, "--force", *words) == 0
    return Recording.load(out)


def test_a_session_comes_back_as_it_was(rec: Recording, tmp_path: Path) -> None:
    found = imports(xdf.whole(rec, tmp_path / "a.xdf"), "--person", "heron")
    assert same(found.time, rec.time)
    assert same(found.samples, rec.samples)
    assert (found.targets == rec.targets).all()
    assert (found.channels, found.setup) == (rec.channels, rec.setup)
    assert found.person == "heron"
    assert found.created == "2026-11-25T09:00:00+00:00"
    assert found.source_id == rec.source_id
    assert found.session.startswith("xdf-")
    ours, theirs = calibkit.fit(found), calibkit.fit(rec)
    assert same(ours.apply(rec.samples).xy, theirs.apply(rec.samples).xy)


def test_clock_offsets_move_the_stamps(rec: Recording, tmp_path: Path) -> None:
    """Source: XDF 1.0, ClockOffset: the value is added to the stream's own stamps."""
    start = rec.time[0] - 1000.0
    clocks = [xdf.clock(1, start + k, 1000.0 + 1e-5 * k) for k in range(0, 30, 5)]
    path = tmp_path / "a.xdf"
    marks = xdf.markers(xdf.marks(rec))
    body = xdf.gaze(rec, shift_s=-1000.0)
    path.write_bytes(b"".join([xdf.file_header(), body, *clocks, marks]))
    found = imports(path)
    # The offset grows by 10 microseconds a second; a straight line follows it.
    own = rec.time - 1000.0
    assert found.time == pytest.approx(own + 1000.0 + 1e-5 * (own - start), abs=1e-6)
    assert found.time_raw is not None
    assert same(found.time_raw, own)
    assert found.clock is not None
    assert found.clock[:, 1] == pytest.approx(1000.0 + 1e-5 * np.arange(0, 30, 5))


def test_stamps_are_never_smoothed(rec: Recording, tmp_path: Path) -> None:
    """Outside: pyxdf's defaults, on the same file of a camera that drops frames."""
    rng = np.random.default_rng(5)
    stay = rng.random(len(rec.time)) > 0.05
    stay[600:720] = False  # and is gone for two seconds
    short = replace(rec, time=rec.time[stay], samples=rec.samples[stay])
    path = xdf.whole(short, tmp_path / "a.xdf")
    path.write_bytes(
        xdf.file_header()
        + xdf.gaze(short, nominal_srate=60)
        + xdf.markers(xdf.marks(rec))
    )
    assert same(imports(path).time, short.time)
    (smoothed,) = [s for s in pyxdf.load_xdf(path)[0] if s["info"]["type"][0] == "Gaze"]
    wrong = np.abs(smoothed["time_stamps"] - short.time)
    assert np.median(wrong) > 0.1
    assert np.max(wrong) > 0.5


def test_a_clock_that_began_anew(rec: Recording, tmp_path: Path) -> None:
    """The device's computer was started again: another offset from there on."""
    half = len(rec.time) // 2
    parts, clocks = [xdf.file_header()], []
    head = xdf.gaze(replace(rec, time=rec.time[:0], samples=rec.samples[:0]))
    parts.append(head)
    for piece, offset in ((slice(0, half), 1000.0), (slice(half, None), 240_000.0)):
        times = rec.time[piece] - offset
        parts.append(xdf.samples(1, times.tolist(), rec.samples[piece].tolist(), "f"))
        # Clock offsets are measured at the recorder's own pace, on the new clock.
        clocks += [xdf.clock(1, t, offset) for t in np.arange(times[0], times[-1], 1.0)]
    path = tmp_path / "a.xdf"
    path.write_bytes(b"".join([*parts, *clocks, xdf.markers(xdf.marks(rec))]))
    found = imports(path)
    assert found.time == pytest.approx(rec.time, abs=1e-6)
    assert any("began anew" in text for _, text in found.events)


def test_a_gap_and_stamps_that_run_backward(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    order = np.r_[0:500, 520:510:-1, 800 : len(rec.time)]
    mixed = replace(rec, time=rec.time[order], samples=rec.samples[order])
    path = tmp_path / "a.xdf"
    path.write_bytes(xdf.file_header() + xdf.gaze(mixed) + xdf.markers(xdf.marks(rec)))
    found = imports(path)
    assert "ran backward 9 times" in capsys.readouterr().err
    assert same(found.time, np.sort(mixed.time))
    assert same(found.samples[500:510], rec.samples[511:521])


# Which stream.


def test_of_several_gaze_streams_none_is_taken_silently(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = replace(rec, samples=rec.samples + np.float32(1))
    path = xdf.whole(rec, tmp_path / "a.xdf", xdf.gaze(other, 7))
    out = tmp_path / "a.h5"
    said = refused(capsys, 2, "import", "xdf", path, "-o", out)
    assert "#1 tracker" in said
    assert "#7 tracker" in said
    assert "--stream" in said
    assert not out.exists()
    assert same(imports(path, "--stream", "#7").samples, other.samples)
    # Both have one source_id and one name, so neither tells them apart.
    refused(
        capsys,
        2,
        "import",
        "xdf",
        path,
        "-o",
        out,
        "--force",
        "--stream",
        rec.source_id,
    )
    # Text is no gaze, so it does not make two of one.
    words = xdf.markers([(1.0, "a")], 5, type="Gaze")
    one = xdf.whole(rec, tmp_path / "b.xdf", words)
    assert same(imports(one).samples, rec.samples)
    said = refused(
        capsys, 2, "import", "xdf", path, "-o", out, "--force", "--stream", "nothing"
    )
    assert "'nothing'" in said


def test_our_own_output_is_no_input(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ours = xdf.gaze(rec, 9, source_id="calibkit:tracker-1")
    path = xdf.whole(rec, tmp_path / "a.xdf", ours)
    assert imports(path).source_id == rec.source_id
    said = refused(
        capsys, 3, "import", "xdf", path, "-o", tmp_path / "b.h5", "--stream", "#9"
    )
    assert "calibkit published" in said


def test_poor_metadata_are_named_once(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.xdf"
    bare = xdf.header(1, channel_count=len(rec.channels), name="bare")
    rows = xdf.samples(1, rec.time.tolist(), rec.samples.tolist(), "f")
    path.write_bytes(xdf.file_header() + bare + rows + xdf.markers(xdf.marks(rec)))
    said = refused(capsys, 2, "import", "xdf", path, "-o", tmp_path / "b.h5")
    assert "--names" in said
    names = tmp_path / "names.toml"
    tables = [
        f'[[channels]]\nlabel = "{c.label}"\neye = "{c.eye}"\ntype = "{c.type}"\n'
        f'unit = "{c.unit}"\n'
        for c in rec.channels
    ]
    names.write_text("".join(tables))
    found = imports(path, "--names", names)
    assert found.channels == rec.channels
    screen = "[setup]\nscreen_px = [800, 600]\n"
    names.write_text(
        f'origin = "bottom-left"\nmissing = [-9]\n{"".join(tables)}{screen}'
    )
    found = imports(path, "--names", names)
    assert found.setup == rec.setup  # the session knows better
    names.write_text("".join(tables[:-1]))
    said = refused(
        capsys, 3, "import", "xdf", path, "-o", tmp_path / "b.h5", "--names", names
    )
    assert "names 13 channels" in said


# The screen is never guessed.


def test_the_set_up_comes_from_flags_session_then_stream(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    window = replace(rec.setup, screen_px=(1000, 700), screen_mm=(274.0, 192.0))
    shown = replace(rec, setup=window)
    path = tmp_path / "a.xdf"
    path.write_bytes(xdf.file_header() + xdf.gaze(rec) + xdf.markers(xdf.marks(shown)))
    # The targets were on the window, so their pixels are the window's.
    assert imports(path).setup == window
    found = imports(path, "--distance-mm", "710").setup
    assert (found.screen_px, found.distance_mm) == ((1000, 700), 710.0)
    path.write_bytes(xdf.file_header() + xdf.gaze(rec))
    assert imports(path).setup == rec.setup
    path.write_bytes(xdf.file_header() + xdf.gaze(rec, setup=False))
    out = tmp_path / "b.h5"
    assert "--screen-px" in refused(capsys, 2, "import", "xdf", path, "-o", out)
    assert imports(path, *SCREEN).setup == rec.setup


def test_sessions_on_two_screens_are_not_mixed(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    late = rec.targets.copy()
    late["onset"] += 1000.0
    late["offset"] += 1000.0
    other = replace(
        rec,
        time=rec.time + 1000.0,
        targets=late[:3],
        setup=replace(rec.setup, screen_px=(1280, 720)),
    )
    both = replace(
        rec,
        time=np.r_[rec.time, other.time],
        samples=np.vstack([rec.samples, rec.samples]),
    )
    path = tmp_path / "a.xdf"
    marks = xdf.markers(xdf.marks(rec)) + xdf.markers(xdf.marks(other), 3)
    path.write_bytes(xdf.file_header() + xdf.gaze(both) + marks)
    said = refused(capsys, 2, "import", "xdf", path, "-o", tmp_path / "b.h5")
    assert "--session" in said
    found = imports(path, "--session", 2)
    assert (found.targets == other.targets).all()
    assert found.setup.screen_px == (1280, 720)
    assert len(imports(path, "--session", 1).targets) == len(rec.targets)
    refused(capsys, 2, "import", "xdf", path, "-o", tmp_path / "b.h5", "--session", 3)


def test_a_moving_target_and_other_markers(rec: Recording, tmp_path: Path) -> None:
    start = float(rec.time[0])
    marks = [
        (start + 1, json.dumps({"event": "target_on", "id": 1, "x": 5, "y": 6})),
        *(
            (
                start + 1 + k / 10,
                json.dumps({"event": "target_path", "id": 1, "x": k, "y": 2 * k}),
            )
            for k in range(5)
        ),
        (start + 3, json.dumps({"event": "target_off", "id": 1, "kept": 0})),
        (start + 4, json.dumps({"event": "selected", "x": 1, "y": 2})),
    ]
    codes = xdf.header(
        3, name="codes", type="Markers", channel_count=1, channel_format="int32"
    ) + xdf.samples(3, [start + 2], [[17]], "i")
    words = xdf.markers([(start + 2.5, "Zwei\tfünf\x07")], 4, type="Notes")
    path = tmp_path / "a.xdf"
    path.write_bytes(
        xdf.file_header() + xdf.gaze(rec) + xdf.markers(marks) + codes + words
    )
    found = imports(path)
    (row,) = found.targets
    assert np.isnan([row["x"], row["y"]]).all()
    assert (row["role"], row["advance"], row["kept"]) == ("calibration", "timer", 0)
    assert found.target_path is not None
    assert found.target_path.shape == (5, 3)
    assert [text for _, text in found.events] == [
        "17",
        "Zwei fünf",
        '{"event": "selected", "x": 1, "y": 2}',
    ]


# Bad files: one sentence, the right status, no output, no crash.


def broken(rec: Recording) -> dict[str, tuple[bytes, int, str]]:
    """Files that cannot be used, by what is wrong: bytes, status, a word of why."""
    head = xdf.file_header()
    good = xdf.gaze(rec)
    wide = struct.pack("<I", 1)
    deep = b"<info>" + b"<a>" * 100 + b"</a>" * 100 + b"</info>"
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">]><info>&a;</info>'
    text = xdf.markers([(1.0, "a")], 1, type="Gaze")
    marks = xdf.markers(xdf.marks(rec))
    wall = xdf.gaze(rec, shift_s=1.7e9)
    return {
        "empty": (b"", 3, ""),
        "no XDF": (b"RIFF" + bytes(1000), 3, "no XDF file"),
        "only magic": (b"XDF:", 3, "no gaze stream"),
        "no gaze": (head + marks, 3, "no gaze stream"),
        "no sample": (
            head + xdf.header(1, xdf.described(rec), channel_count=len(rec.channels)),
            3,
            "no sample",
        ),
        "text": (head + text, 3, "text in place of numbers"),
        "65 channels": (
            head
            + xdf.header(1, channel_count=65)
            + xdf.samples(1, [1.0], [[0.0] * 65], "f"),
            3,
            "65 channels",
        ),
        "deep XML": (head + xdf.chunk(2, wide + deep), 3, "nests"),
        "entities": (head + xdf.chunk(2, wide + bomb), 3, "declarations"),
        "no XML": (head + xdf.chunk(2, wide + b"<info>"), 3, "no XML"),
        "wall clock": (head + wall + marks, 3, "another clock"),
        "nan stamps": (
            head
            + xdf.header(1, xdf.described(rec), channel_count=len(rec.channels))
            + xdf.samples(1, [np.nan], rec.samples[:1].tolist(), "f"),
            3,
            "no finite",
        ),
        "gzip, torn": (gzip.compress(head + good)[:40], 3, ""),
        "gzip, damaged": (b"\x1f\x8b\x08" + bytes(50), 3, "unpack"),
    }


KINDS = sorted(broken(Recording.load(ROOT / "recordings" / "steady.h5")))


@pytest.mark.parametrize("kind", KINDS)
def test_bad_files(
    kind: str, rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, status, why = broken(rec)[kind]
    path, out = tmp_path / "a.xdf", tmp_path / "a.h5"
    path.write_bytes(data)
    said = refused(capsys, status, "import", "xdf", path, "-o", out, *SCREEN)
    assert why in said
    assert not out.exists()


def test_a_zip_bomb_is_refused_before_it_fills_the_memory() -> None:
    """As the child does it, whose limit grows with the file's size."""
    packed = io.BytesIO(gzip.compress(b"XDF:" + bytes(60 << 20), 1))
    assert len(packed.getvalue()) < 1 << 20
    tracemalloc.start()
    with pytest.raises(Refused, match="unpacks to more"):
        xdf_chunks.unpacked(packed, 4 << 20)
    assert tracemalloc.get_traced_memory()[1] < 16 << 20
    tracemalloc.stop()


@pytest.mark.parametrize("claim", [2**20, 2**63])
def test_samples_that_are_claimed_but_not_there(
    claim: int, rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lie = xdf.chunk(3, struct.pack("<I", 1) + struct.pack("<BQ", 8, claim) + bytes(99))
    path = xdf.whole(rec, tmp_path / "a.xdf", lie)
    found = imports(path)
    assert "1 damaged part" in capsys.readouterr().err
    assert same(found.samples, rec.samples)


def test_a_file_that_is_cut_off_keeps_what_came_before(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = xdf.markers(xdf.marks(rec))
    body = xdf.file_header() + marks + xdf.gaze(rec, block=50)
    path = tmp_path / "a.xdf"
    for cut in (1, 30, 2000):
        path.write_bytes(body[:-cut])
        found = imports(path)
        assert "cut off" in capsys.readouterr().err
        count = len(found.time)
        assert count >= len(rec.time) - 100
        # Never a half sample, nor one filled up from the sample before.
        assert same(found.samples, rec.samples[:count])
        assert same(found.time, rec.time[:count])


def test_damage_in_the_middle_costs_what_lies_up_to_the_next_mark(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: XDF 1.0, Boundary: a mark from which a reader can go on."""
    first = replace(rec, time=rec.time[:500], samples=rec.samples[:500])
    rest = xdf.samples(1, rec.time[600:].tolist(), rec.samples[600:].tolist(), "f")
    path = tmp_path / "a.xdf"
    path.write_bytes(
        xdf.file_header()
        + xdf.markers(xdf.marks(rec))
        + xdf.gaze(first)
        + bytes(range(7, 200))
        + xdf.chunk(5, xdf.BOUNDARY)
        + rest
    )
    found = imports(path)
    assert "damaged" in capsys.readouterr().err
    assert same(found.time, np.r_[rec.time[:500], rec.time[600:]])


def test_a_stream_whose_description_is_damaged_costs_only_itself(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = xdf.chunk(2, struct.pack("<I", 9) + b"<info><name>\x01</info>")
    values = xdf.samples(9, [1.0], [[1.0, 2.0]], "f")
    found = imports(xdf.whole(rec, tmp_path / "a.xdf", other, values))
    assert "description is no XML" in capsys.readouterr().err
    assert same(found.samples, rec.samples)


def test_packed_files_are_read(rec: Recording, tmp_path: Path) -> None:
    plain = xdf.whole(rec, tmp_path / "a.xdf")
    path = tmp_path / "b.xdfz"
    path.write_bytes(gzip.compress(plain.read_bytes()))
    assert same(imports(path).samples, rec.samples)


def test_one_sample_is_a_recording(rec: Recording, tmp_path: Path) -> None:
    one = replace(rec, time=rec.time[:1], samples=rec.samples[:1])
    path = tmp_path / "a.xdf"
    path.write_bytes(xdf.file_header() + xdf.gaze(one))
    assert len(imports(path).time) == 1


@pytest.mark.parametrize("form", ["int8", "int16", "int32", "double64"])
def test_numbers_of_every_kind(form: str, rec: Recording, tmp_path: Path) -> None:
    values = np.round(np.nan_to_num(rec.samples[:100]) % 100).astype(float)
    rows = xdf.samples(
        1,
        rec.time[:100].tolist(),
        [[int(v) if form != "double64" else v for v in row] for row in values.tolist()],
        xdf.CODES[form],
    )
    head = xdf.header(1, xdf.described(rec), channel_count=14, channel_format=form)
    path = tmp_path / "a.xdf"
    path.write_bytes(xdf.file_header() + head + rows)
    assert np.array_equal(imports(path).samples, values)


def test_stamps_that_are_left_out_follow_from_the_rate(
    rec: Recording, tmp_path: Path
) -> None:
    """Source: XDF 1.0, Samples: a sample may carry no stamp in a regular stream."""
    head = xdf.header(1, xdf.described(rec), channel_count=14, nominal_srate=60)
    body = b"".join(
        (struct.pack("<Bd", 8, 500.0) if k == 0 else b"\0") + struct.pack("<14f", *row)
        for k, row in enumerate(rec.samples[:200].tolist())
    )
    rows = xdf.chunk(3, struct.pack("<I", 1) + xdf.length(200) + body)
    path = tmp_path / "a.xdf"
    path.write_bytes(xdf.file_header() + head + rows)
    found = imports(path)
    assert found.time == pytest.approx(500.0 + np.arange(200) / 60)
    assert same(found.samples, rec.samples[:200])


def test_mutated_files_never_take_us_down(rec: Recording, tmp_path: Path) -> None:
    """Each file is read, or refused in one sentence."""
    short = replace(rec, time=rec.time[:60], samples=rec.samples[:60])
    body = xdf.file_header() + xdf.gaze(short) + xdf.markers([(1.0, "a"), (2.0, "b")])
    rng = np.random.default_rng(1)
    path, read = tmp_path / "a.xdf", 0
    for _ in range(8):
        data = bytearray(body)
        for place in rng.integers(4, len(data), rng.integers(1, 20)):
            data[place] = rng.integers(256)
        path.write_bytes(bytes(data))
        try:
            file = archive.load(path)
            stream = imported.gaze_stream(file)
        except CalibkitError as error:
            one_line(error, str(path))
        else:
            read += 1
            assert len(stream.time) <= 60
    assert read > 0


def test_without_the_library_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def missing(name: str, *_: Any) -> None:
        return None

    monkeypatch.setattr("importlib.util.find_spec", missing)
    path = tmp_path / "a.xdf"
    path.write_bytes(b"XDF:")
    said = refused(capsys, 4, "import", "xdf", path, "-o", tmp_path / "a.h5")
    assert "pip install calibkit[archive]" in said


def test_outputs(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = xdf.whole(rec, tmp_path / "a.xdf"), tmp_path / "a.h5"
    assert run("import", "xdf", path, "-o", out, "--json") == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["samples"], facts["targets"]) == (len(rec.time), len(rec.targets))
    before = out.read_bytes()
    refused(capsys, 2, "import", "xdf", path, "-o", out)
    refused(capsys, 2, "import", "xdf", path, "-o", tmp_path / "a.txt")
    refused(capsys, 3, "import", "xdf", tmp_path / "none.xdf", "-o", tmp_path / "c.h5")
    assert out.read_bytes() == before
    assert run("import", "xdf", path, "-o", out, "--force") == 0
    assert out.read_bytes() == before  # the same file gives the same recording
