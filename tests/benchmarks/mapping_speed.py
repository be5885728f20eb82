"""How fast: a fit of nine targets, learning from 200 people, applying to a million.

Prints a table; run as `python tests/benchmarks/mapping_speed.py`. Applying is set
against bare numpy evaluation of the same functions in the same run, so that the ratio
means the same on any machine.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

import invented

from calibkit import Mapping, Recording, fit, learn_shared
from calibkit.fitted.basis import exponents
from calibkit.fitted.starter import load as load_starter

Array = NDArray[np.float64]
SAMPLES, PEOPLE = 1_000_000, 200
LIMITS = {"fit": "20 ms", "learn": "5 s", "apply": "3"}


def seconds(work: Callable[[], object], times: int) -> float:
    """Median time of a call."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return float(np.median(took))


def people(count: int) -> list[Recording]:
    """Invented people with nine of thirteen points each, at 60 Hz."""
    inner = [(0.29, 0.29), (0.71, 0.29), (0.29, 0.71), (0.71, 0.71)]
    places = [*invented.NINE, *inner]
    made = []
    for k in range(count):
        picks = np.random.default_rng(k).permutation(13)[:9]
        made.append(invented.record(5000 + k, [places[p] for p in picks], checks=[])[0])
    return made


def bare(mapping: Mapping, xy: list[Array]) -> Callable[[], Array]:
    """The same polynomial of both eyes by numpy, features given, nothing else."""
    terms, ready = exponents(mapping.basis.degree), mapping.evaluator

    def work() -> Array:
        out = np.zeros((len(xy[0]), 2))
        for e, one in enumerate(xy):
            x, y = one.T
            design = np.column_stack([x**p * y**q for p, q in terms])
            out += (design @ ready.coefficients[e].T) * ready.eye_weights[e]
        return out

    return work


def main() -> None:
    """Measure and print."""
    shared = learn_shared(people(20))
    nine, _ = invented.record(1, invented.NINE, rate=250.0, checks=[])
    mapping = fit(nine, shared)
    rng = np.random.default_rng(0)
    rows = nine.samples[rng.integers(0, len(nine.samples), SAMPLES)]
    xy = [rng.uniform(-1, 1, (SAMPLES, 2)) for _ in range(2)]
    many = people(PEOPLE)
    applied = seconds(lambda: mapping.apply(rows), 3)
    plain = seconds(bare(mapping, xy), 3)
    with_prior = 1e3 * seconds(lambda: fit(nine, shared), 25)
    without = 1e3 * seconds(lambda: fit(nine), 15)
    elsewhere = load_starter("starter-pupil-reflex")
    foreign = 1e3 * seconds(lambda: fit(nine, elsewhere), 15)
    learned = seconds(lambda: learn_shared(many), 1)
    print("| what | measured | limit |\n| --- | --- | --- |")
    print(
        f"| fit, nine targets, 250 Hz, shared mapping | {with_prior:.1f} ms | 20 ms |"
    )
    print(f"| the same without one | {without:.1f} ms | 50 ms |")
    print(f"| the same with a starter, of other desks | {foreign:.1f} ms | none |")
    print(f"| learn_shared, {PEOPLE} people of nine points | {learned:.1f} s | 5 s |")
    print(
        f"| apply, a million samples, by bare numpy | {applied:.2f} / {plain:.2f} s = "
        f"{applied / plain:.2f} | 3 |"
    )


if __name__ == "__main__":
    main()
