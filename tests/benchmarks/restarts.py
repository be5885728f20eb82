"""How soon gaze flows again when a program was killed and started again.

python tests/benchmarks/restarts.py [TIMES]: a tracker (once with a clock that was an
hour ahead), the publisher's worker, the whole publisher; from the moment at which a
tracker sends to the first row at a client.
"""

from __future__ import annotations

import os
import platform
import random
import secrets
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "live"))

import fault_check
import fault_world

from calibkit.streams import lsl_config

PAUSE_S = 1.4  # a parent that has loaded all for the next worker


def spread(what: str, gaps_s: Sequence[float]) -> None:
    gaps = 1e3 * np.array(gaps_s)
    low, middle, high = np.quantile(gaps, [0.0, 0.5, 0.9])
    print(
        f"{what}: {len(gaps)} times, median {middle:.0f} ms, 90 of 100 within "
        f"{high:.0f} ms, {low:.0f} to {gaps.max():.0f} ms; over 300 ms: "
        f"{(gaps > 300).sum()}",
        flush=True,
    )


def run(folder: Path, kind: str, times: int) -> None:
    folder.mkdir()
    world = fault_world.World(folder, random.Random(1))
    try:
        world.run(-1.0, only=())
        for _ in range(times):
            time.sleep(PAUSE_S)
            if kind == "ahead":
                world.order("jump 3600")
                time.sleep(0.3)
            world.do("kill_tracker" if kind in ("tracker", "ahead") else f"kill_{kind}")
        time.sleep(2 * PAUSE_S)
    finally:
        rows = world.close()
    at = rows[:, fault_check.ARRIVAL]
    spans = sorted(fault_check.alive(world))
    if kind in ("tracker", "ahead"):
        starts = np.array([start for start, _ in spans[1:]])
        places = np.searchsorted(at, starts)
        spread(kind, at[places[places < len(at)]] - starts[places < len(at)])
    else:
        kills = np.array([when for when, _ in world.done])
        spread(kind, [gap_s for *_, gap_s in fault_check.around(kills, at, spans)])


def main(times: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "lsl.cfg"
        session = f"restarts-{secrets.token_hex(6)}"
        path.write_text(lsl_config.configuration(platform.system(), session))
        os.environ["LSLAPICFG"] = str(path)
        for kind in ("tracker", "ahead", "worker", "publisher"):
            run(Path(name) / kind, kind, times)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
