"""A stream whose y runs up, or that counts from the middle, is told from its looks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibkit import cli
from calibkit.judged import orientation
from calibkit.kept.recording import Recording

HERE = Path(__file__).parent.parent / "recordings"
SCREEN = ("glasses", "one-eye", "nystagmus", "wandering-child", "slow", "sleepy")
# Plain recomputation: by hand, the inverse of what a channel map's origin does.
FROM = {
    "bottom-left": lambda x, y: (x, 1080 - y),
    "center": lambda x, y: (x - 960, y - 540),
    "center-up": lambda x, y: (x - 960, 540 - y),
}


def turned(rec: Recording, origin: str) -> Recording:
    samples = rec.samples.astype(float)
    pairs = [k for k, c in enumerate(rec.channels) if c.type == "ScreenX"]
    for k in pairs:
        samples[:, k], samples[:, k + 1] = FROM[origin](
            samples[:, k], samples[:, k + 1]
        )
    return replace(rec, samples=samples)


@pytest.mark.parametrize("name", SCREEN)
@pytest.mark.parametrize("origin", FROM)
def test_the_origin_is_found(name: str, origin: str) -> None:
    rec = Recording.load(HERE / f"{name}.h5")
    assert orientation.better_origin(rec) == ""
    assert orientation.better_origin(turned(rec, origin)) == origin


@pytest.mark.parametrize("name", ["steady", "webcam"])
def test_raw_features_say_nothing(name: str) -> None:
    assert orientation.note(Recording.load(HERE / f"{name}.h5")) == ""


def test_few_targets_say_nothing() -> None:
    rec = turned(Recording.load(HERE / "glasses.h5"), "center")
    assert orientation.better_origin(rec.with_targets([0, 1, 2])) == ""
    empty = replace(rec, time=np.empty(0), samples=rec.samples[:0])
    assert orientation.better_origin(empty) == ""


def test_fit_tells_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "up.h5"
    turned(Recording.load(HERE / "glasses.h5"), "bottom-left").save(path)
    assert cli.main(["fit", str(path), "-o", str(tmp_path / "m.h5")]) == 0
    assert 'origin = "bottom-left"' in capsys.readouterr().err
