"""Small experiments, each run as a program of its own: `python THIS SCENE FOLDER`.

They print what they found as one line of JSON. Simulated people live on a clock that
runs several times as fast, so that a session takes seconds.
"""

from __future__ import annotations

import ctypes
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import calibkit
from calibkit import simulation
from calibkit.errors import CalibkitError, DeviceError
from calibkit.geometry import Setup
from calibkit.session import session
from calibkit.streams import lsl
from calibkit.streams.lsl_found import Chunk

SPEED = 8.0
SETUP = Setup(screen_px=(1000, 700), screen_mm=(274.0, 192.0), distance_mm=600.0)
PROTOCOL = """
[protocol]
version = 1
name = "brief"
[targets]
points = [[0.5, 0.5], [0.1, 0.2], [0.9, 0.2], [0.5, 0.9]]
background = [0.4, 0.4, 0.4]
[pace]
hold_s = 0.5
gap_s = 0.1
[check]
points = [[0.3, 0.6], [0.75, 0.65]]
"""
# What a window's own frames change all the time, whoever draws them.
RESTLESS = {"_frameTimes", "_frameTime"}
# Tells the window to count its next interval from anew, as after every break.
RESTLESS |= {"recordFrameIntervalsJustTurnedOn"}


def fast_clock() -> float:
    return SPEED * time.monotonic()


def stable(value: Any) -> Any:
    """A value that can be compared after the thing itself has changed."""
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, list):
        return [stable(one) for one in value]
    if isinstance(value, dict):
        return {str(key): stable(one) for key, one in value.items()}
    if isinstance(value, str | int | float | bool | tuple | None):
        return value
    return f"{type(value).__name__} {id(value)}"


def graphics_state() -> dict[str, Any]:
    """What the graphics library itself says: the outside source of this check."""
    from pyglet import gl

    flags = ("BLEND", "SCISSOR_TEST", "STENCIL_TEST", "DEPTH_TEST", "CULL_FACE")
    found: dict[str, Any] = {
        name: bool(gl.glIsEnabled(getattr(gl, f"GL_{name}"))) for name in flags
    }
    sizes = {"VIEWPORT": 4, "SCISSOR_BOX": 4, "COLOR_CLEAR_VALUE": 4, "BLEND_SRC": 1}
    sizes |= {"BLEND_DST": 1, "MODELVIEW_MATRIX": 16, "PROJECTION_MATRIX": 16}
    for name, count in sizes.items():
        numbers = (ctypes.c_double * count)()
        gl.glGetDoublev(getattr(gl, f"GL_{name}"), numbers)
        found[name] = [round(one, 6) for one in numbers]
    return found


def everything(win: Any) -> dict[str, Any]:
    """All that can be asked of a window, of its handlers, and of the keys."""
    from psychopy import event, logging

    kind = type(win)
    names = [n for n in dir(kind) if isinstance(getattr(kind, n), property)]
    properties = {
        n: stable(getattr(win, n)) for n in names if n not in ("screenshot", "rgb")
    }
    return {
        "attributes": {
            key: stable(value)
            for key, value in vars(win).items()
            if key not in RESTLESS
        },
        "properties": properties,
        "graphics": graphics_state(),
        "stack": [sorted(frame) for frame in win.winHandle._event_stack],
        "mouse": win.winHandle._mouse_visible,
        "keys": list(event._keyBuffer),
        "console": logging.console.level,
    }


def differences(one: Any, other: Any, place: str = "") -> list[str]:
    if isinstance(one, dict) and isinstance(other, dict):
        return [
            line
            for key in sorted({*one, *other})
            for line in differences(one.get(key), other.get(key), f"{place}.{key}")
        ]
    return [] if one == other else [f"{place}: {one!r:.80} -> {other!r:.80}"]


def open_window(units: str, **more: Any) -> Any:
    from psychopy import monitors, visual

    monitor = monitors.Monitor("bench", width=27.4, distance=60.0, autoLog=False)
    monitor.setSizePix((1000, 700))
    settings = {"color": "navy", "checkTiming": False, "monitor": monitor, **more}
    return visual.Window((1000, 700), units=units, **settings)


def picture(win: Any, *stimuli: Any) -> Any:
    """The pixels of the owner's own frame: drawn, read from behind, and shown."""
    for stimulus in stimuli:
        stimulus.draw()
    for stimulus in win._toDraw:
        stimulus.draw()
    win._setCurrent()
    pixels = np.asarray(win._getFrame(buffer="back").convert("RGB"), float)
    win.flip()
    return pixels


def person(**more: Any) -> simulation.Person:
    return simulation.person(seed=3, setup=SETUP, lapse_share=0.0, **more)


def brief(folder: Path) -> Path:
    path = folder / "brief.toml"
    path.write_text(PROTOCOL, encoding="utf-8")
    return path


def trials(folder: Path) -> dict[str, Any]:
    """Calibrate, validate, check one point between trials; then in other units."""
    from psychopy import visual

    win = open_window("norm")
    called: list[float] = []
    square = visual.Rect(win, 0.6, 0.6, pos=(0.2, 0), fillColor="orange")
    word = visual.TextStim(win, "trial", autoDraw=True)
    draws: list[float] = []
    draw = word.draw

    def counted(*given: Any) -> None:
        draws.append(1.0)
        draw(*given)

    word.draw = counted
    win.recordFrameIntervals = True
    win.viewOri, win.viewScale, win.mouseVisible = 10.0, (0.8, 1.0), True
    picture(win, square)
    first = picture(win, square)
    win.callOnFlip(called.append, 1.0)
    found: dict[str, Any] = {
        "changed": [],
        "pixels": [],
        "deg": [],
        "called": [],
        "drawn": [],
    }
    mapping = None
    for do in ("calibrate", "validate", "one-point"):
        before, drawn = everything(win), len(draws)
        gave = present(folder, win, do=do, mapping=mapping, pictures=folder / do)
        mapping = gave.mapping if mapping is None else mapping
        found["changed"] += differences(before, everything(win), do)
        found["called"].append(len(called))
        found["drawn"].append(len(draws) - drawn)
        found["deg"].append(gave.accuracy_deg)
        found["pixels"].append(float(np.abs(picture(win, square) - first).max()))
        found[do] = [[row["x"], row["y"]] for row in gave.recording.targets]
        found["one-point words"] = gave.words
    found["still drawn"], found["shows"] = win._toDraw == [word], float(np.ptp(first))
    found["longest frame"] = max(win.frameIntervals)
    win.close()
    found["units"] = {u: in_units(u, folder, mapping) for u in SIZES}
    return found


SIZES = {"pix": 300, "deg": 6.0}


def in_units(units: str, folder: Path, mapping: Any) -> list[Any]:
    """One window of other units and other ways: what a check of one point changes."""
    from psychopy import visual

    odd: dict[str, dict[str, Any]] = {
        "pix": {"useFBO": True, "blendMode": "add"},
        "deg": {"allowStencil": True},
    }
    win = open_window(units, color=[128, 90, 60], colorSpace="rgb255",
                      **odd.get(units, {}))  # fmt: skip
    size = SIZES[units]
    square = visual.Rect(win, size, size, pos=(size / 3, 0), fillColor="orange")
    win.mouseVisible = units != "pix"
    picture(win, square)
    first, before = picture(win, square), everything(win)
    present(folder, win, do="one-point", mapping=mapping)
    changed = differences(before, everything(win), units)
    off = float(np.abs(picture(win, square) - first).max())
    win.close()
    return [changed, off, float(np.ptp(first))]


def present(folder: Path, win: Any, **more: Any) -> calibkit.Presented:
    given: dict[str, Any] = {"gaze": person(), "home": folder, "seed": 5, **more}
    return calibkit.present(brief(folder), win=win, **given)


class Dying:
    """An inlet whose stream is lost after a while; a person stands behind it."""

    def __init__(self, lasts_s: float) -> None:
        self._lasts_s, self._end_s = lasts_s, float("inf")
        self._life = person().begin(fast_clock())
        self.channels, self.source_id, self.name = self._life.person.channels, "", "x"

    def flush(self) -> None:
        self._end_s = fast_clock() + self._lasts_s

    def pull(self) -> Chunk:
        if fast_clock() > self._end_s:
            raise DeviceError("stream x was lost")
        times, samples = self._life.advance(fast_clock())
        return Chunk(time_raw=times, samples=samples, correction_s=0.0)


def troubles(folder: Path) -> dict[str, Any]:
    """Escape, a failure of ours, a lost stream: the window is usable after each."""
    from psychopy import event, visual
    from pyglet.window import key

    win = open_window("height", color="seagreen")
    square = visual.Rect(win, 0.4, 0.4, fillColor="orange")
    box = visual.TextBox2(win, "", editable=True, autoDraw=True, letterHeight=0.1,
                          pos=(0.0, -0.4), size=(0.8, 0.2))  # fmt: skip
    picture(win, square)
    first = picture(win, square)[:450]  # above the box, whose caret blinks
    event._keyBuffer.append(("q", 0, 1.0))

    def type_(symbol: int, text: str) -> None:
        win.winHandle.dispatch_event("on_key_press", symbol, 0)
        win.winHandle.dispatch_event("on_text", text)
        win.winHandle.dispatch_event("on_key_release", symbol, 0)

    def stop(_: str) -> None:
        type_(key.P, "p")
        type_(key.ESCAPE, "")

    def fail(_: str) -> None:
        raise RuntimeError("a failure inside")

    session.GONE_S = 2.0
    found: dict[str, Any] = {}
    tries: dict[str, dict[str, Any]] = {
        "stopped": {"tell": stop},
        "failed": {"tell": fail},
        "lost": {"gaze": Dying(6.0)},
        "picture": {"pictures": folder / "brief.toml"},
        "fine": {},
    }
    for name, more in tries.items():
        before = everything(win)
        error = ""
        try:
            present(folder, win, **more)
        except (CalibkitError, OSError, RuntimeError) as caught:
            error = f"{type(caught).__name__}: {caught}"
        changed = differences(before, everything(win), name)
        off = float(np.abs(picture(win, square)[:450] - first).max())
        found[name] = {"error": error, "changed": changed, "pixels": off}
    found["typed"], found["keys"] = box.text, [one[0] for one in event._keyBuffer]
    type_(key.A, "a")
    picture(win)
    found["typed after"] = box.text
    kept = sorted((folder / "recordings" / "unnamed").glob("*.h5"))
    found["kept"] = [len(calibkit.Recording.load(path).time) for path in kept]
    win.close()
    return found | {"own": own_window(folder)}


def own_window(folder: Path) -> dict[str, Any]:
    """Without a window of the owner's one is opened, full screen, and closed."""
    from psychopy import logging
    from psychopy.visual.window import openWindows

    level = logging.console.level
    setup = Setup(screen_px=(1280, 800), screen_mm=(350.0, 219.0), distance_mm=600.0)
    sizes = {"screen_mm": setup.screen_mm, "distance_mm": setup.distance_mm}
    someone = simulation.person(seed=3, setup=setup, lapse_share=0.0)
    gave = present(folder, None, gaze=someone, **sizes)
    return {
        "screen_px": gave.recording.setup.screen_px,
        "deg": gave.accuracy_deg,
        "open": len(openWindows),
        "console": logging.console.level == level,
    }


def main(scene: str, folder: str, *more: str) -> None:
    lsl.clock = fast_clock
    scenes: dict[str, Callable[..., dict[str, Any]]] = {
        "trials": trials,
        "troubles": troubles,
    }
    print(json.dumps(scenes[scene](Path(folder), *more)))


if __name__ == "__main__":
    main(*sys.argv[1:])
