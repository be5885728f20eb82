"""`calibkit streams --check` on real outlets that are bad in known, seeded ways."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit.streams import lsl, rules

pytestmark = pytest.mark.live

Array = NDArray[np.float64]
Row = tuple[str, str, str, str]
Send = Callable[[int, float], tuple[float, Array] | None]
SETUP = {"screen_px": "1920 1080", "screen_mm": "527 296", "distance_mm": "600"}
PAIR: tuple[Row, ...] = (
    ("x", "both", "ScreenX", "normalized"),
    ("y", "both", "ScreenY", "normalized"),
)
EYES = tuple(
    (f"{eye} {axis}", eye, f"Screen{axis}", "pixels")
    for eye in ("left", "right")
    for axis in "XY"
)


class Bad:
    """An outlet with a description and a way of sending."""

    def __init__(
        self,
        name: str,
        rows: tuple[Row, ...],
        send: Send,
        *,
        breaks: set[str] = frozenset(),  # type: ignore[assignment]
        rate: float = 0.0,
        form: str = "double64",
        count: int = 0,
        setup: bool = True,
        source_id: str | None = "as the name",
    ) -> None:
        pylsl = lsl._pylsl()
        self.name, self.breaks = name, breaks
        given = name if source_id == "as the name" else source_id
        info = pylsl.StreamInfo(name, "Gaze", count or len(rows), rate, form, given)
        block = info.desc().append_child("channels")
        for row in rows:
            node = block.append_child("channel")
            for word, text in zip(("label", "eye", "type", "unit"), row, strict=True):
                node.append_child_value(word, text)
        if setup:
            node = info.desc().append_child("setup")
            for word, text in SETUP.items():
                node.append_child_value(word, text)
        self.outlet = pylsl.StreamOutlet(info)
        self.send, self.sent = send, 0

    def step(self, now_s: float) -> None:
        """Send what is due at 50 Hz."""
        made = self.send(self.sent, now_s)
        self.sent += 1
        if made is not None:
            stamp_s, values = made
            self.outlet.push_sample(values.tolist(), stamp_s)


def gaze(rng: np.random.Generator, k: int, width: int = 2) -> Array:
    """A look a second somewhere, with noise; normalized."""
    place = np.random.default_rng(k // 50).uniform(0.2, 0.8, width)
    values: Array = place + rng.normal(0, 0.004, width)
    return values


def good(k: int, now_s: float) -> tuple[float, Array]:
    return START_S + 0.02 * k, gaze(RNG, k)


def day(k: int, now_s: float) -> tuple[float, Array]:
    return time.time(), gaze(RNG, k) * 1000  # pixels, called normalized


def slow(k: int, now_s: float) -> tuple[float, Array]:
    lag_s = 0.15 + 0.02 * (now_s - START_S)
    return now_s - lag_s, gaze(RNG, k) - 0.5  # from the middle


def order(k: int, now_s: float) -> tuple[float, Array]:
    back_s = 0.03 if k % 10 == 3 else 0.0
    return now_s - back_s, gaze(RNG, k)


def gaps(k: int, now_s: float) -> tuple[float, Array] | None:
    if 100 <= k % 150 < 140 or k % 10 == 0:
        return None
    return now_s, np.where(k % 20 == 5, -9999.0, gaze(RNG, k, 4) * 1000)


def still(k: int, now_s: float) -> tuple[float, Array]:
    held = gaze(np.random.default_rng(k // 2), k) * 1000
    eyes = held if k % 8 > 3 else np.full(2, np.nan if k % 8 < 2 else 0.0)
    return now_s, np.array([*eyes, *eyes, 1.7e9 + now_s, 2.0, 7.0])


def ahead(k: int, now_s: float) -> tuple[float, Array]:
    right = [*(2 * gaze(RNG, k, 3)), *gaze(RNG, k, 2)]
    return now_s + 0.08, np.array([300.0, 400.0, *right])


def odd(k: int, now_s: float) -> tuple[float, Array]:
    return START_S + 0.04 * (k // 2), np.round(gaze(RNG, k) * 30, -1)


def uneven(k: int, now_s: float) -> tuple[float, Array]:
    return START_S + 0.02 * k + RNG.uniform(-0.018, 0.0), gaze(RNG, k)


def nothing(k: int, now_s: float) -> None:
    return None


STILL: tuple[Row, ...] = (
    *EYES,
    ("clock", "both", "FrameNumber", ""),
    ("sure", "both", "Confidence", ""),
    ("sure", "both", "Diameter", "mm"),
)
AHEAD: tuple[Row, ...] = (
    ("a", "left", "ScreenX", ""),
    ("b", "left", "ScreenY", ""),
    *((f"d{axis}", "right", f"Direction{axis}", "") for axis in "XYZ"),
    ("c", "right", "PupilX", ""),
    ("d", "", "Lid", ""),
)
CM = tuple((label, eye, kind, "cm") for label, eye, kind, _ in PAIR)
RNG = np.random.default_rng(2026)
START_S = 0.0
# What a machine that is too busy to send every 20 ms adds by itself.
LOAD = {"late", "gap", "frames-absent", "rate-wrong", "arrive-in-chunks"}


def outlets() -> list[Bad]:
    """The bad outlets, and a good one, with the rules that each breaks."""
    return [
        Bad("good", PAIR, good, rate=50),
        Bad(
            "day",
            PAIR,
            day,
            setup=False,
            breaks={"clock-other", "unit-mismatch", "setup-absent", "outside"},
        ),
        Bad("slow", PAIR, slow, breaks={"clock-drift", "late", "origin-centre"}),
        Bad(
            "order",
            PAIR[:1],
            order,
            count=2,
            breaks={
                *("stamps-backward", "no-eye-complete", "half-pair"),
                "channels-listed",
            },
        ),
        Bad(
            "gaps",
            EYES,
            gaps,
            rate=50,
            breaks={
                *("gap", "frames-absent", "rate-wrong", "sentinel-undeclared"),
                "outside",
            },
        ),
        Bad(
            "twin",
            STILL,
            still,
            form="float32",
            source_id="still",
            breaks={
                *("eye-frozen", "eyes-identical", "zeros", "eye-lost", "name-shared"),
                *("confidence-range", "channel-constant", "labels-shared"),
                "float32-epoch",
            },
        ),
        Bad(
            "twin",
            AHEAD,
            ahead,
            source_id="ahead",
            breaks={
                *("stamps-ahead", "eye-constant", "unit-absent", "direction-length"),
                *("half-pair", "type-unread", "eye-absent", "name-shared"),
            },
        ),
        Bad(
            "odd",
            CM,
            odd,
            source_id="",
            breaks={"source-id-absent", "unit-unknown", "coarse", "stamps-repeated"},
        ),
        Bad(
            "uneven",
            PAIR,
            uneven,
            rate=50,
            source_id=None,
            breaks={"source-id-made-up", "stamps-uneven"},
        ),
        Bad("bare", (), good, count=2, breaks={"channels-unnamed"}),
        *(
            Bad("double", PAIR, nothing, breaks={"silent", "source-id-shared"})
            for _ in range(2)
        ),
        Batches(),
    ]


class Batches(Bad):
    """Sends ten samples at once, stamped when the batch came."""

    def __init__(self) -> None:
        super().__init__(
            "batches", PAIR, good, breaks={"stamps-bunched", "arrive-in-chunks"}
        )
        self.rows: list[Array] = []

    def step(self, now_s: float) -> None:
        self.sent += 1
        self.rows.append(gaze(RNG, self.sent))
        if len(self.rows) == 10:
            stamps = [now_s - 1e-6 * k for k in range(9, -1, -1)]
            self.outlet.push_chunk(np.array(self.rows), stamps)
            self.rows.clear()


class Sender(threading.Thread):
    """Sends on all outlets at 50 Hz, and knows when this machine could not."""

    def __init__(self, bad: list[Bad]) -> None:
        super().__init__(daemon=True)
        self.bad, self.end, self.worst_s = bad, threading.Event(), 0.0

    def run(self) -> None:
        global START_S
        START_S = due_s = lsl.clock()
        while not self.end.is_set():
            for outlet in self.bad:
                outlet.step(lsl.clock())
            due_s += 0.02
            self.worst_s = max(self.worst_s, lsl.clock() - due_s)
            self.end.wait(max(due_s - lsl.clock(), 0.0))


@pytest.fixture(scope="module")
def sender(network: Path) -> Iterator[Sender]:
    pylsl = lsl._pylsl()
    strange = [
        pylsl.StreamInfo("text", "Gaze", 1, 0, "string", "text"),
        pylsl.StreamInfo("wide", "Gaze", 65, 0, "float32", "wide"),
    ]
    keep = [pylsl.StreamOutlet(info) for info in strange]
    sender = Sender(outlets())
    sender.start()
    yield sender
    sender.end.set()
    sender.join(5)
    keep.clear()


@pytest.fixture(scope="module")
def answer(sender: Sender, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    home = tmp_path_factory.mktemp("home")
    command = [sys.executable, "-m", "calibkit", "streams", "--check", "--json"]
    done = subprocess.run(
        [*command, "--for", "6", "--wait", "4", "--home", str(home)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return json.loads(done.stdout)


def ids(rows: Sequence[dict[str, Any]]) -> set[str]:
    return {finding["id"] for row in rows for finding in row["check"]}


def test_each_bad_outlet_is_told_what_it_does_wrong(
    answer: dict[str, Any], sender: Sender
) -> None:
    broken = {}
    excused = LOAD if sender.worst_s > 0.04 else set()
    for one in sender.bad:
        given = one.outlet.get_info().source_id()
        rows = [
            row
            for row in answer["streams"]
            if (row["name"], row["source_id"]) == (one.name, given)
        ]
        assert rows, one.name
        beside = ids(rows) - one.breaks - excused
        if beside or one.breaks - ids(rows):
            broken[one.name] = (one.breaks - ids(rows), beside)
    assert broken == {}, "(not told, told beside)"


def test_what_cannot_be_opened_is_told_too(answer: dict[str, Any]) -> None:
    rows = {row["source_id"]: ids([row]) for row in answer["unusable"]}
    assert rows == {"text": {"text-format"}, "wide": {"too-many-channels"}}


def test_every_rule_is_broken_by_an_outlet(answer: dict[str, Any]) -> None:
    # The clocks' difference is 0 on one computer; its rule is tested on arrays.
    told = ids([*answer["streams"], *answer["unusable"]])
    assert told == rules.RULES.keys() - {"correction-unsteady"}


def test_figures_are_measured(answer: dict[str, Any]) -> None:
    figures = {
        (row["name"], f["id"]): f["value"]
        for row in answer["streams"]
        for f in row["check"]
    }
    assert figures["day", "clock-other"] == pytest.approx(
        lsl.clock() - time.time(), abs=5
    )
    assert figures["slow", "clock-drift"] == pytest.approx(0.02, abs=0.004)
    assert figures["slow", "late"] > 0.15
    assert figures["order", "stamps-backward"] == pytest.approx(0.1, abs=0.03)
    assert figures["odd", "stamps-repeated"] == pytest.approx(0.5, abs=0.03)
    assert figures["gaps", "gap"] == pytest.approx(0.82, abs=0.1)
    assert figures["twin", "float32-epoch"] == 128.0  # source: IEEE 754, 24 bits
    assert figures["twin", "eyes-identical"] == 1.0
