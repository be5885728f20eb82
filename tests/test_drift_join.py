"""Drift beside the publisher's own loop: a virtual clock, streams only in memory."""

from __future__ import annotations

import json
import math
import threading
from collections import Counter
from collections.abc import Mapping as Values
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit import cli, fit, simulation
from calibkit.errors import DeviceError, StorageError
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import angles_to_px, px_to_angles
from calibkit.joined import wiring_markers, wiring_publish
from calibkit.joined.wiring_drift import CORRECTION, Watcher, last_correction
from calibkit.joined.wiring_markers import Event
from calibkit.joined.wiring_stop import Stop
from calibkit.kept import profile, records
from calibkit.kept.recording import Recording
from calibkit.live import drift_reference
from calibkit.live.drift_facts import NONE, Pair
from calibkit.live.drift_mapping import Recentred, one_by_one
from calibkit.live.publisher import Publisher
from calibkit.live.publisher import one_by_one as row_of
from calibkit.live.publisher_output import Notice
from calibkit.streams.lsl_found import Found

Array = NDArray[np.float64]
BESIDE = (1.2, 0.9)  # degrees right and down: 1.5 in all
TRACKER = Found(
    name="tracker",
    source_id="t-1",
    kind="Gaze",
    host="here",
    channel_count=1,
    rate=60.0,
    text=False,
    uid="u1",
)
TODAY = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def person() -> simulation.Person:
    return simulation.person(tracker="screen", seed=4)


@pytest.fixture(scope="module")
def calibration(person: simulation.Person) -> Recording:
    points = [(x, y) for x in (192, 960, 1728) for y in (108, 540, 972)]
    rec: Recording = simulation.record(person, points, seed=1, seconds_per_point=1.2)[0]
    return rec


@pytest.fixture(scope="module")
def mapping(calibration: Recording) -> Mapping:
    plain = fit(calibration)
    source = drift_reference.noted(plain.source, calibration)
    return replace(plain, source=source)


@pytest.fixture(scope="module")
def use(person: simulation.Person) -> Recording:
    """A minute of work: one look after the other, somewhere on the screen."""
    rng = np.random.default_rng(7)
    points = rng.uniform(0.2, 0.8, (40, 2)) * person.setup.screen_px
    rec: Recording = simulation.record(person, points, seed=2, seconds_per_point=1.5)[0]
    return rec


def beside(rec: Recording, row: Any, off: Pair = BESIDE) -> dict[str, Any]:
    """Where something lies from which the person's look is off by so much."""
    hv = px_to_angles(rec.setup, [row["x"], row["y"]]) - np.array(off)
    x, y = angles_to_px(rec.setup, hv)[0].tolist()
    return {"x": x, "y": y}


def selections(rec: Recording, off: Pair = BESIDE) -> list[Event]:
    return [
        (row["offset"] - 0.1, {"event": "selected", **beside(rec, row, off)})
        for row in rec.targets
    ]


@dataclass
class World:
    """A tracker that plays a recording, other programs, and a client."""

    rec: Recording
    events: list[Event]
    now_s: float = 0.0
    place: int = 0
    local: bool = True
    stop: Stop = field(default_factory=Stop)
    times: list[float] = field(default_factory=list)
    rows: list[Sequence[float]] = field(default_factory=list)
    told: list[Notice] = field(default_factory=list)
    log: list[Values[str, Any]] = field(default_factory=list)
    newer: list[tuple[float, Mapping]] = field(default_factory=list)
    channels: Any = ()

    def __post_init__(self) -> None:
        self.channels, self.now_s = self.rec.channels, float(self.rec.time[0]) - 0.1
        self.events = sorted(self.events, key=lambda event: event[0])

    def flush(self) -> None:
        """Nothing waits."""

    def next(self, wait_s: float) -> tuple[float, Sequence[float]] | None:
        """The tracker's next sample, 10 ms old."""
        if self.place == len(self.rec.time):
            self.stop.ask()
            self.now_s += wait_s
            return None
        k, self.place = self.place, self.place + 1
        self.now_s = max(self.now_s, float(self.rec.time[k]) + 0.01)
        return float(self.rec.time[k]), self.rec.samples[k].astype(float).tolist()

    def send(self, stamp_s: float, row: Sequence[float]) -> None:
        self.times.append(stamp_s)
        self.rows.append(row)

    def close(self) -> None:
        pass

    def heard(self) -> list[Event]:
        due = [event for event in self.events if event[0] <= self.now_s]
        self.events = self.events[len(due) :]
        return due

    def refresh(self) -> Mapping | None:
        if self.newer and self.newer[0][0] <= self.now_s:
            return self.newer.pop(0)[1]
        return None

    def edges(self) -> wiring_publish.Edges:
        found = replace(TRACKER, channel_count=len(self.rec.channels))
        return wiring_publish.Edges(
            found=lambda: (found,),
            connect=lambda found: self,
            outlet=lambda found: self,
            clock=lambda: self.now_s,
            sleep=lambda seconds: None,
            tell=self.told.append,
            refresh=self.refresh,
        )

    def publish(self, mapping: Mapping, *, learn: bool, offset: Pair = NONE) -> Watcher:
        edges = self.edges()
        watcher = Watcher(
            mapping,
            edges,
            self.heard,
            self.log.append,
            lambda: TODAY,
            learn=learn,
            offset=offset,
        )
        publisher, first = Publisher(watcher.mapping), edges.found()[0]
        wiring_publish.publish(publisher, first, watcher.joined(), self.stop)
        return watcher

    def ids(self) -> list[int]:
        """The mappings of the rows, in the order in which they came into use."""
        return list(dict.fromkeys(int(row[6]) for row in self.rows))

    def words(self) -> str:
        return "\n".join(f"[{n.state}] {n.text}" for n in self.told)


def off_by(world: World, mapping: Mapping, from_s: float) -> Array:
    """How far published gaze lies from the mapping's own, degrees right and down."""
    part = world.rec.time >= from_s
    plain = mapping.apply(world.rec.samples[part]).xy
    rows = np.array(world.rows)[np.array(world.times) >= from_s]
    hv = px_to_angles(world.rec.setup, plain) - px_to_angles(
        world.rec.setup, rows[:, :2]
    )
    found: Array = np.nanmedian(hv, axis=0)
    return found


def test_selections_move_the_gaze_when_learning(
    use: Recording, mapping: Mapping
) -> None:
    world = World(use, selections(use))
    world.publish(mapping, learn=True)
    assert off_by(world, mapping, use.time[-1] - 10) == pytest.approx(BESIDE, abs=0.5)
    moves = [row["change"] for row in world.log]
    assert {row["kind"] for row in world.log} == {CORRECTION}
    assert {move["kind"] for move in moves} == {"learned"}
    assert all(math.dist(m["before_deg"], m["after_deg"]) <= 1.001 for m in moves)
    # Never silently: as many told, as many logged, as many mappings in the rows.
    told = [n.text for n in world.told if "gaze is learned" in n.text]
    assert told == [move["text"] for move in moves]
    assert len(world.ids()) == 1 + len(moves) >= 2
    json.dumps(world.log)


def test_each_row_is_one_mapping_of_one_sample(
    use: Recording, mapping: Mapping
) -> None:
    """Source: the requirement that published rows equal `apply` of the same inputs."""
    world = World(use, selections(use))
    world.publish(mapping, learn=True)
    made: dict[int, Any] = {mapping.id: mapping}
    for row in world.log:
        moved = Recentred(mapping=mapping, offset=tuple(row["change"]["after_deg"]))
        made[moved.id] = moved
    assert set(world.ids()) == made.keys()
    rows = np.array(world.rows)
    np.testing.assert_array_equal(world.times, use.time)
    for number, one in made.items():
        mine = rows[:, 6] == number
        gaze = one.apply(use.samples[mine])
        there = np.isfinite(gaze.xy).all(axis=1)
        np.testing.assert_array_equal(rows[mine, 4] == 1, there)
        np.testing.assert_array_equal(rows[mine, :2][there], gaze.xy[there])
        np.testing.assert_array_equal(rows[mine, 2:4][there], gaze.sd[there])
    np.testing.assert_array_equal(rows[:, 5], np.arange(len(rows)))


def test_without_learning_selections_are_told_and_nothing_moves(
    use: Recording, mapping: Mapping
) -> None:
    world = World(use, selections(use))
    world.publish(mapping, learn=False)
    assert world.ids() == [mapping.id]
    assert Counter(row["change"]["kind"] for row in world.log) == {"disagrees": 1}
    assert "[drift] the last" in world.words()


def test_selections_that_agree_say_nothing(use: Recording, mapping: Mapping) -> None:
    world = World(use, selections(use, NONE))
    world.publish(mapping, learn=True)
    assert world.ids() == [mapping.id]
    assert world.log == []


@pytest.mark.parametrize("everything", [False, True])
def test_undoing_restores_every_bit(
    use: Recording, mapping: Mapping, everything: bool
) -> None:
    undo = {"event": "undo_correction", "everything": everything}
    last_s = float(use.time[-1])
    before_s = last_s - 20
    early = [event for event in selections(use) if event[0] < before_s]
    times = [before_s + 2] if everything else np.linspace(before_s, last_s - 5, 30)
    world = World(use, early + [(float(t), undo) for t in times])
    world.publish(mapping, learn=True)
    assert len(world.ids()) > 1
    late = np.array(world.times) > last_s - 2
    want = mapping.apply(use.samples[use.time > last_s - 2])
    got = np.array(world.rows)[late]
    assert set(got[:, 6]) == {mapping.id}
    np.testing.assert_array_equal(got[:, :2], want.xy)
    np.testing.assert_array_equal(got[:, 2:4], want.sd)
    assert world.log[-1]["change"]["after_deg"] == [0.0, 0.0]
    assert "nothing more is learned" in world.words()


def test_after_undoing_nothing_is_learned_again(
    use: Recording, mapping: Mapping
) -> None:
    half = float(use.time[len(use.time) // 2])
    undo = (half, {"event": "undo_correction", "everything": True})
    world = World(use, [*selections(use), undo])
    world.publish(mapping, learn=True)
    assert world.rows[-1][6] == mapping.id


def test_one_look_at_one_target_recentres(use: Recording, mapping: Mapping) -> None:
    row, far = use.targets[5], (2.0, -1.5)  # a single look needs clearer evidence
    mark = {"role": "recentre", **beside(use, row, far)}
    events: list[Event] = [
        (row["onset"], {"event": "target_on", **mark}),
        (row["offset"], {"event": "target_off", **mark}),
    ]
    world = World(use, events)
    world.publish(mapping, learn=False)
    assert world.ids()[0] == mapping.id
    assert len(world.ids()) == 2
    assert [r["change"]["kind"] for r in world.log] == ["re-centred"]
    moved = off_by(world, mapping, float(row["offset"]) + 2)
    assert moved == pytest.approx(far, abs=0.9)
    first = world.times[[int(r[6]) for r in world.rows].index(world.ids()[1])]
    assert first - row["offset"] < 2.5  # a chore a second, and samples that come late


def test_a_session_of_our_own_moves_nothing(use: Recording, mapping: Mapping) -> None:
    events: list[Event] = []
    for row in use.targets:
        mark = {"role": "calibration", **beside(use, row)}
        events.append((row["onset"], {"event": "target_on", **mark}))
        events.append((row["offset"], {"event": "target_off", **mark}))
    world = World(use, events)
    world.publish(mapping, learn=True)
    assert world.ids() == [mapping.id]


def test_a_new_calibration_ends_the_correction_and_says_so(
    use: Recording, mapping: Mapping, calibration: Recording
) -> None:
    newer = replace(mapping, notes=("another",))
    assert newer.id != mapping.id
    at_s = float(use.time[-1]) - 3
    early = [event for event in selections(use) if event[0] < at_s - 2]
    world = World(use, early, newer=[(at_s, newer)])
    watcher = world.publish(mapping, learn=True)
    assert world.ids()[-1] == newer.id
    assert len(world.ids()) > 2
    ended = world.log[-1]
    assert ended["change"]["kind"] == "ended"
    assert ended["mapping"] == mapping.id
    assert "correction of the one before has ended" in world.words()
    assert watcher.mapping is newer


def test_the_same_mapping_put_into_use_again_takes_the_correction_off(
    use: Recording, mapping: Mapping
) -> None:
    """`calibkit profiles rollback --to` the version in use is the terminal's undo."""
    at_s = float(use.time[-1]) - 3
    early = [event for event in selections(use) if event[0] < at_s - 2]
    world = World(use, early, newer=[(at_s, mapping)])
    world.publish(mapping, learn=True)
    assert world.ids()[0] == world.rows[-1][6] == mapping.id
    assert len(world.ids()) > 1


def test_a_mapping_for_another_tracker_is_refused_and_the_correction_stays(
    use: Recording, mapping: Mapping
) -> None:
    other = replace(mapping, channels=("left PupilX",), notes=("other",))
    at_s = float(use.time[-1]) - 3
    world = World(use, selections(use), newer=[(at_s, other)])
    watcher = world.publish(mapping, learn=True)
    assert "refused" in world.words()
    assert isinstance(watcher.mapping, Recentred)
    assert watcher.mapping.mapping is mapping


@pytest.mark.parametrize(
    "event",
    [
        {"event": "selected", "x": 10**400, "y": 1},
        {"event": "selected", "x": 1e308, "y": -1e308},
        {"event": "selected", "x": "a", "y": {}},
        {"event": "target_off", "role": ["recentre"], "x": 1, "y": 1},
        {"event": "undo_correction", "everything": "yes"},
        {"event": None},
        {},
    ],
)
@pytest.mark.parametrize("stamp", [math.nan, -1e12, 1e12, 5.0])
def test_odd_markers_neither_move_nor_stop_the_gaze(
    use: Recording, mapping: Mapping, event: dict[str, Any], stamp: float
) -> None:
    short = use.time < use.time[0] + 4
    part = replace(use, time=use.time[short], samples=use.samples[short])
    world = World(part, [])
    world.events = [(stamp, event)] * 50
    world.heard = lambda: world.events.copy()  # type: ignore[method-assign]
    world.publish(mapping, learn=True)
    assert len(world.rows) == short.sum()
    assert world.ids() == [mapping.id]
    assert "cannot be watched" not in world.words()


def test_a_fault_of_the_watcher_never_stops_the_gaze(
    use: Recording, mapping: Mapping
) -> None:
    def broken() -> list[Event]:
        raise RuntimeError("no ears")

    world = World(use, [])
    world.heard = broken  # type: ignore[method-assign]
    world.publish(mapping, learn=True)
    assert len(world.rows) == len(use.time)
    assert world.words().count("cannot be watched (RuntimeError: no ears)") == 1


def test_a_damaged_reference_costs_only_the_signs(
    use: Recording, mapping: Mapping
) -> None:
    damaged = replace(mapping, source={**mapping.source, "reference": "["})
    world = World(use, [])
    world.publish(damaged, learn=False)
    assert len(world.rows) == len(use.time)
    assert "are damaged" in world.words()


def test_a_head_that_moved_is_told(use: Recording, mapping: Mapping) -> None:
    depth = [k for k, c in enumerate(use.channels) if c.type == "PositionZ"]
    samples = np.array(use.samples)
    samples[:, depth] += 150.0
    world = World(replace(use, samples=samples), [])
    world.publish(mapping, learn=True)
    assert "cm from where it was calibrated (distance)" in world.words()
    assert world.ids() == [mapping.id]


# What lasts beyond a publisher's end.


def row_in_history(after: Any, made: datetime, number: int = 7) -> dict[str, Any]:
    change = {"kind": "learned", "after_deg": after}
    when = made.isoformat(timespec="seconds")
    return {"kind": CORRECTION, "created": when, "mapping": number, "change": change}


GOOD = row_in_history([0.5, -0.25], TODAY - timedelta(minutes=5))
LONG_AGO = TODAY - timedelta(days=9)


@pytest.mark.parametrize(
    ("history", "want"),
    [
        ([GOOD], (0.5, -0.25)),
        ([GOOD, {"kind": "validation"}], (0.5, -0.25)),
        ([], NONE),
        ([GOOD, {**GOOD, "mapping": 8}], NONE),
        ([GOOD, row_in_history([0.0, 0.0], TODAY)], NONE),
        ([row_in_history([0.5, 0.5], TODAY - timedelta(minutes=61))], NONE),
        ([row_in_history([0.5, 0.5], TODAY + timedelta(minutes=1))], NONE),
        ([row_in_history([6.0, 0.5], TODAY)], NONE),
        ([row_in_history([math.nan, 0.5], TODAY)], NONE),
        ([row_in_history([None, 0.5], TODAY)], NONE),
        ([row_in_history("ab", TODAY)], NONE),
        ([{"kind": CORRECTION}], NONE),
        ([{**GOOD, "created": "yesterday"}], NONE),
        ([{**GOOD, "created": "2026-03-01T11:59:00"}], NONE),
        ([{**GOOD, "change": []}], NONE),
    ],
)
def test_a_correction_outlasts_a_restart_only_when_it_is_sound(
    history: list[dict[str, Any]], want: Pair
) -> None:
    assert last_correction(history, 7, TODAY, LONG_AGO) == want


def test_what_was_put_into_use_later_ends_a_correction() -> None:
    assert last_correction([GOOD], 7, TODAY, TODAY - timedelta(minutes=1)) == NONE


def test_a_correction_that_lasts_is_in_the_first_row_and_can_be_undone(
    use: Recording, mapping: Mapping
) -> None:
    undo = (float(use.time[0]) + 5, {"event": "undo_correction"})
    world = World(use, [undo])
    world.publish(mapping, learn=False, offset=(0.5, -0.25))
    moved = Recentred(mapping=mapping, offset=(0.5, -0.25))
    assert world.ids() == [moved.id, mapping.id]


# One sample at a time.


@pytest.mark.parametrize("offset", [(0.5, -0.25), (-2.1, 2.1), (1e-12, 0.0)])
def test_a_corrected_row_equals_the_applied_one(
    use: Recording, mapping: Mapping, offset: Pair
) -> None:
    moved = Recentred(mapping=mapping, offset=offset)
    one = row_of(moved)
    want = moved.apply(use.samples)
    got = np.array([one(sample) for sample in use.samples.astype(float).tolist()])
    np.testing.assert_array_equal(got[:, :2], want.xy)
    np.testing.assert_array_equal(got[:, 2:], want.sd)


def test_odd_gaze_is_turned_alike() -> None:
    """Far beside the screen and missing, in arrays and one by one."""
    values = np.array([-1e9, -4e4, 0.0, 960.0, 3e4, 1e12, math.nan, math.inf])
    person = simulation.person(tracker="screen", seed=4)

    @dataclass
    class Gaze:
        xy: Array
        sd: Array

    class Straight:
        id, channels, setup = 3, ("x", "y"), person.setup

        def apply(self, samples: Any) -> Gaze:
            return Gaze(samples, np.full_like(samples, 20.0))

    moved = Recentred(mapping=Straight(), offset=(1.0, -2.0))
    samples = np.column_stack([values, values[::-1]])
    want = moved.apply(samples)
    one = one_by_one(moved, lambda sample: (sample[0], sample[1], 20.0, 20.0))
    got = np.array([one(sample) for sample in samples.tolist()])
    np.testing.assert_array_equal(got, np.column_stack([want.xy, want.sd]))


# Threads: nobody waits for streams or disks.


def wait_for(ready: Any, limit_s: float = 5.0) -> None:
    """Give threads time; a wait with a limit, on events of the threads themselves."""
    pause = threading.Event()
    for _ in range(int(limit_s / 0.01)):
        if ready():
            return
        pause.wait(0.01)
    pytest.fail("the thread did nothing")


class Markers:
    """A marker stream in memory."""

    def __init__(self, events: list[Event]) -> None:
        self.events, self.closed = events, False

    def pull(self) -> list[Event]:
        got, self.events = self.events, []
        return got

    def close(self) -> None:
        self.closed = True


def markers(host: str = "here", uid: str = "m") -> Found:
    return replace(TRACKER, kind="Markers", host=host, uid=uid, text=True)


def test_only_streams_of_this_machine_are_listened_to() -> None:
    now = [0.0]
    calls = []

    def find() -> list[Found]:
        calls.append(now[0])
        return [markers(), markers("elsewhere", "n"), replace(TRACKER, uid="g")]

    found = wiring_markers.on_this_machine(find, "here", lambda: now[0])
    assert [f.uid for f in found()] == ["m"]
    for k in range(10_000):
        now[0] = k * 0.1
        found()
    # Looking costs, and every stream answers: often at first, seldom later.
    assert np.diff(calls[:15]) == pytest.approx(2.0, abs=0.11)
    assert np.diff(calls[15:]) == pytest.approx(10.0, abs=0.11)


def test_listening_hears_and_survives_faults() -> None:
    said: list[str] = []
    faults = [RuntimeError("no network"), RuntimeError("no network")]
    stream = Markers([(1.0, {"event": "selected"})])

    def found() -> list[Found]:
        return [markers()]

    def connect(found: Found) -> Markers:
        return stream

    listening = wiring_markers.Listening(found, connect, lambda: 0.0, said.append)
    heard: list[Event] = []

    def ready() -> bool:
        heard.extend(listening.heard())
        return bool(heard)

    wait_for(ready)
    assert heard == [(1.0, {"event": "selected"})]
    listening.close()
    assert stream.closed

    def broken() -> list[Found]:
        raise faults[0]

    listening = wiring_markers.Listening(broken, connect, lambda: 0.0, said.append)
    wait_for(lambda: said)
    listening.close(3.0)
    assert said == ["calibkit: markers cannot be heard (no network); going on"]


def test_a_flood_of_markers_stays_small() -> None:
    class Flood(Markers):
        def pull(self) -> list[Event]:
            return [(0.0, {"event": "selected"})] * 256

    listening = wiring_markers.Listening(
        lambda: [markers()], lambda found: Flood([]), lambda: 0.0, lambda text: None
    )
    wait_for(lambda: len(listening._events) == wiring_markers.MOST_EVENTS)
    listening.close()
    assert len(listening.heard()) <= wiring_markers.MOST_EVENTS


def test_a_disk_that_takes_nothing_makes_nobody_wait() -> None:
    stuck, said = threading.Event(), list[str]()
    log = wiring_markers.Log(lambda row: stuck.wait(10), said.append)
    for k in range(wiring_markers.MOST_ROWS + 5):
        log.write({"k": k})
    assert "not logged" in said[0]
    log.close(0.01)
    stuck.set()


def test_a_full_disk_is_told() -> None:
    said: list[str] = []

    def full(row: Values[str, Any]) -> None:
        raise StorageError("the disk is full; free some space")

    log = wiring_markers.Log(full, said.append)
    log.write({})
    log.close(5.0)
    assert said == [
        "calibkit: a correction is not logged: the disk is full; free some space"
    ]


def test_a_marker_stream_that_dies_is_left() -> None:
    class Dead(Markers):
        def pull(self) -> list[Event]:
            raise DeviceError("lost")

    stream = Dead([])
    listening = wiring_markers.Listening(
        lambda: [markers()], lambda found: stream, lambda: 0.0, lambda text: None
    )
    wait_for(lambda: stream.closed)
    listening.close()


# What a calibration leaves for later.


def test_a_calibration_keeps_the_levels_of_its_signal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = str(tmp_path / "home")
    flags = ["--person", "p", "--headless", "--seed", "3", "--home", home, "--json"]
    assert cli.main(["calibrate", *flags]) == 0
    stored = dict(profile.current(Path(home), "p").mapping)
    levels = drift_reference.of(Mapping.from_snapshot(stored).source)
    assert levels is not None
    assert {"noise left", "loss left"} <= levels.levels.keys()
    assert len(json.dumps(stored)) < 64 * 1024  # Source: the snapshot's limit
    recording = records.recordings(Path(home), "p")[0]
    out = tmp_path / "mapping.h5"
    assert cli.main(["fit", str(recording), "-o", str(out)]) == 0
    again = drift_reference.of(Mapping.load(out).source)
    assert again is not None
    assert again.levels.keys() == levels.levels.keys()
    capsys.readouterr()
