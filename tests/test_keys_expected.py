"""When a running session has enough for the keys that are asked for.

Outside sources: half widths of 2 and 2.236 sd of a square key and their joint
probabilities 0.911 and 0.95 (the project's literature notes, section 5; 0.9545 squared
from any normal table); scipy's multivariate normal over the key's exact edges.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invented import NINE, record
from scipy.stats import multivariate_normal

from calibkit import cli, fit, geometry
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.joined.run_verdict import enough
from calibkit.judged.keys_expected import expected_hit, hit_probability
from calibkit.kept import protocol as protocols
from calibkit.kept.protocol_model import Protocol
from calibkit.kept.recording import Recording

# So far away that a degree is the same everywhere.
FAR = Setup(screen_px=(1000, 1000), screen_mm=(500.0, 500.0), distance_mm=20_000.0)
NEAR = Setup(screen_px=(1920, 1080), screen_mm=(531.0, 299.0), distance_mm=600.0)


@pytest.mark.parametrize(("half", "joint"), [(2.0, 0.91107), (2.236, 0.94990)])
def test_square_keys_have_the_published_joint_probability(
    half: float, joint: float
) -> None:
    side_deg = 2 * math.degrees(math.atan2(50.0, FAR.distance_mm))
    hits = hit_probability(np.array(side_deg / 2 / half), FAR, 5, 5)
    assert hits == pytest.approx(np.full(25, joint), abs=2e-4)


def test_each_key_is_the_integral_over_its_exact_edges() -> None:
    rows, columns, sd = 3, 4, np.array([1.1, 1.7])
    hits = hit_probability(sd, NEAR, rows, columns).reshape(rows, columns)
    size = np.array(NEAR.screen_px) / (columns, rows)
    for row in range(rows):
        for column in range(columns):
            middle = (np.array([column, row]) + 0.5) * size
            edges = [
                geometry.offset_deg(NEAR, middle, middle + sign * size * axis / 2)[0]
                for sign in (-1, 1)
                for axis in ((1, 0), (0, 1))
            ]
            low = np.array([edges[0][0], edges[1][1]])
            high = np.array([edges[2][0], edges[3][1]])
            gauss = multivariate_normal([0, 0], np.diag(sd**2))
            assert hits[row, column] == pytest.approx(
                gauss.cdf(high, lower_limit=low), abs=1e-5
            )


def asked(more: str) -> Protocol:
    head = '[protocol]\nversion = 1\nname = "mine"\n'
    return protocols.parse(f"{head}[targets]\npoints = [[0.5, 0.5]]\n[pace]\n{more}")


def test_smaller_keys_need_more_and_both_limits_must_hold() -> None:
    mapping = fit(record(4, NINE)[0])
    hits = [expected_hit(mapping, n, n) for n in (1, 2, 4, 8, 16, 64)]
    assert hits == sorted(hits, reverse=True)
    assert hits[1] > 0.99 > 0.5 > hits[-1]
    assert enough(mapping, asked("enough_keys = [2, 2]"))
    assert not enough(mapping, asked("enough_keys = [32, 32]"))
    assert not enough(mapping, asked("enough_keys = [2, 2]\nenough_deg = 0.001"))
    assert not enough(mapping, asked("enough_keys = [32, 32]\nenough_deg = 9.0"))
    assert not enough(mapping, asked(""))


def test_two_looks_are_never_enough() -> None:
    mapping = fit(record(4, NINE[:2], kind="screen")[0])
    assert not enough(mapping, asked("enough_keys = [1, 1]"))


def shown(home: Path, capsys: Any, tracker: str, grid: str) -> tuple[int, bool]:
    """How many of sixteen points a session took, and whether it said it had enough."""
    status = cli.main(
        ["calibrate", "--person", "wren", "--headless", "--seed", "4",
         "--tracker", tracker, "--protocol", "wide", "--home", str(home),
         "--set", f"pace.enough_keys={grid}", "--set", "check.points=[]"]
    )  # fmt: skip
    capsys.readouterr()
    assert status == 0
    (path,) = home.rglob("recordings/*/*.h5")
    rec = Recording.load(path)
    noted = "good enough, calibration ends" in [text for _, text in rec.events]
    return int((rec.targets["role"] == "calibration").sum()), noted


def test_a_session_ends_as_soon_as_the_keys_can_be_expected(
    tmp_path: Path, capsys: Any
) -> None:
    fine = shown(tmp_path / "fine", capsys, "pupil-reflex", "[30, 40]")
    few = shown(tmp_path / "few", capsys, "pupil-reflex", "[2, 3]")
    many = shown(tmp_path / "many", capsys, "pupil-reflex", "[5, 9]")
    rough = shown(tmp_path / "rough", capsys, "webcam", "[5, 9]")
    assert few[1]
    assert many[1]
    assert not fine[1]
    assert not rough[1]  # a webcam cannot promise such keys
    assert 3 <= few[0] <= many[0] < 16 <= min(fine[0], rough[0])


@pytest.mark.parametrize("bad", ["[0, 3]", "[2]", "[2.5, 3]", "[41, 2]", "4", "[]"])
def test_a_size_that_is_none_is_refused(bad: str) -> None:
    with pytest.raises(InputError, match=r"pace\.enough_keys"):
        asked(f"enough_keys = {bad}")
