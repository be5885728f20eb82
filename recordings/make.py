"""Make the recordings in this folder anew: `python recordings/make.py`.

Invented people at invented trackers; nobody real was recorded. The same calibkit
version gives the same samples, to the bit, on one machine.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from calibkit import simulation
from calibkit.geometry import Setup, area_to_px
from calibkit.kept import protocol

HERE = Path(__file__).parent
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.5), distance_mm=600.0)
SEED = 2026
# Name: tracker, kind of person, samples a second (a webcam keeps its own).
RECORDINGS = {
    "steady": ("pupil-reflex", "steady", 60.0),
    "webcam": ("webcam", "steady", None),
    "glasses": ("screen", "glasses", 60.0),
    "one-eye": ("screen", "one-eye", 60.0),
    "strabismus": ("screen", "strabismus", 60.0),
    "nystagmus": ("screen", "nystagmus", 60.0),
    "wandering-child": ("screen", "wandering-child", 60.0),
    "slow": ("screen", "slow", 60.0),
    "sleepy": ("screen", "sleepy", 60.0),
    "head-mover": ("screen", "head-mover", 60.0),
}


def make(name: str, tracker: str, kind: str, rate_hz: float | None) -> Path:
    """Record nine calibration and eight check targets with one invented person."""
    person = simulation.person(
        tracker=tracker, kind=kind, seed=SEED, setup=SETUP, rate_hz=rate_hz
    )
    full, checks = protocol.load("full"), protocol.load("off-grid")
    points = np.vstack(
        [
            area_to_px(SETUP, part.targets.points, part.targets.area)
            for part in (full, checks)
        ]
    )
    roles = ["calibration"] * len(full.targets.points)
    roles += ["validation"] * len(checks.targets.points)
    rec = simulation.record(
        person, points, seed=SEED, seconds_per_point=1.5, roles=roles
    )[0]
    path = HERE / f"{name}.h5"
    small = dataclasses.replace(
        rec,
        samples=rec.samples.astype(np.float32),
        person=name,
        created="2026-11-25T00:00:00+00:00",
    )
    small.save(path)
    return path


if __name__ == "__main__":
    for name, (tracker, kind, rate_hz) in RECORDINGS.items():
        path = make(name, tracker, kind, rate_hz)
        print(f"{path.name}: {path.stat().st_size / 1024:.0f} KB")
