"""Do the camera's features follow a face that moves as told?

The truth is the warp that moved the irises in a packaged photograph (`moving_face`).
Nothing here is about accuracy with a person: one photograph, no real eye.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import moving_face
import numpy as np
import pytest
from moving_face import EYE_WIDTH
from numpy.typing import NDArray

from calibkit.camera import face, models, rows

Array = NDArray[np.float64]
Read = Callable[..., Array]

LENS = rows.Lens(size_px=moving_face.SIZE)
LABELS = [channel.label for channel in rows.channels()]


def at(label: str) -> int:
    return LABELS.index(label)


@pytest.fixture(scope="module")
def reader() -> face.Reader:
    return face.Reader(models.load(moving_face.models_home()))


@pytest.fixture(scope="module")
def base() -> moving_face.Image:
    return moving_face.photograph()


@pytest.fixture(scope="module")
def rows_of(reader: face.Reader, base: moving_face.Image) -> Read:
    """Rows (n, c) of pictures that are moved as the keywords of each say."""

    def read(moves: list[dict[str, Any]]) -> Array:
        made = [moving_face.picture(base, **move) for move in moves]
        return np.array([rows.row(reader.read(one), 0, LENS) for one in made])

    return read


def line(known: Array, found: Array) -> tuple[float, float]:
    """Slope and correlation."""
    return float(np.polyfit(known, found, 1)[0]), float(np.corrcoef(known, found)[0, 1])


@pytest.mark.parametrize("eye", ["left", "right"])
def test_irises_are_followed(rows_of: Read, eye: str) -> None:
    """Against the known warp: gains as measured, and next to no scatter.

    Gains below one are the networks': they were trained on eyes whose lids move along.
    """
    across, down = np.linspace(-6, 6, 7), np.linspace(-4, 4, 7)
    aside = rows_of([{"iris": (d, 0.0)} for d in across])
    below = rows_of([{"iris": (0.0, d)} for d in down])
    for end, gains in (("", (0.42, 0.24)), ("_head", (0.67, 0.32))):
        gain, r = line(across / EYE_WIDTH, aside[:, at(f"{eye}_iris_x{end}")])
        assert gain == pytest.approx(gains[0], abs=0.15)
        assert r > 0.99
        gain, r = line(down / EYE_WIDTH, below[:, at(f"{eye}_iris_y{end}")])
        assert gain == pytest.approx(gains[1], abs=0.12)
        assert r > 0.95
