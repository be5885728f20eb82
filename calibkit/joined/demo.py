"""The whole job once, on a person who does not exist: real streams, a real window.

Every step is the command that an operator would type, run as a process of its own.
The last step stands for the program that the person would talk with: it asks for one
key after another, and counts which were hit by the calibrated gaze that arrives.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibkit.errors import CalibkitError, DeviceError
from calibkit.joined.options import say
from calibkit.language import _, current, later
from calibkit.streams import lsl

PERSON = "heron"
SCENARIO = later(
    "The person is invented: code name heron, propped up in bed, with a borrowed "
    "camera tracker under a 24-inch screen. Nothing here comes from a real person."
)
# The window is the person's whole screen, at a usual pixel size.
WINDOW, WINDOW_MM = "1280x720", "344x194"
KEYS_TO_LOOK_AT = 6
SETTLE_S = 0.6
DWELL_S = 0.8
STREAM_WAIT_S = 15.0
STOP_S = 10.0


@dataclass(frozen=True, kw_only=True)
class Demo:
    """Where the demo works, and on whom.

    Parameters
    ----------
    folder : Path
        Everything that it makes goes here.
    tracker : str
    seed : int
        Which person.
    environment : mapping
        For the processes that it starts; holds the display.
    """

    folder: Path
    tracker: str
    seed: int
    environment: Mapping[str, str]

    @property
    def source_id(self) -> str:
        """The simulated stream's id."""
        return f"calibkit-raw:simulate-{self.tracker}-{self.seed}"

    def command(self, *arguments: str) -> list[str]:
        """Return the words that start a command."""
        return [sys.executable, "-m", "calibkit", *arguments, "--language", current()]

    def run(self, *arguments: str) -> str:
        """Run one command to its end and return what it printed.

        Raises
        ------
        CalibkitError
            With the command's own sentence and exit status, when it failed.
        """
        done = subprocess.run(
            self.command(*arguments, "--home", str(self.folder)),
            env=dict(self.environment),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            check=False,
        )
        if done.returncode:
            raise _failure(arguments[0], done.returncode, done.stderr)
        return done.stdout

    @contextlib.contextmanager
    def beside(self, *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
        """Keep a command running while the block lasts."""
        log = self.folder / f"{arguments[0]}.log"
        with log.open("wb") as written:
            process = subprocess.Popen(
                self.command(*arguments, "--home", str(self.folder)),
                env=dict(self.environment),
                stdin=subprocess.DEVNULL,
                stdout=written,
                stderr=subprocess.STDOUT,
            )
        try:
            yield process
        finally:
            _stop(process)


def _failure(name: str, status: int, said: str) -> CalibkitError:
    lines = [line for line in said.splitlines() if line.strip()]
    last = lines[-1].removeprefix("calibkit: ") if lines else "it said nothing"
    error = CalibkitError(f"the step `calibkit {name}` failed: {last}")
    error.exit_status = status if status > 0 else 1
    return error


def _stop(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(timeout=STOP_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def await_stream(source_id: str, process: subprocess.Popen[bytes]) -> lsl.Found:
    """Wait for a stream that a process is about to publish.

    Raises
    ------
    DeviceError
        When the process ended, or the stream did not come.
    """
    end_s = time.monotonic() + STREAM_WAIT_S
    while time.monotonic() < end_s and process.poll() is None:
        for found in lsl.find(
            source_id=source_id,
            wait_s=0.5,
            calibrated=source_id.startswith("calibkit:"),
        ):
            return found
    raise DeviceError(
        f"the stream {source_id} did not appear within {STREAM_WAIT_S:g} s; run "
        "`calibkit streams` to see what is in reach"
    )


def key_centres(
    rows: int, columns: int, screen_px: Sequence[int], count: int, seed: int
) -> np.ndarray[Any, Any]:
    """Draw the centres (k, 2), px, of some keys of a grid, no key twice."""
    cells = np.array([(c, r) for r in range(rows) for c in range(columns)], float)
    rng = np.random.default_rng(seed)
    chosen = rng.permutation(len(cells))[:count]
    centres: np.ndarray[Any, Any] = (cells[chosen] + 0.5) / (columns, rows) * screen_px
    return centres


def try_keys(
    demo: Demo, found: lsl.Found, grid: tuple[int, int], screen_px: Sequence[int]
) -> dict[str, Any]:
    """Ask for keys and count hits, as a program that is used by gaze would.

    Parameters
    ----------
    demo : Demo
    found : Found
        The calibrated stream.
    grid : rows and columns
    screen_px : width and height

    Returns
    -------
    dict: asked, hits, samples and the share of them that was valid
    """
    rows, columns = grid
    centres = key_centres(rows, columns, screen_px, KEYS_TO_LOOK_AT, demo.seed)
    key_px = np.asarray(screen_px, float) / (columns, rows)
    markers = lsl.MarkerOutlet("calibkit-demo-keys", f"calibkit-demo:{os.getpid()}")
    inlet = lsl.open_gaze(found)
    markers.wait_for_consumers(STREAM_WAIT_S)
    hits, rows_seen, valid = 0, 0, 0
    for number, (x, y) in enumerate(centres, start=1):
        mark = {"id": number, "x": float(x), "y": float(y), "role": "pointing"}
        markers.push({"event": "target_on", **mark}, lsl.clock())
        time.sleep(SETTLE_S)
        inlet.pull()
        time.sleep(DWELL_S)
        samples = inlet.pull().samples
        markers.push({"event": "target_off", **mark}, lsl.clock())
        seen = samples[samples[:, 4] == 1] if len(samples) else samples.reshape(0, 7)
        rows_seen, valid = rows_seen + len(samples), valid + len(seen)
        if len(seen):
            error = np.abs(seen[:, :2].mean(axis=0) - (x, y))
            hits += bool((error <= key_px / 2).all())
    inlet.close()
    markers.close()
    share = valid / rows_seen if rows_seen else 0.0
    return {"asked": len(centres), "hits": hits, "samples": rows_seen, "valid": share}


def run_demo(demo: Demo) -> tuple[dict[str, Any], str]:
    """Run the whole job and return what was found, and the report's first words.

    Raises
    ------
    CalibkitError
        When a step fails; its own sentence and exit status.
    """
    say(_(SCENARIO))
    pictures = demo.folder / "pictures"
    page = demo.folder / "report.html"
    simulate = (
        *("simulate", "--tracker", demo.tracker, "--seed", str(demo.seed)),
        *("--screen-px", WINDOW, "--screen-mm", WINDOW_MM),
    )
    with demo.beside(*simulate) as person:
        starts = _("a simulated person at a {tracker} tracker starts to stream")
        _step(1, starts.format(tracker=demo.tracker))
        await_stream(demo.source_id, person)
        _step(2, _("what calibkit would read from the stream"))
        say(_indented(demo.run("streams", "--stream", demo.source_id)))
        _step(3, _("a session of six targets and the check targets, in a window"))
        session = json.loads(
            demo.run(
                *("calibrate", "--person", PERSON, "--stream", demo.source_id),
                *("--window", WINDOW, "--pictures", str(pictures), "--json"),
            )
        )
        _step(4, _("the report"))
        report = demo.run("report", "--person", PERSON, "-o", str(page), "--force")
        _step(5, _("calibrated gaze is published, and a program that needs it listens"))
        tried = _use(demo, session)
    made = {"tried": tried, "page": str(page), "pictures": str(pictures)}
    return {**session, **made}, "\n".join(report.split("\n\n")[1:3])


def _use(demo: Demo, session: Mapping[str, Any]) -> dict[str, Any]:
    keys = session["keys"]
    grid = (max(int(keys["rows"]), 1), max(int(keys["columns"]), 1))
    screen_px = session["setup"]["screen_px"]
    publish = ("publish", "--person", PERSON, "--stream", demo.source_id)
    with demo.beside(*publish) as publisher:
        found = await_stream(f"calibkit:{demo.source_id}", publisher)
        return try_keys(demo, found, grid, screen_px)


def _step(number: int, text: str) -> None:
    said = _("[{number} of 5] {text}").format(number=number, text=text)
    say(f"\n{said}")


def _indented(text: str) -> str:
    return "\n".join(f"    {line}" for line in text.rstrip().splitlines())
