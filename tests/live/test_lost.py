"""What is lost while a session runs: the display, the window; the recording stays.

Outside sources: the X server itself, which is killed; the contract's exit statuses.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from calibkit.kept.recording import Recording

pytestmark = pytest.mark.live

if sys.platform != "linux" or not (shutil.which("Xvfb") and shutil.which("xdotool")):
    pytest.skip("needs Xvfb and xdotool", allow_module_level=True)
pytest.importorskip("psychopy", reason="needs the extra `screen`")

Start = Callable[..., subprocess.Popen[str]]
SOURCE = "calibkit-raw:simulate-pupil-reflex-43"
SIMULATE = (
    *("simulate", "--seed", "43", "--screen-px", "800x600"),
    *("--screen-mm", "220x165"),
)


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[subprocess.Popen[bytes]]:
    inward, outward = os.pipe()
    made = subprocess.Popen(
        ["Xvfb", "-displayfd", str(outward), "-screen", "0", "1000x700x24"],
        pass_fds=[outward],
        stderr=subprocess.DEVNULL,
    )
    os.close(outward)
    with os.fdopen(inward) as answers:
        monkeypatch.setenv("DISPLAY", f":{answers.readline().strip()}")
    yield made
    made.kill()
    made.wait()


def wait_for(check: Callable[[], bool], limit_s: float = 60.0) -> None:
    end_s = time.monotonic() + limit_s
    while not check():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def calibrate(start: Start, pictures: Path) -> subprocess.Popen[str]:
    start(*SIMULATE)
    program = start(
        *("calibrate", "--person", "wren", "--stream", SOURCE),
        *("--window", "800x600", "--pictures", str(pictures), "--no-check"),
    )
    wait_for(lambda: any(pictures.glob("*.png")))
    return program


def kept(tmp_path: Path) -> Recording:
    (path,) = (tmp_path / "home" / "recordings" / "wren").glob("*.h5")
    assert not list((tmp_path / "home").rglob("*.journal"))
    return Recording.load(path)


def test_display_lost_is_4_and_the_recording_is_kept(
    start: Start, tmp_path: Path, server: subprocess.Popen[bytes]
) -> None:
    program = calibrate(start, tmp_path / "pictures")
    server.send_signal(signal.SIGKILL)
    _, err = program.communicate(timeout=60)
    assert program.returncode == 4, err
    assert "the display was lost" in err
    assert "is kept in" in err
    assert "Traceback" not in err
    assert len(kept(tmp_path).time) > 50


# What a window manager does when somebody clicks the window's close button.
CLOSE = """
import ctypes
from pyglet.libs.x11 import xlib
display = xlib.XOpenDisplay(None)
root, parent, count = ctypes.c_ulong(), ctypes.c_ulong(), ctypes.c_uint()
children = ctypes.POINTER(ctypes.c_ulong)()
xlib.XQueryTree(display, xlib.XDefaultRootWindow(display), ctypes.byref(root),
                ctypes.byref(parent), ctypes.byref(children), ctypes.byref(count))
for window in children[:count.value]:
    event = xlib.XEvent()
    event.xclient.type = xlib.ClientMessage
    event.xclient.window = window
    event.xclient.message_type = xlib.XInternAtom(display, b"WM_PROTOCOLS", False)
    event.xclient.format = 32
    event.xclient.data.l[0] = xlib.XInternAtom(display, b"WM_DELETE_WINDOW", False)
    xlib.XSendEvent(display, window, False, 0, ctypes.byref(event))
xlib.XSync(display, False)
print(count.value)
"""


@pytest.mark.usefixtures("server")
def test_window_closed_is_7_and_the_recording_is_kept(
    start: Start, tmp_path: Path
) -> None:
    program = calibrate(start, tmp_path / "pictures")
    subprocess.run([sys.executable, "-c", CLOSE], check=True, timeout=30)
    _, err = program.communicate(timeout=60)
    assert program.returncode == 7, err
    assert err.startswith("The person's window is opened")
    assert "closed before its end" in err
    assert len(kept(tmp_path).time) > 50
