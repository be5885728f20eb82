"""Thirty days of samples through the publisher's core, as fast as they go.

By hand: python tests/benchmarks/test_soak.py [DAYS] [RATE]. The core alone, without
streams: its memory must not grow, its row numbers must not slip, the last row must be
as exact as the first. Faults come now and then: gaps, repeats, jumps, lost eyes.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
from test_mapping_live import case

from calibkit.fitted.mapping_live import live
from calibkit.live.publisher import Publisher


def resident_mb() -> float:
    """Memory in use now (Linux), or the most so far elsewhere."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * resource.getpagesize() / 2**20
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(days: float, rate: float) -> None:
    mapping, samples = case("pupil-reflex")
    rows, exact = samples.tolist(), live(mapping)
    publisher, rng = Publisher(mapping), np.random.default_rng(1)
    total, now, sent = int(days * 86400 * rate), 0.0, 0
    begin, marks = time.monotonic(), []
    for k in range(total):
        now += 1 / rate
        if k % 100_003 == 0:
            now += float(rng.uniform(0, 30))  # nobody there
        stamp = now - 0.01
        if k % 50_021 == 0:
            stamp -= 1.0  # late
        sample = rows[k % len(rows)]
        row = publisher.step(stamp, sample, now)
        if row is None:
            publisher.tick(now)
        else:
            assert row[5] == sent
            sent += 1
        if publisher.news:
            publisher.told()
        if k % (total // 20) == total // 40:
            if row is not None:
                np.testing.assert_array_equal(row[:4], exact(sample))
            marks.append(resident_mb())
    took_s = time.monotonic() - begin
    grown = marks[-1] - marks[1]
    wrong = publisher.gate.counts.repeated
    print(
        f"{total} samples ({days:g} days at {rate:g} Hz) in {took_s:.0f} s: "
        f"{sent} rows, {wrong} out of order; memory {marks[1]:.1f} MB after a tenth, "
        f"{marks[-1]:.1f} MB at the end ({grown:+.2f} MB)"
    )
    assert grown < 1.0


def test_memory_is_flat_and_rows_stay_exact() -> None:
    main(0.05, 60.0)


if __name__ == "__main__":
    words = [float(word) for word in sys.argv[1:]]
    main(*(words + [30.0, 60.0][len(words) :]))
