"""How well and how fast the camera's features follow a face that moves as told.

Prints tables; run as `python tests/benchmarks/camera.py`. Irises and head of a packaged
photograph are moved by warps (`moving_face`): one face, no real eye, no yaw. These are
figures of feasibility, not of accuracy with people. Time is set against the bare
networks, called once each as often as a frame needs them, in the same run.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

import moving_face

import calibkit
from calibkit.camera import face, models, rows

Array = NDArray[np.float64]
LENS = rows.Lens(size_px=moving_face.SIZE)
CHANNELS = rows.channels()
LABELS = [channel.label for channel in CHANNELS]
DEG = 0.007  # eye widths a degree: 12 mm of eyeball in an opening of 30 mm
BASE = moving_face.photograph()


class Bench:
    """One way to read faces."""

    def __init__(self, looks: int) -> None:
        contents = models.load(moving_face.models_home())
        self.reader = face.Reader(contents, looks=looks)

    def row(self, picture: moving_face.Image) -> Array:
        """Return the row of one picture."""
        return rows.row(self.reader.read(picture), 0, LENS)

    def rows(self, moves: list[dict[str, Any]]) -> Array:
        """Return the rows (n, c) of moved pictures."""
        return np.array([self.row(moving_face.picture(BASE, **one)) for one in moves])


def columns(end: str) -> list[list[int]]:
    """Columns of x and y of one kind of place, by eye."""
    return [
        [LABELS.index(f"{eye}_iris_{axis}{end}") for axis in "xy"]
        for eye in ("left", "right")
    ]


def following(bench: Bench) -> list[tuple[str, Array]]:
    """Gain, correlation, noise a frame and leakage of head moves, across and down."""
    rng = np.random.default_rng(1)
    across, down = np.linspace(-6, 6, 13), np.linspace(-4, 4, 13)
    aside = bench.rows([{"iris": (d, 0.0)} for d in across])
    below = bench.rows([{"iris": (0.0, d)} for d in down])
    still = bench.rows([{"noise": 8.0, "rng": rng} for _ in range(60)])
    moves = [
        {
            "shift": rng.uniform(-60, 60, 2),
            "scale": float(rng.uniform(0.6, 1.3)),
            "roll_deg": float(rng.uniform(-15, 15)),
        }
        for _ in range(40)
    ]
    moved = bench.rows(moves)
    width = moving_face.EYE_WIDTH
    made = []
    for end, name in (("", "eye opening"), ("_head", "head's frame")):
        found = []
        for pair in columns(end):
            both = ((across, aside[:, pair[0]]), (down, below[:, pair[1]]))
            gain = np.array([np.polyfit(k / width, f, 1)[0] for k, f in both])
            r = np.array([np.corrcoef(k, f)[0, 1] for k, f in both])
            noise = still[:, pair].std(axis=0) / gain / DEG
            leak = moved[:, pair].std(axis=0) / gain / DEG
            found.append([*gain, *r, *noise, *leak])
        made.append((name, np.mean(found, axis=0)))
    return made


def accuracy(bench: Bench, head: float, extra: tuple[str, ...] = ()) -> float:
    """Median error at four checks after nine targets, degrees, over three sessions."""
    found = []
    for seed in range(3):
        rec = moving_face.session(bench.row, CHANNELS, head=head, seed=seed)
        mapping = calibkit.fit(rec, extra=extra)
        found.append(calibkit.assess(mapping, rec, role="validation").accuracy_deg)
    return float(np.median(found))


def pace(bench: Bench, looks: int) -> tuple[float, float]:
    """Milliseconds a frame, and the same over the bare networks."""
    took, bare = [], []
    nets = (bench.reader.find_net, bench.reader.mesh_net, bench.reader.iris_net)
    sides, times = (128, 192, 64), (1, 3, 2 * looks)
    inputs = [np.full((side, side, 3), 0.5, np.float32) for side in sides]
    for _ in range(60):
        start = time.perf_counter()
        bench.row(BASE)
        took.append(time.perf_counter() - start)
        start = time.perf_counter()
        for net, picture, count in zip(nets, inputs, times, strict=True):
            for _ in range(count):
                net(picture)
        bare.append(time.perf_counter() - start)
    frame = float(np.median(took))
    return 1000 * frame, frame / float(np.median(bare))


def main() -> None:
    """Print the tables."""
    print("| looks | iris in | gain H / V | r H / V | noise H / V | leak H / V |")
    print("| --- | --- | --- | --- | --- | --- |")
    benches = {looks: Bench(looks) for looks in (1, 3, 5)}
    for looks, bench in benches.items():
        for name, one in following(bench):
            pairs = [f"{a:.2f} / {b:.2f}" for a, b in one.reshape(4, 2)]
            pairs[1] = f"{one[2]:.3f} / {one[3]:.3f}"
            print(f"| {looks} | {name} | {' | '.join(pairs)} |")
    print("\n| looks | ms a frame | over bare networks | still head | moving | more |")
    print("| --- | --- | --- | --- | --- | --- |")
    more = tuple(name for name in LABELS if name.endswith("_head"))
    for looks, bench in benches.items():
        ms, ratio = pace(bench, looks)
        errors = [
            accuracy(bench, 0.1),
            accuracy(bench, 1.0),
            accuracy(bench, 1.0, more),
        ]
        told = " | ".join(f"{error:.2f}" for error in errors)
        print(f"| {looks} | {ms:.1f} | {ratio:.2f} | {told} |")


if __name__ == "__main__":
    main()
