"""What one sample costs a publisher whose caches other programs have filled meanwhile.

python tests/benchmarks/cold.py

At 60 samples a second that is usual; the same call at once again takes far less.
Each call comes after 64 MB were read and some other Python was run; the parts take
turns, and medians are told. Figures are for comparing two versions on one machine.
"""

from __future__ import annotations

import ctypes
import struct
import time
from collections.abc import Callable
from typing import Any

import numpy as np

import calibkit
from calibkit import simulation
from calibkit.live import drift_reference
from calibkit.live.publisher import Publisher, one_by_one
from calibkit.live.publisher_gate import Gate
from calibkit.streams import lsl_live

TIMES, RATE_HZ, BLOCK = 300, 60.0, 120
OTHERS = np.ones(8_000_000)


def fill_caches() -> None:
    """Do what other programs do between two samples."""
    OTHERS.sum()
    words = {}
    for k in range(300):
        words[k] = str(k)


class Outlet:
    """An outlet whose library only takes its call."""

    obj, channel_count, value_type = ctypes.c_void_p(1), 7, ctypes.c_double

    def __init__(self) -> None:
        self.do_push_chunk_n = ctypes.CDLL(None).abs


Part = Callable[[float, Any], object]  # of a stamp and a sample


def parts() -> tuple[Callable[[int], Any], dict[str, Part]]:
    """What reads the k-th sample, and what is measured."""
    points = [[x, y] for y in (100, 540, 980) for x in (150, 960, 1770)]
    person = simulation.person(tracker="pupil-reflex", seed=3)
    rec = simulation.record(person, points, seed=3, seconds_per_point=1.2)[0]
    made, samples = calibkit.fit(rec), np.asarray(rec.samples, float)
    form = struct.Struct(f"=Bd{samples.shape[1]}d")
    packed = [form.pack(2, 1.0, *row) for row in samples.tolist()]
    mapped, gate, publisher = one_by_one(made), Gate(), Publisher(made)
    send, row = lsl_live._pusher(Outlet()), [1.0, 2.0, 0.5, 0.5, 1.0, 7.0, made.id]
    block_s, block = np.arange(BLOCK) / RATE_HZ, samples[:BLOCK]
    return lambda k: form.unpack(packed[k % len(packed)])[2:], {
        "mapping": lambda stamp, sample: mapped(sample),
        "gate": lambda stamp, sample: gate.accept(stamp, stamp + 0.001),
        "step": lambda stamp, sample: publisher.step(stamp, sample, stamp + 0.001),
        "send": lambda stamp, sample: send(stamp, row),
        "levels": lambda stamp, sample: drift_reference.levels(
            block_s, block, rec.channels, rec.setup
        ),
        "nothing": lambda stamp, sample: None,
    }


def main() -> None:
    """Tell what each part takes."""
    sample, every = parts()
    took: dict[str, list[float]] = {name: [] for name in every}
    for k in range(TIMES):
        for name, call in every.items():
            fill_caches()
            one = sample(k)
            start = time.perf_counter_ns()
            call(k / RATE_HZ, one)
            took[name].append((time.perf_counter_ns() - start) / 1e3)
    for name, times in took.items():
        low, middle = np.quantile(times[TIMES // 10 :], [0.25, 0.5])
        print(f"{name:8s} {middle:7.1f} us, lowest quarter up to {low:7.1f}")


if __name__ == "__main__":
    main()
