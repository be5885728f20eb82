"""What the tests of storage share: strategies, small examples, a scale."""

from __future__ import annotations

import os
import string
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import strategies as st

from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.kept.recording import Recording, target_rows

SCALE = float(os.environ.get("CALIBKIT_TEST_SCALE", "1"))
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.0), distance_mm=600.0)
CHANNELS = tuple(
    Channel(label=f"{axis} – left", eye="left", type=f"Pupil{axis}", unit="pixel")
    for axis in "XY"
)
# Text on file ends at its first NUL, and half a surrogate pair is no text.
TEXT = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40
)
NAMES = st.text(string.ascii_letters + string.digits + "_ ü", min_size=1, max_size=12)
CODES = st.sampled_from(["<f4", "<f8", "<i4", "<i8", "|u1", "<u2", "|S1", "|S7"])


def scaled(count: int) -> int:
    return max(1, round(count * SCALE))


@st.composite
def plain_arrays(draw: st.DrawFn) -> np.ndarray[Any, Any]:
    """Any bytes as an array, so that every NaN and negative zero comes along."""
    if draw(st.booleans()):
        codes = draw(st.lists(CODES, min_size=1, max_size=4))
        dtype = np.dtype([(f"f{i}", code) for i, code in enumerate(codes)])
    else:
        dtype = np.dtype(draw(CODES))
    shape = tuple(draw(st.lists(st.integers(0, 4), max_size=2)))
    size = int(np.prod(shape)) * dtype.itemsize
    data = draw(st.binary(min_size=size, max_size=size))
    return np.frombuffer(data, dtype).reshape(shape)


def recording(**changes: Any) -> Recording:
    """Make a small recording with every part filled."""
    samples = np.random.default_rng(1).normal(size=(50, 2))
    samples[7] = np.nan
    rows = [
        (0.0, 0.08, 960.0, 540.0, "calibration", "gaze", 1),
        (0.1, 0.2, np.nan, np.nan, "validation", "timer", 0),
    ]
    fields: dict[str, Any] = {
        "person": "p-01",
        "session": "s-01",
        "attempt": 2,
        "created": "2026-11-25T09:00:00Z",
        "software": "calibkit test",
        "setup": SETUP,
        "time": np.arange(50) / 250.0,
        "samples": samples,
        "channels": CHANNELS,
        "name": "Täst tracker",
        "source_id": "test:1",
        "nominal_rate": 250.0,
        "targets": target_rows(rows),
        "target_path": np.arange(6.0).reshape(2, 3),
        "events": ((0.05, "key: space – weiter"), (0.06, "pause")),
        "protocol": 'name = "two"\n# größer\n',
        "time_raw": np.arange(50) / 250.0 - 0.01,
        "clock": np.array([[0.0, 0.01]]),
    }
    return Recording(**(fields | changes))


def header() -> dict[str, Any]:
    rec = recording()
    names = ("person", "session", "attempt", "created", "software", "setup")
    more = ("channels", "name", "source_id", "nominal_rate", "protocol")
    return {name: getattr(rec, name) for name in (*names, *more)}


def one_line(error: BaseException, *words: str) -> None:
    """Check that an error is one sentence with these words in it."""
    text = str(error)
    assert "\n" not in text
    assert ";" in text or ":" in text  # what is wrong, then what to do
    for word in words:
        assert word in text, f"{word!r} is not in {text!r}"


def same(a: Any, b: Any) -> bool:
    """Whether two arrays are equal to the bit, type and shape included."""
    x, y = np.asarray(a), np.asarray(b)
    return x.dtype == y.dtype and x.shape == y.shape and x.tobytes() == y.tobytes()


def leftovers(folder: Path) -> list[Path]:
    return list(folder.rglob("*.calibkit-tmp-*"))
