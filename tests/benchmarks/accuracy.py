"""How far off calibrated gaze is: every mapping, by points, people and inattention.

Run: python tests/benchmarks/accuracy.py [--people 100] [--geometries 4]
     [--trackers pupil-reflex screen webcam] [--skip-open] [--out FILE]

Simulated people (seeds that nothing was tuned on) and open data of real ones. Prints
tables in markdown; progress goes to standard error; Ctrl-C ends it with the tables of
what is done.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

import accuracy_goals
import accuracy_tables
from accuracy_open import raw_rows, recorder_rows, webcam_rows
from accuracy_people import Row
from accuracy_studies import Place, all_studies

from calibkit.simulation import TRACKERS

OPEN: dict[str, Callable[[], Iterator[Row]]] = {
    "open data, raw vectors": raw_rows,
    "open data, the recorder's own": recorder_rows,
    "open data, webcam": webcam_rows,
}


def say(text: str) -> None:
    """Progress."""
    print(text, file=sys.stderr, flush=True)


def one_desk(place: Place) -> list[Row]:
    """Work of one process: all studies of one tracker at one desk."""
    name = f"{place.tracker} at desk {place.geometry}"
    return list(all_studies(place, lambda text: say(f"{name}: {text}")))


def one_open(name: str) -> list[Row]:
    """Work of one process: one set of open data (empty where it is absent)."""
    return list(OPEN[name]())


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--people", type=int, default=100, help="persons per tracker")
    parser.add_argument("--geometries", type=int, default=4, help="desks")
    parser.add_argument("--trackers", nargs="+", choices=TRACKERS, default=TRACKERS)
    parser.add_argument(
        "--skip-open", action="store_true", help="simulated people only"
    )
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, help="write the tables here, too")
    return parser.parse_args()


def _quiet() -> None:
    # The parent alone answers Ctrl-C.
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def measured(args: argparse.Namespace) -> list[Row]:
    """Run everything, by processes; what was done until an interruption."""
    each = -(-args.people // args.geometries)
    places = [
        Place(tracker=t, geometry=g, geometries=args.geometries, people=each)
        for g in range(args.geometries)
        for t in args.trackers
    ]
    rows: list[Row] = []
    pool = ProcessPoolExecutor(
        args.processes, mp_context=get_context("spawn"), initializer=_quiet
    )
    jobs: dict[Future[list[Row]], str] = {}
    for place in places:
        jobs[pool.submit(one_desk, place)] = f"{place.tracker}, {place.geometry}"
    for name in () if args.skip_open else OPEN:
        jobs[pool.submit(one_open, name)] = name
    start = time.monotonic()
    try:
        for done, job in enumerate(as_completed(jobs), 1):
            rows += job.result()
            took = time.monotonic() - start
            say(f"{done} of {len(jobs)} parts done ({jobs[job]}), {took:.0f} s")
    except KeyboardInterrupt:
        say("interrupted; the tables hold what is done")
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in list((pool._processes or {}).values()):
            process.terminate()
    return rows


def main() -> None:
    """Measure, then print."""
    # Processes use the cores; the linear algebra in each must not.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    args = _arguments()
    rows = accuracy_tables.Rows(measured(args))
    lines = [
        "Median / 95th percentile in degrees; simulated people against true gaze.",
        *accuracy_goals.goals(rows),
        *accuracy_tables.simulated(rows.where(lambda r: r.tracker != "real")),
        *accuracy_tables.real(rows.where(lambda r: r.tracker == "real")),
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    if args.out:
        args.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
