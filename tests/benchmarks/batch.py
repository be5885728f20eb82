"""What a batch costs over a bare loop, and how it grows with files and with workers.

Run: python tests/benchmarks/batch.py [--files 10 100 1000] [--workers 1 2]

Small simulated recordings (screen tracker, nine and eight targets, 30 samples a second)
are fitted and judged twice: by a plain loop in one process that does the same work and
keeps nothing (load, SHA-256, fit, assess, keys for both eyes and each), and by a batch
with its processes, progress file and table. Batches are given as multiples of the loop:
of its time, and in brackets of its processor time, which other work on the machine
disturbs less. The best of some repeats counts, since other work only ever adds. Memory
is the largest resident size of the batch's own process; each worker is another one.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ONE = {name: "1" for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")}
DIFFERENT = 20  # recordings that are really simulated; the rest differ in one number

LOOP = """
import hashlib, sys, time
from pathlib import Path
import calibkit
from calibkit.fitted.fitting import predicted_sd_deg
calibkit.fit, calibkit.assess, calibkit.usable_keys, calibkit.Recording
start = None
for path in sorted(Path(sys.argv[1]).glob("*.h5")):
    rec = calibkit.Recording.load(path)
    hashlib.sha256(path.read_bytes()).hexdigest()
    mapping = calibkit.fit(rec)
    predicted_sd_deg(mapping)
    result = calibkit.assess(mapping, rec)
    for eye in ("both", "left", "right"):
        calibkit.usable_keys(result.eyes[eye], setup=rec.setup)
"""
BATCH = """
import json, resource, sys
from pathlib import Path
from calibkit.batch.crew import Crew
from calibkit.batch.driver import Plan, batch
from calibkit.batch.settings import Settings
plan = Plan(folders=(Path(sys.argv[1]),), table=Path(sys.argv[2]), settings=Settings(),
            overwrite=True)
found = batch(plan, Crew(int(sys.argv[3])))
size = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps([found.judged, found.worked, size]))
"""


def simulated(folder: Path, count: int) -> None:
    """Write so many recordings, each with bytes of its own."""
    import dataclasses

    from calibkit import simulation
    from calibkit.geometry import Setup, area_to_px
    from calibkit.kept import protocol

    setup = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.5), distance_mm=600.0)
    parts = [protocol.load(name) for name in ("full", "off-grid")]
    points = [area_to_px(setup, p.targets.points, p.targets.area) for p in parts]
    roles = ["calibration"] * len(points[0]) + ["validation"] * len(points[1])
    made = []
    for seed in range(min(count, DIFFERENT)):
        person = simulation.person(
            tracker="screen", kind="steady", seed=seed, setup=setup, rate_hz=30.0
        )
        made.append(
            simulation.record(person, np.vstack(points), seed=seed, roles=roles)[0]
        )
    folder.mkdir()
    for number in range(count):
        rec = dataclasses.replace(made[number % len(made)], session=f"s{number}")
        rec.save(folder / f"{number:05d}.h5")


def timed(code: str, *arguments: object) -> tuple[Array, str]:
    """Run code in a process of its own: seconds, processor seconds, and what it said.

    Processor seconds include those of the processes that it started and waited for.
    """
    start, used = time.perf_counter(), processor_s()
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **ONE},
    )
    spent = [time.perf_counter() - start, processor_s() - used]
    return np.array(spent), done.stdout


def processor_s() -> float:
    """What all ended descendants used."""
    found = resource.getrusage(resource.RUSAGE_CHILDREN)
    return found.ru_utime + found.ru_stime


def batch_of(folder: Path, table: Path, workers: int) -> tuple[Array, int, int]:
    """Seconds and processor seconds of a batch, recordings worked on, memory (KB)."""
    spent, said = timed(BATCH, folder, table, workers)
    judged, worked, size = json.loads(said)
    assert judged == len(list(folder.iterdir()))
    return spent, worked, size


def main() -> None:
    """Print the tables of DEVELOPERS."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", nargs="+", type=int, default=[10, 100, 1000])
    parser.add_argument("--workers", nargs="+", type=int, default=[1, 2])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--copies", type=int, default=10_000)
    args = parser.parse_args()
    heads = [f"{n} worker{'s' * (n > 1)}" for n in args.workers]
    print(f"| files | bare loop | {' | '.join(heads)} | all done before | memory |")
    print("| --- " * (4 + len(heads)) + "|")
    place = Path(tempfile.mkdtemp())
    try:
        for count in args.files:
            folder = place / str(count)
            simulated(folder, count)
            tell(folder, args.workers, args.repeats if count < 1000 else 1)
        if args.copies:
            tell_copies(folder, args.copies)
    finally:
        shutil.rmtree(place)


def tell(folder: Path, workers: list[int], repeats: int) -> None:
    """Measure in turns, so that other work on the machine meets all alike."""
    loops: list[Array] = []
    batches: dict[int, list[Array]] = {number: [] for number in workers}
    again: list[Array] = []
    memory = 0
    for _ in range(repeats):
        loops.append(timed(LOOP, folder)[0])
        for number in workers:
            with tempfile.TemporaryDirectory() as place:
                table = Path(place) / "t.csv"
                spent, worked, size = batch_of(folder, table, number)
                assert worked == len(list(folder.iterdir()))
                batches[number].append(spent)
                memory = max(memory, size)
                spent, worked, _ = batch_of(folder, table, number)
                assert worked == 0
                again.append(spent)
    bare = np.min(loops, axis=0)
    cells = [
        f"{best[0] / bare[0]:.2f} ({best[1] / bare[1]:.2f})"
        for best in (np.min(found, axis=0) for found in batches.values())
    ]
    print(
        f"| {folder.name} | {bare[0]:.1f} s ({bare[1]:.1f} s) | {' | '.join(cells)} | "
        f"{np.min(again, axis=0)[0]:.1f} s | {memory / 1024:.0f} MB |",
        flush=True,
    )


def tell_copies(folder: Path, count: int) -> None:
    """What very many files cost that need no work: listing, hashing, the table."""
    many = folder.parent / "copies"
    many.mkdir()
    sources = sorted(folder.iterdir())[:DIFFERENT]
    for number in range(count):
        shutil.copy(sources[number % len(sources)], many / f"{number:06d}.h5")
    spent, worked, size = batch_of(many, folder.parent / "copies.csv", 2)
    print(
        f"{count} files, {worked} of them different: {spent[0]:.1f} s, memory "
        f"{size / 1024:.0f} MB"
    )


if __name__ == "__main__":
    main()
