"""What the tests of batches share: small invented recordings, and a plan."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import invented

from calibkit.batch.driver import Plan
from calibkit.batch.settings import Settings
from calibkit.kept.recording import Recording

FOUR = [(0.1, 0.1), (0.9, 0.1), (0.1, 0.9), (0.9, 0.9)]

# A worker that meets recordings which no tame one would survive.
WILD = (
    sys.executable,
    "-c",
    """
import os, signal, time
from pathlib import Path
from calibkit.batch import worker
tame = worker.work

def wild(task):
    name = Path(task["path"]).name
    if name.startswith("hang"):
        time.sleep(60)
    if name.startswith("crash"):
        os._exit(9)
    if name.startswith("once") and not Path(task["path"] + ".met").exists():
        Path(task["path"] + ".met").touch()
        os._exit(9)
    if name.startswith("print"):
        print("a library that prints", flush=True)
    return tame(task)

worker.work = wild
worker.main()
""",
)


def small(seed: int, **options: Any) -> Recording:
    """A recording of a few seconds with screen-like features."""
    given: dict[str, Any] = {
        "kind": "screen",
        "seconds": 0.6,
        "checks": invented.CHECKS[:3],
    }
    rec = invented.record(seed, FOUR, **(given | options))[0]
    return replace(rec, name="invented screen", session=f"s{seed}")


def plan(folder: Path, table: Path, **options: Any) -> Plan:
    """What a batch with plain settings does."""
    given: dict[str, Any] = {"folders": (folder,), "table": table}
    return Plan(**(given | {"settings": Settings()} | options))
