"""A real window on a display of its own, real key presses, and the pixels themselves.

Outside sources: the pixels of the window's own buffer; xdotool, which presses keys as
a keyboard would (under X a held key repeats after 0.66 s); the length of one degree at
600 mm, 2 x 600 x tan(0.5 degrees) = 10.472 mm.
"""

from __future__ import annotations

import json
import shutil
import signal
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
SOURCE = "calibkit-raw:simulate-pupil-reflex-41"
SIMULATE = (
    *("simulate", "--seed", "41", "--screen-px", "1000x700"),
    *("--screen-mm", "274x192"),
)


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with display.virtual_display() as number:
        monkeypatch.setenv("DISPLAY", number)
        yield number


def xdotool(*arguments: str) -> None:
    subprocess.run(["xdotool", *arguments], check=True, timeout=10)


def window_is_open() -> bool:
    found = subprocess.run(
        ["xdotool", "search", "--name", "calibkit"], capture_output=True, check=False
    )
    return bool(found.stdout.strip())


def wait_for(check: Callable[[], bool], limit_s: float = 40.0) -> None:
    end_s = time.monotonic() + limit_s
    while not check():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def grey_levels(path: Path) -> np.ndarray:
    from PIL import Image

    with Image.open(path) as picture:
        return np.asarray(picture.convert("L"), float) / 255.0


PRESENT = """
import json, sys, time
from pathlib import Path
from calibkit.session import session_words as words
from calibkit.geometry import Setup
from calibkit.window.screen import Screen
setup = Setup(screen_px=(1000, 700), screen_mm=(300, 210), distance_mm=600,
              background=({level},) * 3)
screen = Screen(setup, time.monotonic, full=False, pictures=Path(sys.argv[1]))
show = words.Show(id=3, x=250.0, y=200.0, size_deg=1.0, start_deg=2.0, draw_in_s=0.4)
seen = list(screen.step([show]))
print("open", flush=True)
end = time.monotonic() + float(sys.argv[2])
while time.monotonic() < end:
    seen += screen.step([])
screen.close()
keys = [(e.time_s, e.name) for e in seen if isinstance(e, words.Key)]
shown = [e.time_s for e in seen if isinstance(e, words.Shown)]
closed = any(isinstance(e, words.WindowClosed) for e in seen)
print(json.dumps(dict(keys=keys, shown=len(shown), closed=closed)))
"""


@pytest.mark.usefixtures("screen")
@pytest.mark.parametrize("level", [0.5, 0.05, 0.95])
def test_the_target_is_on_the_screen_where_and_as_large_as_it_should(
    start: Start, tmp_path: Path, level: float
) -> None:
    program = start(tmp_path, "1.5", code=PRESENT.replace("{level}", str(level)))
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    assert json.loads(out.splitlines()[-1])["shown"] > 20
    levels = grey_levels(tmp_path / "target-03.png")
    assert levels.shape == (700, 1000)
    # A blank window fails here: the target's pixels must differ from the background.
    marked = np.abs(levels - level) > 0.2
    assert marked.any()
    assert np.median(levels) == pytest.approx(level, abs=0.02)
    rows, columns = np.nonzero(marked)
    middle = ((columns.min() + columns.max()) / 2, (rows.min() + rows.max()) / 2)
    assert middle == pytest.approx((250, 200), abs=1.5)
    # One degree is 10.472 mm straight ahead, 34.9 px here, and 4 % more off-centre.
    # The arms cut the disc's ends: what is inked spans its diagonals, then its width.
    assert 0.85 * 35 < columns.max() - columns.min() < 1.15 * 36.5


@pytest.mark.usefixtures("screen")
@pytest.mark.parametrize("form", ["bullseye", "ring", "diamond", "square"])
def test_each_form_and_a_picture_are_drawn_in_greys_where_they_should(
    start: Start, tmp_path: Path, form: str
) -> None:
    """The whole way from a protocol's file to pixels, `ring` with a picture on top."""
    from PIL import Image

    more = ""
    if form == "ring":
        Image.new("RGB", (60, 30), (150, 120, 120)).save(tmp_path / "a.png")
        Image.new("RGB", (60, 30), (120, 140, 120)).save(tmp_path / "b.png")
        more = 'pictures = ["a.png", "b.png"]\n'
    protocol = tmp_path / "mine.toml"
    protocol.write_text(
        '[protocol]\nversion = 1\nname = "mine"\n[check]\npoints = []\n'
        "[pace]\ncue = true\nhold_s = 0.3\n"
        "[targets]\npoints = [[0.5, 0.5], [0.1, 0.2], [0.9, 0.2]]\n"
        f'size_deg = 3.0\nstart_deg = 4.0\nform = "{form}"\n{more}'
    )
    start(*SIMULATE)
    pictures = tmp_path / "pictures"
    more_flags = ("--pictures", str(pictures), "--no-check")
    program = calibrate(start, "--protocol", str(protocol), *more_flags)
    out, err = program.communicate(timeout=60)
    assert program.returncode in (0, 6), err
    places = [
        (r["x"], r["y"]) for r in Recording.load(json.loads(out)["recording"]).targets
    ]
    for number in (1, 2, 3):
        with Image.open(pictures / f"target-{number:02d}.png") as opened:
            colours = np.asarray(opened.convert("RGB"), float)
        marked = np.abs(colours - 127.5).max(axis=2) > 6
        rows, columns = np.nonzero(marked)
        middle = ((columns.min() + columns.max()) / 2, (rows.min() + rows.max()) / 2)
        assert min(np.hypot(*np.subtract(middle, place)) for place in places) < 3.0
        grey = np.ptp(colours[marked], axis=1).max() < 4
        assert grey is not bool(more)
        # Three degrees at 600 mm are 31.4 mm, 114 px here; arms cut a disc's ends.
        across = columns.max() - columns.min()
        assert 0.8 * 114 < across < 1.25 * 114
        if more:  # twice as wide as high
            assert rows.max() - rows.min() == pytest.approx(across / 2, rel=0.1)


@pytest.mark.usefixtures("screen")
def test_keys_arrive_once_and_escape_closes_nothing(
    start: Start, tmp_path: Path
) -> None:
    program = start(tmp_path, "4", code=PRESENT.replace("{level}", "0.5"))
    assert program.stdout is not None
    assert program.stdout.readline() == "open\n"
    wait_for(window_is_open)
    before = time.monotonic()
    xdotool("keydown", "space")
    time.sleep(1.2)  # long enough for a real keyboard to repeat
    xdotool("keyup", "space")
    xdotool("key", "Escape")
    xdotool("key", "p")
    out, err = program.communicate(timeout=60)
    found = json.loads(out.splitlines()[-1])
    assert program.returncode == 0, err
    assert [name for _, name in found["keys"]] == ["space", "escape", "p"]
    assert before <= found["keys"][0][0] < before + 1.0
    assert not found["closed"]


def calibrate(start: Start, *more: str) -> Any:
    return start(
        *("calibrate", "--person", "wren", "--stream", SOURCE),
        *("--window", "1000x700", "--json", *more),
    )


def under_way(start: Start, tmp_path: Path) -> Any:
    """Start a session, until its first target is there."""
    start(*SIMULATE)
    pictures = tmp_path / "pictures"
    program = calibrate(start, "--pictures", str(pictures), "--no-check")
    wait_for(lambda: any(pictures.glob("*.png")))
    return program


@pytest.mark.usefixtures("screen")
def test_session_moved_on_by_real_keys(start: Start, tmp_path: Path) -> None:
    """From the first target to a stored mapping, three presses and check points."""
    start(*SIMULATE)
    protocol = tmp_path / "mine.toml"
    protocol.write_text(
        '[protocol]\nversion = 1\nname = "mine"\nextends = "quick"\n'
        "[check]\npoints = [[0.63, 0.62], [0.14, 0.2]]\n"
    )
    pictures = tmp_path / "pictures"
    program = calibrate(
        start,
        "--protocol",
        str(protocol),
        "--advance",
        "key",
        "--pictures",
        str(pictures),
    )
    wait_for(window_is_open)
    for number in range(1, 6):
        picture = pictures / f"target-{number:02d}.png"
        wait_for(picture.exists)
        time.sleep(1.5)  # a person looks before the operator presses
        xdotool("key", "space")
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    rec = Recording.load(json.loads(out)["recording"])
    assert len(rec.targets) == 5
    assert set(rec.targets["advance"]) == {"key"}
    pressed = [when for when, text in rec.events if text == "key space"]
    assert pressed == pytest.approx(rec.targets["offset"].tolist(), abs=1e-6)
    assert not list((tmp_path / "home").rglob("*.journal"))


@pytest.mark.usefixtures("screen")
def test_escape_ends_with_7_and_keeps_the_recording(
    start: Start, tmp_path: Path
) -> None:
    program = under_way(start, tmp_path)
    xdotool("key", "Escape")
    out, err = program.communicate(timeout=60)
    assert program.returncode == 7, err
    assert "is kept in" in err
    assert not out
    (kept,) = (tmp_path / "home" / "recordings" / "wren").glob("*.h5")
    assert len(Recording.load(kept).time) > 100


@pytest.mark.usefixtures("screen")
def test_told_to_end_it_is_130_and_keeps_the_recording(
    start: Start, tmp_path: Path
) -> None:
    # Source: reliability, appendix row 31: SIGTERM at any phase, 130, journal kept.
    program = under_way(start, tmp_path)
    program.send_signal(signal.SIGTERM)
    _, err = program.communicate(timeout=60)
    assert program.returncode == 130, err
    (kept,) = (tmp_path / "home" / "recordings" / "wren").glob("*.h5")
    assert len(Recording.load(kept).time) > 50


@pytest.mark.usefixtures("screen")
def test_window_larger_than_the_screen_is_2(start: Start) -> None:
    program = start("calibrate", "--person", "wren", "--window", "3000x2000")
    _, err = program.communicate(timeout=60)
    assert program.returncode == 2, err
    assert "1280 x 800" in err


@pytest.mark.usefixtures("screen")
def test_no_stream_is_4(start: Start) -> None:
    program = start("calibrate", "--person", "wren", "--stream", "nobody")
    _, err = program.communicate(timeout=60)
    assert program.returncode == 4
    assert "nobody" in err


@pytest.mark.usefixtures("screen")
def test_lost_stream_pauses_and_resumes_at_the_same_point(
    start: Start, tmp_path: Path
) -> None:
    """The tracker's program stands still for two seconds while a target is on."""
    tracker = start(*SIMULATE)
    pictures = tmp_path / "pictures"
    program = calibrate(
        start,
        *("--protocol", "quick", "--pictures", str(pictures), "--no-check"),
        *("--set", "check.points=[[0.63, 0.62], [0.14, 0.2]]"),
    )
    wait_for(lambda: len(list(pictures.glob("*.png"))) == 2)
    tracker.send_signal(signal.SIGSTOP)
    time.sleep(2.0)
    tracker.send_signal(signal.SIGCONT)
    out, err = program.communicate(timeout=60)
    assert program.returncode == 0, err
    assert "No gaze comes. The session waits" in err
    rec = Recording.load(json.loads(out)["recording"])
    texts = [text for _, text in rec.events]
    assert "stream lost" in texts[: texts.index("stream found")]
    assert len({(row["x"], row["y"]) for row in rec.targets}) == 5
    assert (rec.targets["kept"] == 0).sum() >= 1


BARE = """
import sys, time
from calibkit.streams import lsl
from calibkit.channels import Channel
kinds = sys.argv[1].split(",")
channels = [Channel(label=str(k), eye="both", type=t, unit="pixels")
            for k, t in enumerate(kinds)]
outlet = lsl.GazeOutlet("bare", "bare-one", channels, 60.0)
time.sleep(60)
"""


@pytest.mark.usefixtures("screen")
@pytest.mark.parametrize(
    ("kinds", "words"),
    [("ScreenX,ScreenY", "--screen-mm"), ("Misc,Misc", "--names")],
)
def test_what_is_not_known_is_2_and_names_the_flag(
    start: Start, kinds: str, words: str
) -> None:
    """A stream without a set-up, or without names: nothing is asked of a pipe."""
    start(kinds, code=BARE)
    program = start(
        *("calibrate", "--person", "wren", "--stream", "bare-one"),
        *("--window", "800x600"),
    )
    _, err = program.communicate(timeout=60)
    assert program.returncode == 2, err
    assert words in err
