"""A fit says so where the looks contradict what a tracker says of the screen."""

from __future__ import annotations

from dataclasses import replace

import invented
import numpy as np
import pytest

import calibkit
from calibkit.kept.recording import Recording


@pytest.fixture(scope="module")
def rec() -> Recording:
    return invented.record(2, invented.NINE, kind="screen")[0]


def changed(rec: Recording, factor: float, unit: str) -> Recording:
    """The same looks, sent in another unit."""
    channels = tuple(
        replace(c, unit=unit) if c.type.startswith("Screen") else c
        for c in rec.channels
    )
    at = [c.type.startswith("Screen") for c in rec.channels]
    samples = np.where(at, np.asarray(rec.samples) * factor, rec.samples)
    return replace(rec, channels=channels, samples=samples)


@pytest.mark.parametrize(
    ("factor", "unit"), [(1 / 1920, ""), (1 / 1920, "pixels"), (0.02, "deg"), (2, "px")]
)
def test_a_unit_that_cannot_be_right_is_told(
    rec: Recording, factor: float, unit: str
) -> None:
    # Source: reliability, appendix row 60: plausibility test of units; issue "a wide,
    # honest answer, never a confident wrong one".
    mapping = calibkit.fit(changed(rec, factor, unit))
    assert any("another unit" in note for note in mapping.notes)
    sd = mapping.apply(np.nan_to_num(rec.samples[:200])).sd
    assert np.nanmedian(sd) > 100  # px: it does not pretend to know


def test_who_looks_leaves_no_doubt(rec: Recording) -> None:
    assert calibkit.fit(rec).notes == ()
    assert calibkit.fit(changed(rec, 1.0, "Pixels")).notes == ()
    few, _ = invented.record(3, invented.NINE, kind="screen", lapses=[0, 5])
    assert calibkit.fit(few).notes == ()


def test_complex_numbers_are_no_samples(rec: Recording) -> None:
    with pytest.raises(ValueError, match="complex"):
        calibkit.fit(rec).apply(rec.samples[:3] + 1j)  # type: ignore[arg-type]
