"""A tracker that can be told to misbehave; it notes each sample before it sends it.

Run as: python fault_tracker.py SOURCE_ID SAMPLES.npy LOG RATE SEED [CHANNELS]
Lines on standard input: "nan S", "zero S" (for so long), "jump S" (its clock).
"""

from __future__ import annotations

import os
import sys
import threading
import time

import numpy as np

from calibkit.streams import lsl


class Orders:
    """What was asked for by lines on standard input."""

    def __init__(self) -> None:
        self.lost_until_s, self.lost = 0.0, np.nan
        self.offset_s = 0.0
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        for line in sys.stdin:
            word, value = line.split()
            if word == "jump":
                self.offset_s += float(value)
            else:
                self.lost = {"nan": np.nan, "zero": 0.0}[word]
                self.lost_until_s = lsl.clock() + float(value)


def main(
    source_id: str, path: str, log: str, rate: float, seed: int, wide: int
) -> None:
    rows = np.load(path)
    pylsl = lsl._pylsl()
    count = wide or rows.shape[1]
    info = pylsl.StreamInfo("tracker", "Gaze", count, rate, "double64", source_id)
    labels = np.load(path.replace("samples", "channels"))
    block = info.desc().append_child("channels")
    for eye, kind in labels[:count]:
        node = block.append_child("channel")
        node.append_child_value("eye", str(eye))
        node.append_child_value("type", str(kind))
    outlet = pylsl.StreamOutlet(info, 0, 60)
    orders = Orders()
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    place, start = seed * 7919, lsl.clock()
    for k in range(1 << 40):
        due_s = start + k / rate
        rest_s = due_s - lsl.clock()
        if rest_s > 0:
            time.sleep(rest_s)
        # After a halt the missed samples follow in one burst, with their own stamps,
        # as those of a device with a buffer do.
        sample = rows[(place + k) % len(rows)].copy()
        if lsl.clock() < orders.lost_until_s:
            sample[:] = orders.lost
        stamp_s = due_s + orders.offset_s
        noted = np.concatenate([[stamp_s, lsl.clock(), orders.offset_s], sample])
        if not wide:
            os.write(handle, noted.tobytes())
        outlet.push_sample(sample[:count].tolist(), stamp_s)


if __name__ == "__main__":
    source, samples, notes, hertz, number, *more = sys.argv[1:]
    main(source, samples, notes, float(hertz), int(number), int(more[0]))
