"""A whole session steered from the operator's page, and one with rests on one screen.

Outside sources: real HTTP by Python's own client, a real window under Xvfb, xdotool's
key presses; the contract's exit statuses and files.
"""

from __future__ import annotations

import http.client
import json
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibkit.kept.recording import Recording
from calibkit.window import display

pytestmark = pytest.mark.live

if sys.platform != "linux" or not (shutil.which("Xvfb") and shutil.which("xdotool")):
    pytest.skip("needs Xvfb and xdotool", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")

Start = Callable[..., subprocess.Popen[str]]
SOURCE = "calibkit-raw:simulate-pupil-reflex-47"
SIMULATE = (
    *("simulate", "--seed", "47", "--screen-px", "800x600"),
    *("--screen-mm", "220x165"),
)


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with display.virtual_display() as number:
        monkeypatch.setenv("DISPLAY", number)
        yield number


class Operator:
    """Reads the page's state and presses its keys, as the page itself does."""

    def __init__(self, address: str, page: str = "operator0001") -> None:
        found = re.fullmatch(r"http://([\d.]+):(\d+)/([\w-]+)/", address)
        assert found is not None
        self._host, self._port, self._token = found[1], int(found[2]), found[3]
        self._page = page
        self.seen: list[Any] = []

    def _ask(
        self, method: str, path: str, body: str | None = None
    ) -> tuple[int, bytes]:
        line = http.client.HTTPConnection(self._host, self._port, timeout=5)
        line.request(method, f"/{self._token}/{path}", body, {"X-Page": self._page})
        answer = line.getresponse()
        found = answer.status, answer.read()
        line.close()
        return found

    def state(self) -> Any:
        _, text = self._ask("GET", "state")
        self.seen.append(json.loads(text))
        return self.seen[-1]

    def press(self, key: str) -> None:
        body = json.dumps({"page": self._page, "key": key})
        assert self._ask("POST", "key", body)[0] == 204

    def until(self, check: Callable[[Any], bool], limit_s: float = 60.0) -> Any:
        end_s = time.monotonic() + limit_s
        while True:
            state = self.state()
            if "screen" in state and check(state):
                return state
            assert time.monotonic() < end_s, state
            time.sleep(0.05)


def lines_until(program: subprocess.Popen[str], text: str) -> str:
    assert program.stderr is not None
    for line in program.stderr:
        if text in line:
            return line.strip()
    raise AssertionError(f"it ended without {text!r}")


@pytest.mark.usefixtures("screen")
def test_session_steered_from_the_page_and_one_key_goes_back(
    start: Start, tmp_path: Path
) -> None:
    before = start(
        "calibrate", "--person", "wren", "--headless", "--seed", "3", "--json"
    )
    first = json.loads(before.communicate(timeout=60)[0])
    start(*SIMULATE)
    program = start(
        *("calibrate", "--person", "wren", "--stream", SOURCE, "--operator", "page"),
        *("--window", "800x600", "--protocol", "quick", "--json"),
        *("--set", "check.points=[[0.63, 0.62], [0.14, 0.2]]"),
    )
    line = lines_until(program, "http://")
    operator = Operator(line.split()[-1])
    operator.until(lambda state: state["point"] == "Target 2 of 5")
    operator.press("p")
    paused = operator.until(lambda state: state["words"].startswith("Paused"))
    assert paused["target"] is None
    time.sleep(1.0)
    operator.press("space")
    operator.until(lambda state: state["gaze"] and state["target"], 60.0)
    over = operator.until(lambda state: any(k["does"] == "back" for k in state["keys"]))
    assert over["point"] == "The session is over."
    assert any("in use for wren" in line for line in over["result"])
    operator.press("b")
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    found = json.loads(out)
    assert not found["mapping"]["in_use"]
    assert "went back" in found["words"]
    text, _ = start("profiles", "list", "--json").communicate(timeout=30)
    (kept,) = json.loads(text)["persons"]
    assert kept["version"] == first["mapping"]["version"] == 1
    assert kept["versions"] == 2
    rec = Recording.load(found["recording"])
    texts = [text for _, text in rec.events]
    assert texts.index("key p") < texts.index("pause") < texts.index("key space")
    pressed = next(when for when, text in rec.events if text == "key p")
    assert rec.time[0] < pressed < rec.time[-1]  # on the stream's own clock
    assert {line for s in operator.seen for line in s.get("last", [])}


def test_rests_with_words_on_the_one_screen(
    start: Start, tmp_path: Path, screen: str
) -> None:
    from PIL import ImageGrab

    start(*SIMULATE)
    program = start(
        *("calibrate", "--person", "wren", "--stream", SOURCE, "--between"),
        *("--window", "800x600", "--protocol", "quick", "--json"),
        *("--set", "check.points=[]"),
    )
    levels = np.full((600, 800), 0.5)
    for number in (1, 2):
        lines_until(program, f"Target {number} of 3: Looked at")
        lines_until(program, "A rest after the target")
        time.sleep(0.8)
        if number == 1:
            grabbed = ImageGrab.grab(xdisplay=screen).convert("L")
            grabbed.save(tmp_path / "rest.png")
            levels = np.asarray(grabbed, float)[100:700, 240:1040] / 255.0
        subprocess.run(["xdotool", "key", "space"], check=True, timeout=10)
    out, err = program.communicate(timeout=60)
    assert program.returncode in (0, 6), err
    rec = Recording.load(json.loads(out)["recording"])
    texts = [text for _, text in rec.events]
    assert texts.count("rest") == 2
    assert texts.count("go on") == 2
    # Words stand in the lower half, dark or light on grey; no target is to be seen.
    marked = np.abs(levels - np.median(levels)) > 0.3
    assert marked[300:].mean() > 0.005
    assert marked[:250].mean() < 0.001
