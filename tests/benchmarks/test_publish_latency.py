"""What `publish` adds to the way of a sample, beside a bare inlet-to-outlet forwarder.

Both forward the same stream in the same run; the figures are differences, sample by
sample. Run it alone for other rates: python tests/benchmarks/test_publish_latency.py

What measures (sender and readers) has real-time priority where that is granted; the
forwarder has the usual one, and the publisher what it asks for itself; with "same" as
the first argument the forwarder takes what the publisher takes. A third reader takes
the stream as it is: what comes late there the machine kept back; `stolen` is the share
of its processors that its host took away meanwhile.
"""

from __future__ import annotations

import contextlib
import os
import platform
import secrets
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import calibkit
from calibkit import simulation
from calibkit.joined import wiring_priority
from calibkit.live import drift_reference
from calibkit.streams import lsl, lsl_config
from calibkit.streams.lsl_found import Found

pytestmark = pytest.mark.live

Array = NDArray[np.float64]
RAW = "calibkit-raw:bench"
# Goals: latency added over a bare forwarder, median and 99th percentile; processor time
# as a multiple of the forwarder's. A busy machine is allowed a fifth more of the last.
MEDIAN_GOAL_S, P99_GOAL_S, RATIO_GOAL, SLACK = 0.2e-3, 1e-3, 1.5, 1.2


def at_once() -> None:
    """Let what measures not wait for a processor: its lateness is nobody's latency."""
    with contextlib.suppress(OSError, AttributeError):
        for thread in Path("/proc/self/task").iterdir():  # the library's, too
            number = int(thread.name)
            os.sched_setscheduler(number, os.SCHED_FIFO, os.sched_param(5))


def bare() -> None:
    """The least that a forwarder can do."""
    pylsl = lsl._pylsl()
    found = wait(RAW)
    inlet = pylsl.StreamInlet(found.handle, max_chunklen=1, recover=False)
    info = pylsl.StreamInfo(
        "bare", "Bench", found.channel_count, found.rate, "double64", "bare"
    )
    outlet = pylsl.StreamOutlet(info)
    while True:
        sample, stamp = inlet.pull_sample()
        outlet.push_sample(sample, stamp)


def read(source_id: str, path: str) -> None:
    """Note when each sample arrives, until the stream has been silent for a while."""
    at_once()
    pylsl = lsl._pylsl()
    inlet = pylsl.StreamInlet(wait(source_id).handle, max_chunklen=1, recover=False)
    inlet.open_stream(30)
    print("ready", flush=True)
    rows: list[tuple[float, float]] = []
    silent_s = 0.0
    while silent_s < (1.0 if rows else 60.0):
        _, stamp = inlet.pull_sample(0.2)
        silent_s = 0.0 if stamp else silent_s + 0.2
        if stamp:
            rows.append((stamp, pylsl.local_clock()))
    np.save(path, np.array(rows))


def wait(source_id: str) -> Found:
    pylsl = lsl._pylsl()
    while True:
        for info in pylsl.resolve_streams(0.3):
            if info.source_id() == source_id:
                return lsl._found(info, pylsl.cf_string)


def child(*arguments: object) -> subprocess.Popen[bytes]:
    command = [sys.executable, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)


def processor_s(pid: int) -> float:
    """Time on a processor so far, of all threads and children, in seconds (Linux)."""
    used = 0.0
    for task in Path(f"/proc/{pid}/task").iterdir():
        used += int((task / "schedstat").read_text().split()[0]) / 1e9
        children = (task / "children").read_text().split()
        used += sum(processor_s(int(child)) for child in children)
    return used


def send(outlet: lsl.GazeOutlet, samples: Array, rate: float, for_s: float) -> None:
    start = time.monotonic()
    for k in range(int(rate * for_s)):
        rest = start + k / rate - time.monotonic()
        if rest > 0:
            time.sleep(rest)
        row = samples[k % len(samples)]
        outlet.push(np.array([lsl.clock()]), row[None, :])


def side_by_side(
    folder: Path, rate: float, for_s: float, warm_s: float, same: str = ""
) -> dict[str, float]:
    """Run both forwarders on one stream; return figures in seconds and a ratio."""
    points = [[x, y] for y in (100, 540, 980) for x in (150, 960, 1770)]
    person = simulation.person(tracker="pupil-reflex", seed=3)
    recording = simulation.record(person, points, seed=3, seconds_per_point=1.2)[0]
    made = calibkit.fit(recording)  # with what drift is told by, as `calibkit fit` does
    source = drift_reference.noted(made.source, recording)
    replace(made, source=source).save(folder / "m.h5")
    outlet = lsl.GazeOutlet("bench", RAW, recording.channels, rate)
    here = Path(__file__)
    which = ("--mapping", folder / "m.h5", "--home", folder / "home")
    ours = child("-m", "calibkit", "publish", *which)
    other = child(here, "bare", same)
    readers = [
        child(here, "read", name, folder / f"{k}.npy")
        for k, name in enumerate(("bare", "calibkit:" + RAW, RAW))
    ]
    try:
        for reader in readers:
            assert reader.stdout is not None
            assert reader.stdout.readline().strip() == b"ready"
        at_once()
        send(outlet, np.asarray(recording.samples, float), rate, warm_s)
        before = [processor_s(p.pid) for p in (other, ours)]
        stolen = stolen_s()
        send(outlet, np.asarray(recording.samples, float), rate, for_s)
        after = [processor_s(p.pid) for p in (other, ours)]
        stolen = stolen_s() - stolen
        for reader in readers:
            reader.wait(for_s + 30)
    finally:
        for program in (ours, other, *readers):
            program.kill()
            program.communicate()
        outlet.close()
    plain, mapped, direct = (np.load(folder / f"{k}.npy") for k in range(3))
    share = stolen / for_s / (os.cpu_count() or 1)
    got = figures(plain, mapped, np.subtract(after, before), for_s)
    return got | {"direct_p99_s": p99_s(direct), "stolen": share}


def stolen_s() -> float:
    """Seconds that this machine's host took away so far (Linux, proc(5): steal)."""
    ticks = int(Path("/proc/stat").read_text().split()[8])
    return ticks / os.sysconf("SC_CLK_TCK")


def p99_s(rows: Array) -> float:
    """How late all but one of a hundred came, by their stamps."""
    return float(np.quantile(rows[:, 1] - rows[:, 0], 0.99))


def figures(plain: Array, mapped: Array, used: Array, for_s: float) -> dict[str, float]:
    _, a, b = np.intersect1d(plain[:, 0], mapped[:, 0], return_indices=True)
    added = mapped[b, 1] - plain[a, 1]
    return {
        "samples": float(len(added)),
        "bare_median_s": float(np.median(plain[a, 1] - plain[a, 0])),
        "added_median_s": float(np.median(added)),
        "added_p99_s": float(np.quantile(added, 0.99)),
        "bare_p99_s": p99_s(plain[a]),
        "ours_p99_s": p99_s(mapped[b]),
        "processor_ratio": used[1] / max(used[0], 1e-9),
        "processor_bare": used[0] / for_s,
    }


def own_network(folder: Path) -> None:
    path = folder / "lsl.cfg"
    text = lsl_config.configuration(platform.system(), f"bench-{secrets.token_hex(6)}")
    path.write_text(text)
    os.environ["LSLAPICFG"] = str(path)


@pytest.mark.skipif(sys.platform != "linux", reason="processor time from /proc")
def test_publish_adds_little_to_a_bare_forwarder(tmp_path: Path) -> None:
    # Each run in a process of its own: the streaming library reads its network once.
    # A busy machine adds to both, not equally: the best of up to five runs counts.
    best = {"added_median_s": 1.0, "added_p99_s": 1.0, "processor_ratio": 100.0}
    goals = (MEDIAN_GOAL_S, P99_GOAL_S, SLACK * RATIO_GOAL)
    calm = False
    for attempt in range(5):
        folder = tmp_path / str(attempt)
        folder.mkdir()
        done = subprocess.run(
            [sys.executable, __file__, "run", str(folder), "250", "5", "0.5"],
            capture_output=True,
            text=True,
            check=True,
        )
        print(done.stdout)
        got = dict(pair.split("=") for pair in done.stdout.split())
        assert float(got["samples"]) > 0.9 * 250 * 5
        # Where what is read without any forwarder is as late, the machine is measured.
        late = float(got["direct_p99_s"]) >= P99_GOAL_S
        told = [name for name in best if not (late and name == "added_p99_s")]
        calm = calm or not late
        best |= {name: min(best[name], float(got[name])) for name in told}
        if all(v < goal for v, goal in zip(best.values(), goals, strict=True)):
            break
    for (name, value), goal in zip(best.items(), goals, strict=True):
        if calm or name != "added_p99_s":
            assert value < goal, f"{name} is {value}"
    if not calm:
        pytest.skip("samples came late without a forwarder too: the machine's host")


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["bare"]:
        with contextlib.ExitStack() as held:
            if arguments[1:] == ["same"]:
                held.enter_context(wiring_priority.raised(wiring_priority.here()))
            bare()
    elif arguments[:1] == ["read"]:
        read(arguments[1], arguments[2])
    elif arguments[:1] == ["run"]:
        folder = Path(arguments[1])
        own_network(folder)
        rate_hz, for_s, warm_s = map(float, arguments[2:5])
        got = side_by_side(folder, rate_hz, for_s, warm_s, *arguments[5:])
        print(" ".join(f"{name}={value:.3g}" for name, value in got.items()))
    else:
        import tempfile

        for rate in (60, 250, 1000):
            with tempfile.TemporaryDirectory() as place:
                words = ["run", place, str(rate), "20", "32", *arguments[:1]]
                subprocess.run([sys.executable, __file__, *words], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
