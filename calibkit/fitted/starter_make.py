"""Make the starter priors anew: python -m calibkit.fitted.starter_make [FOLDER]."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibkit import simulation
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.prior import SharedMapping
from calibkit.fitted.shared import learn_shared
from calibkit.fitted.starter import FOLDER
from calibkit.kept.recording import Recording

DESKS, PEOPLE_PER_DESK = 8, 6
FIRST_DESK = 500  # no test and no bench sits at these
WIDER = 2.0  # simulated people differ less from one another than people do
EDGES = (0.07, 0.36, 0.64, 0.93)
NOTE = "made from simulated people: wide, only to begin with"


def points(rng: np.random.Generator) -> NDArray[np.float64]:
    """Twelve of sixteen places, other ones for everybody, then six checks."""
    lattice = np.array([(x, y) for y in EDGES for x in EDGES])
    return np.vstack([rng.permutation(lattice)[:12], rng.uniform(0.1, 0.9, (6, 2))])


def recordings(tracker: str) -> list[Recording]:
    """Simulated people of every attentive kind at several desks."""
    kinds = ("steady", "glasses", "steady", "head-mover", "steady", "steady")
    made = []
    for desk in range(DESKS):
        place = simulation.desk(FIRST_DESK + desk, tracker)
        for k in range(PEOPLE_PER_DESK):
            seed = 900_000 + 100 * desk + k
            person = simulation.person(
                tracker=tracker, kind=kinds[k % len(kinds)], seed=seed, desk=place
            )
            where = points(np.random.default_rng(seed)) * person.setup.screen_px
            roles = ["calibration"] * 12 + ["validation"] * 6
            made.append(simulation.record(person, where, seed=1, roles=roles)[0])
    return made


def starter(tracker: str) -> SharedMapping:
    """Learn one, widen it, and say what it is."""
    learned = learn_shared(recordings(tracker))
    wide = Gaussian(mean=learned.weights.mean, cov=learned.weights.cov * WIDER)
    return replace(learned, weights=wide, origin="simulated", notes=(NOTE,))


def main() -> None:
    """Write all of them."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for tracker in simulation.TRACKERS:
        starter(tracker).save(folder / f"{tracker}.h5")


if __name__ == "__main__":
    main()
