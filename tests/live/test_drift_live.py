"""Another program's selections move published gaze: real streams, real processes."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from waiting import until

from calibkit.fitted.mapping import Mapping
from calibkit.geometry import angles_to_px, px_to_angles
from calibkit.kept import profile, records
from calibkit.live.drift_mapping import Recentred
from calibkit.streams import lsl, lsl_live

pytestmark = [
    pytest.mark.live,
    pytest.mark.skipif(os.name != "posix", reason="POSIX signals"),
]

Array = NDArray[np.float64]
Program = subprocess.Popen[str]
Start = Callable[..., Program]
SOURCE, WHO = "calibkit-raw:simulate-screen-4", "p-drift"
FAR = (1.2, 0.9)  # degrees: 1.5 in all


def find(source_id: str, kind: str = "Gaze") -> Any:
    ours = source_id.startswith("calibkit:")
    return until(lambda: lsl.find(kind, source_id, 0.5, calibrated=ours))[0]


@dataclass
class Client:
    """A program that lets the person select: it reads gaze and tells selections."""

    gaze: lsl.GazeInlet
    raw: lsl.GazeInlet
    markers: lsl.MarkerOutlet
    rows: list[Array] = field(default_factory=list)
    stamps: list[Array] = field(default_factory=list)
    raws: list[Array] = field(default_factory=list)
    raw_stamps: list[Array] = field(default_factory=list)

    def read(self, for_s: float) -> None:
        end_s = lsl.clock() + for_s
        while lsl.clock() < end_s:
            got, sent = self.gaze.pull(0.02), self.raw.pull()
            self.rows.append(got.samples.reshape(-1, 7))
            self.stamps.append(got.time_raw)
            self.raws.append(sent.samples.reshape(-1, len(self.raw.channels)))
            self.raw_stamps.append(sent.time_raw)

    def look_and_select(self, mapping: Mapping, x: float, y: float) -> None:
        """Let the person look, and select what lies beside the look."""
        mark = {"id": 1, "role": "validation", "x": x, "y": y}
        self.markers.push({"event": "target_on", **mark}, lsl.clock())
        self.read(0.8)
        hv = px_to_angles(mapping.setup, [x, y]) - np.array(FAR)
        there = angles_to_px(mapping.setup, hv)[0].tolist()
        event = {"event": "selected", "x": there[0], "y": there[1]}
        self.markers.push(event, lsl.clock())
        self.markers.push({"event": "target_off", **mark}, lsl.clock())

    def pairs(self) -> tuple[Array, Array]:
        """All published rows, and the raw samples that they came from."""
        stamps, rows = np.concatenate(self.stamps), np.concatenate(self.rows)
        raws = np.concatenate(self.raws)
        common = np.intersect1d(
            stamps, np.concatenate(self.raw_stamps), return_indices=True
        )
        return rows[common[1]], raws[common[2]]


@pytest.fixture
def home(start: Start, tmp_path: Path) -> Path:
    """A calibrated person, with the set-up that `simulate` announces."""
    program = start(
        *("calibrate", "--person", WHO, "--headless", "--seed", "4"),
        *("--tracker", "screen", "--json"),
    )
    text = program.communicate(timeout=60)
    assert program.returncode == 0, text
    return tmp_path / "home"


@pytest.fixture
def client(start: Start, home: Path) -> Iterator[Client]:
    start("simulate", "--seed", "4", "--tracker", "screen")
    markers = lsl.MarkerOutlet("keys", "keys-of-a-test")
    raw = lsl.GazeInlet(find(SOURCE))
    made = Client(gaze=raw, raw=raw, markers=markers)
    yield made
    made.gaze.close()
    markers.close()


def told(program: Program) -> list[str]:
    """Collect what the publisher says, as it says it."""
    lines: list[str] = []

    def work() -> None:
        assert program.stdout is not None
        for line in program.stdout:
            lines.append(json.loads(line)["text"])

    threading.Thread(target=work, daemon=True).start()
    return lines


def published(start: Start, client: Client, *flags: str) -> tuple[Program, list[str]]:
    program = start("publish", "--person", WHO, "--stream", SOURCE, "--json", *flags)
    lines = told(program)
    if client.gaze is not client.raw:
        client.gaze.close()
    client.gaze = lsl_live.LiveInlet(find(f"calibkit:{SOURCE}"))
    until(lambda: client.markers.wait_for_consumers(0.1))
    client.read(2.2)  # the publisher looks for marker streams every two seconds
    return program, lines


def mapping_of(home: Path) -> Mapping:
    return Mapping.from_snapshot(dict(profile.current(home, WHO).mapping))


def select(client: Client, mapping: Mapping, count: int, enough: Any) -> None:
    wide, high = mapping.setup.screen_px
    rng = np.random.default_rng(5)
    for x, y in rng.uniform(0.3, 0.7, (count, 2)) * (wide, high):
        client.look_and_select(mapping, float(x), float(y))
        if enough():
            break


def test_learned_told_logged_undone(start: Start, home: Path, client: Client) -> None:
    mapping = mapping_of(home)
    program, lines = published(start, client, "--learn")

    def learned() -> list[str]:
        return [text for text in lines if "gaze is learned" in text]

    select(client, mapping, 25, learned)
    client.read(1.5)
    changes = [
        row["change"]
        for row in records.history(home, WHO)
        if row["kind"] == "correction"
    ]
    assert [change["text"] for change in changes] == learned()
    moved = Recentred(mapping=mapping, offset=tuple(changes[-1]["after_deg"]))
    # Evidence first, then a step of at most a degree, the right way.
    assert 0.3 <= math.hypot(*moved.offset) <= 1.001 * len(changes)
    assert moved.offset == pytest.approx(FAR, abs=0.9)
    assert np.dot(moved.offset, FAR) > 0.8 * math.hypot(*moved.offset) * math.hypot(
        *FAR
    )

    client.markers.push({"event": "undo_correction", "everything": True}, lsl.clock())
    until(lambda: any("nothing more is learned" in text for text in lines))
    client.read(1.5)
    made = {mapping.id: mapping}
    for change in changes:
        one: Any = Recentred(mapping=mapping, offset=tuple(change["after_deg"]))
        made[one.id] = one
    rows, raws = client.pairs()
    assert set(rows[:, 6]) == set(made)
    assert rows[-1, 6] == mapping.id
    # Source: published rows equal one mapping applied to one input sample.
    for number, one in made.items():
        mine = rows[:, 6] == number
        gaze = one.apply(raws[mine])
        np.testing.assert_array_equal(rows[mine, :2], gaze.xy)
        np.testing.assert_array_equal(rows[mine, 2:4], gaze.sd)
    program.send_signal(signal.SIGTERM)
    assert program.wait(10) == 0
    assert records.history(home, WHO)[-1]["change"]["after_deg"] == [0.0, 0.0]


def test_a_correction_outlasts_the_publisher_and_rollback_ends_it(
    start: Start, home: Path, client: Client
) -> None:
    mapping = mapping_of(home)
    time.sleep(1.1)  # the history's stamps tell whole seconds
    program, lines = published(start, client)
    mark = {"role": "recentre", "id": 9}
    x, y = (float(v) / 2 for v in mapping.setup.screen_px)
    client.markers.push({"event": "target_on", **mark, "x": x, "y": y}, lsl.clock())
    client.read(1.5)
    hv = px_to_angles(mapping.setup, [x, y]) - np.array([2.0, -1.5])
    x, y = angles_to_px(mapping.setup, hv)[0].tolist()
    client.markers.push({"event": "target_off", **mark, "x": x, "y": y}, lsl.clock())
    until(lambda: any("gaze is re-centred" in text for text in lines))
    client.read(1.5)
    number = client.pairs()[0][-1, 6]
    assert number != mapping.id
    program.send_signal(signal.SIGTERM)
    assert program.wait(10) == 0

    program, lines = published(start, client)
    assert any("as it was when the publisher ended" in text for text in lines)
    assert client.pairs()[0][-1, 6] == number
    version = profile.current(home, WHO).version.number
    back = start("profiles", "rollback", WHO, "--to", str(version))
    assert back.wait(20) == 0, back.communicate()
    until(lambda: any("correction of the one before has ended" in t for t in lines))
    client.read(1.5)
    assert client.pairs()[0][-1, 6] == mapping.id
    program.send_signal(signal.SIGTERM)
    assert program.wait(10) == 0


def test_without_learning_it_only_tells(
    start: Start, home: Path, client: Client
) -> None:
    mapping = mapping_of(home)
    program, lines = published(start, client)
    select(client, mapping, 25, lambda: any("selections say" in t for t in lines))
    client.read(1.2)
    rows, raws = client.pairs()
    assert set(rows[:, 6]) == {mapping.id}
    np.testing.assert_array_equal(rows[:, :2], mapping.apply(raws).xy)
    program.send_signal(signal.SIGTERM)
    assert program.wait(10) == 0
