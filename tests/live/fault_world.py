"""A publisher, its supervisor, its trackers and its store, and what goes wrong.

By hand, for hours: python tests/live/fault_world.py SECONDS [SEED]
"""

from __future__ import annotations

import os
import random
import resource
import shlex
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import fault_probe
import numpy as np
from numpy.typing import NDArray

import calibkit
from calibkit import simulation
from calibkit.errors import CalibkitError
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.mapping import Mapping
from calibkit.kept import profile
from calibkit.kept.plain import to_tree
from calibkit.streams import lsl

Array = NDArray[np.float64]
WHO, SOURCE, RATE = "p-fault", "calibkit-raw:fault", 250.0
CREATED = "2026-01-01T00:00:00Z"
HERE = Path(__file__).parent
PROGRAM = (sys.executable, "-m", "calibkit")
UNIT = Path(calibkit.__file__).parent / "services" / "calibkit-publish@.service"
POINTS = [[x, y] for y in (100, 540, 980) for x in (150, 960, 1770)]


def as_a_service(program: Sequence[str] = PROGRAM) -> list[str]:
    """What the shipped unit file starts, but another program of the same arguments.

    Source: systemd.service(5) on quotes, "$$", "%i" and lines that end in a backslash.
    """
    text = UNIT.read_text().replace("\\\n", " ")
    line = next(line for line in text.splitlines() if line.startswith("ExecStart="))
    line = line.removeprefix("ExecStart=").replace("$$", "$").replace("%i", WHO)
    words = shlex.split(line)
    place = words.index("/usr/bin/env")
    return [*words[:place], *program, *words[place + 2 :]]


class Supervisor:
    """Starts the publisher again when it ended, as a service manager does."""

    def __init__(self, home: Path, log: Path) -> None:
        self.command = [*as_a_service(), "--home", str(home)]
        self.command += ["--stream", SOURCE, "--json"]
        self.log, self.stop, self.starts = log, False, 0
        # As where it is installed: Python keeps what it compiled.
        self.environ = os.environ | {
            "PYTHONPYCACHEPREFIX": str(log.parent / "compiled")
        }
        self.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        self.child = self._start()
        self.thread = threading.Thread(target=self._watch, daemon=True)
        self.thread.start()

    def _start(self) -> subprocess.Popen[bytes]:
        self.starts += 1
        with self.log.open("ab") as out:
            return subprocess.Popen(
                self.command, stdout=out, stderr=subprocess.STDOUT, env=self.environ
            )

    def _watch(self) -> None:
        while not self.stop:
            if self.child.poll() is not None:
                self.child = self._start()
            time.sleep(0.02)

    def close(self) -> None:
        self.stop = True
        self.thread.join()
        self.child.kill()
        self.child.wait()


@dataclass
class World:
    """All of it; `faults` are its methods whose names begin with "do_"."""

    folder: Path
    rng: random.Random
    mappings: dict[int, Mapping] = field(default_factory=dict)
    versions: list[int] = field(default_factory=list)
    logs: list[Path] = field(default_factory=list)
    done: list[tuple[float, str]] = field(default_factory=list)
    running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        person = simulation.person(tracker="pupil-reflex", seed=3)
        rec = simulation.record(person, POINTS, seed=3, seconds_per_point=1.2)[0]
        self.width = len(rec.channels)
        np.save(self.folder / "samples.npy", np.asarray(rec.samples, float))
        words = [(c.eye, c.type) for c in rec.channels]
        np.save(self.folder / "channels.npy", np.array(words))
        self.first = calibkit.fit(rec)
        self.home = self.folder / "home"
        self.save()
        self.tracker = self.track()
        self.supervisor = Supervisor(self.home, self.folder / "publish.log")
        self.reader = fault_probe.Reader(f"calibkit:{SOURCE}")
        self.probe = fault_probe.Probe(self.programs, self.publisher)

    def programs(self) -> list[int]:
        """Whose waiting holds the gaze up: who sends, who publishes, who reads."""
        return [self.tracker.pid, *self.publisher(), os.getpid()]

    def publisher(self) -> list[int]:
        return [self.supervisor.child.pid, *self.workers()]

    def workers(self) -> list[int]:
        head = self.supervisor.child.pid
        with suppress(OSError):
            text = Path(f"/proc/{head}/task/{head}/children").read_text()
            return [int(word) for word in text.split()]
        return []

    def track(self, wide: int = 0) -> subprocess.Popen[bytes]:
        log = self.folder / f"tracker-{len(self.logs)}.log"
        self.logs.append(log)
        words = [SOURCE, self.folder / "samples.npy", log, RATE, len(self.logs), wide]
        command = [sys.executable, HERE / "fault_tracker.py", *words]
        made = subprocess.Popen(list(map(str, command)), stdin=subprocess.PIPE)
        self.running.append(made)
        return made

    def order(self, line: str) -> None:
        assert self.tracker.stdin is not None
        self.tracker.stdin.write(f"{line}\n".encode())
        self.tracker.stdin.flush()

    def another(self) -> Mapping:
        """A mapping that answers otherwise, so that a mixture would show."""
        moved = self.first.weights.mean + self.rng.gauss(0.0, 0.02)
        weights = Gaussian(mean=moved, cov=self.first.weights.cov)
        made = replace(self.first, weights=weights)
        # What is stored is rounded; the rounded one is what must be published.
        self.mappings[made.id] = Mapping.from_snapshot(made.snapshot())
        return made

    def save(self, made: Mapping | None = None) -> None:
        plain = (made or self.another()).snapshot()
        done = profile.save(self.home, WHO, to_tree(plain), plain, created=CREATED)
        self.versions.append(done.number)

    @property
    def place(self) -> Path:
        return profile.folder(self.home, WHO)

    # Faults. Each leaves the world as it should be: one tracker, one good mapping.

    def do_kill_tracker(self) -> None:
        self.tracker.kill()
        self.tracker.wait()
        time.sleep(self.rng.uniform(0.0, 0.6))
        self.tracker = self.track()

    def do_stop_and_continue_tracker(self) -> None:
        self.tracker.send_signal(signal.SIGSTOP)
        time.sleep(self.rng.uniform(0.2, 1.5))
        self.tracker.send_signal(signal.SIGCONT)

    def do_twin_tracker(self) -> None:
        twin = self.track()
        time.sleep(self.rng.uniform(0.5, 1.2))
        twin.kill()
        twin.wait()

    def do_other_channel_count(self) -> None:
        self.tracker.kill()
        self.tracker.wait()
        other = self.track(wide=9)
        time.sleep(0.8)
        other.kill()
        other.wait()
        self.tracker = self.track()

    def do_nan_burst(self) -> None:
        self.order(f"nan {self.rng.uniform(0.1, 0.5)}")

    def do_zero_burst(self) -> None:
        self.order(f"zero {self.rng.uniform(0.1, 0.5)}")

    def do_clock_jump(self) -> None:
        self.order(f"jump {self.rng.choice([-3600, 3600])}")

    def do_kill_publisher(self) -> None:
        self.supervisor.child.kill()

    def do_kill_worker(self) -> None:
        """The process that sends the gaze; its parent starts another."""
        end_s = time.monotonic() + 10.0
        while not self.workers() and time.monotonic() < end_s:
            time.sleep(0.01)  # a start may take long on a busy machine
        os.kill(self.workers()[0], signal.SIGKILL)

    def do_disk_full(self) -> None:
        """No byte can be written while a calibration is saved."""
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (self.rng.choice([0, 700]), hard))
        try:
            self.save()
            raise AssertionError("a full disk took a mapping")
        except CalibkitError:
            pass
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
            signal.signal(signal.SIGXFSZ, before)

    def do_corrupt_current_profile(self) -> None:
        version = profile.current(self.home, WHO).version
        data = bytearray(version.snapshot_path.read_bytes())
        data[self.rng.randrange(len(data))] ^= 1 << self.rng.randrange(8)
        version.snapshot_path.write_bytes(data)
        os.utime(self.place / "current")
        time.sleep(1.2)
        self.save()

    def do_read_only_folder(self) -> None:
        self.place.chmod(0o500)
        with suppress(CalibkitError):  # root may write all the same
            self.save()
        self.place.chmod(0o700)

    def do_delete_profile(self) -> None:
        for path in sorted(self.place.iterdir()):
            path.unlink()
        time.sleep(1.2)
        self.save()

    def do_bad_activate(self) -> None:
        text = self.rng.choice([b"v999999\n", b"", b"\xff\0", b"../../etc/passwd\n"])
        (self.place / "current").write_bytes(text)
        time.sleep(1.2)
        wrong = replace(self.first, channels=self.first.channels[:-1])
        self.save(wrong)
        time.sleep(1.2)
        self.save()

    def do_three_activates_at_once(self) -> None:
        self.save()
        good = [v.number for v in profile.versions(self.home, WHO) if not v.fault]
        threads = [
            threading.Thread(target=self._activate, args=(number,))
            for number in (good * 3)[-3:]
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        self.save()

    def _activate(self, number: int) -> None:
        with suppress(CalibkitError):
            profile.activate(self.home, WHO, number)

    def do_processor_hog(self) -> None:
        code = (
            "import time\nend = time.monotonic() + 1.0\nwhile time.monotonic() < end: 1"
        )
        command = [sys.executable, "-c", code]
        hogs = [subprocess.Popen(command) for _ in range(3)]
        for hog in hogs:
            hog.wait()

    @property
    def faults(self) -> list[str]:
        return [name[3:] for name in dir(self) if name.startswith("do_")]

    def do(self, name: str) -> None:
        """Let one thing go wrong."""
        self.done.append((lsl.clock(), name))
        getattr(self, f"do_{name}")()

    def run(self, for_s: float, only: tuple[str, ...] | None = None) -> None:
        """Wait until gaze flows, then let things go wrong, each kind at least once."""
        end_s = time.monotonic() + 30
        while not self.reader.rows and time.monotonic() < end_s:
            time.sleep(0.05)
        assert self.reader.rows, (self.folder / "publish.log").read_text()
        end_s = time.monotonic() + for_s
        first = True
        while first or time.monotonic() < end_s:
            order = list(self.faults if only is None else only)
            self.rng.shuffle(order)
            for fault in order:
                if not first and time.monotonic() > end_s:
                    break
                self.do(fault)
                time.sleep(self.rng.uniform(0.7, 1.1))
            first = False

    def close(self) -> Array:
        rows = self.reader.close()
        self.probe.stop = True
        self.supervisor.close()
        for program in self.running:
            if program.poll() is None:
                program.send_signal(signal.SIGCONT)
            program.kill()
            program.wait()
            if program.stdin is not None:
                program.stdin.close()
        return rows

    def inputs(self) -> Array:
        """All that trackers noted: stamp, time of sending, clock's offset, sample."""
        parts = [np.fromfile(path) for path in self.logs if path.exists()]
        wide = 3 + self.width
        return np.concatenate(
            [p[: len(p) // wide * wide].reshape(-1, wide) for p in parts]
        )


def main(for_s: float, seed: int) -> None:
    import platform
    import secrets
    import tempfile

    import fault_check

    from calibkit.streams import lsl_config

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "lsl.cfg"
        session = f"fault-{secrets.token_hex(6)}"
        path.write_text(lsl_config.configuration(platform.system(), session))
        os.environ["LSLAPICFG"] = str(path)
        print(f"seed {seed}")
        world = World(Path(name), random.Random(seed))
        try:
            world.run(for_s)
        finally:
            rows = world.close()
        found = fault_check.check(world, rows)
        print(found.text())
        for text in found.excused:
            print("THE MACHINE", text)
        for fault in found.faults[:20]:
            print("VIOLATION", fault)
        sys.exit(bool(found.faults))


if __name__ == "__main__":
    words: Any = [*sys.argv[1:], "120", str(random.randrange(10**6))]
    main(float(words[0]), int(words[1] if len(sys.argv) > 2 else words[-1]))
