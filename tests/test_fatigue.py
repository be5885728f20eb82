"""Fatigue: trends against scipy's regression, and what is said about them.

Outside source: scipy.stats.linregress. The limits of time are our judgement; no
published session limit was found.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibkit.judged import fatigue
from calibkit.judged.behaviour import WATCH_DTYPE, Behaviour


def behaviour(seconds: float = 40.0, count: int = 14, **columns: Any) -> Behaviour:
    rows = np.zeros(count, WATCH_DTYPE)
    rows["time"] = np.linspace(0.0, seconds - 2.0, count)
    rows["seconds"], rows["latency_s"] = 2.0, 0.5
    rng = np.random.default_rng(1)
    rows["loss"] = 0.03 + 0.005 * rng.standard_normal(count)
    for name, value in columns.items():
        rows[name] = value
    return Behaviour(
        targets=rows, seconds=seconds, blinks_per_min=10.0, blink_s=0.2, shut=0.02
    )


@given(st.integers(0, 999), st.floats(-0.3, 0.3))
@settings(max_examples=30, deadline=None)
def test_trends_are_regressions(seed: int, slope: float) -> None:
    """Source: scipy.stats.linregress, slope, its error and its one-sided p."""
    from scipy.stats import linregress, t

    rng = np.random.default_rng(seed)
    first = behaviour(loss=0.3 + 0.05 * rng.standard_normal(14))
    minutes = first.targets["time"] / 60.0
    made = behaviour(loss=first.targets["loss"] + slope * minutes)
    found = {trend.name: trend for trend in fatigue.trends([made])}["loss"]
    expected = linregress(minutes, made.targets["loss"], alternative="greater")
    assert found.per_min == pytest.approx(expected.slope, abs=1e-9)
    assert found.rising == pytest.approx(1.0 - expected.pvalue, abs=1e-9)
    half = t.ppf(0.975, 12) * expected.stderr
    assert found.high - found.low == pytest.approx(2 * half, abs=1e-9)


def test_attempts_follow_one_another() -> None:
    """Two attempts are one line in time: a step between them is a trend."""
    one, two = behaviour(), behaviour(loss=0.25)
    found = {trend.name: trend for trend in fatigue.trends([one, two])}["loss"]
    assert found.tells
    assert found.rise > 0.2


def test_a_sitting_of_three_attempts_is_one_line_in_time() -> None:
    """Source: scipy.stats.linregress over all targets, each at its own minute."""
    from scipy.stats import linregress

    made = [behaviour(seconds, loss=0.1 * k) for k, seconds in enumerate((40, 70, 30))]
    starts = (0.0, 40.0, 110.0)
    minutes = np.concatenate(
        [
            (start + one.targets["time"]) / 60
            for start, one in zip(starts, made, strict=True)
        ]
    )
    loss = np.concatenate([one.targets["loss"] for one in made])
    found = {trend.name: trend for trend in fatigue.trends(made)}["loss"]
    assert found.per_min == pytest.approx(linregress(minutes, loss).slope, abs=1e-9)


@pytest.mark.parametrize("seconds", [40.0, 100.0])
def test_signs_of_tiredness_ask_for_a_rest_whenever_they_come(seconds: float) -> None:
    assert seconds < fatigue.REST_S
    found = fatigue.judge([behaviour(seconds, loss=np.linspace(0.02, 0.9, 14))])
    assert found.kind == "rest"
    assert "Signs of tiredness" in found.words


def test_fresh_eyes_go_on() -> None:
    found = fatigue.judge([behaviour()])
    assert found.kind == "on"
    assert found.figures == ()


@pytest.mark.parametrize(
    ("columns", "name"),
    [
        ({"loss": np.linspace(0.02, 0.5, 14)}, "loss"),
        ({"latency_s": np.linspace(0.4, 1.6, 14)}, "latency"),
        ({"blinks": np.arange(14) // 3}, "blinks"),
        ({"missed": np.arange(14) > 8}, "missed"),
    ],
)
def test_what_rises_asks_for_a_rest(columns: dict[str, Any], name: str) -> None:
    found = fatigue.judge([behaviour(**columns)])
    assert found.kind == "rest"
    assert found.figures[0].name == f"{name} per minute"
    assert found.figures[0].low > 0
    assert "rest" in found.words


def test_what_falls_does_not() -> None:
    assert fatigue.judge([behaviour(loss=np.linspace(0.5, 0.02, 14))]).kind == "on"


def test_a_small_rise_is_nothing() -> None:
    """Likely, yet too small to matter."""
    found = fatigue.judge([behaviour(loss=np.linspace(0.02, 0.05, 14))])
    assert found.kind == "on"


@pytest.mark.parametrize(
    ("runs", "kind"), [(1, "on"), (3, "on"), (4, "rest"), (8, "end")]
)
def test_long_looking_ends(runs: int, kind: str) -> None:
    assert fatigue.judge([behaviour()] * runs).kind == kind


def test_chance_seldom_asks_for_a_rest() -> None:
    """Four measures at 2.5 % each, most held back by the least rise that matters."""
    rng = np.random.default_rng(5)
    asked = [
        fatigue.judge(
            [
                behaviour(
                    loss=np.clip(rng.normal(0.05, 0.05, 14), 0, 1),
                    latency_s=rng.normal(0.5, 0.15, 14),
                    missed=rng.random(14) < 0.1,
                    blinks=rng.poisson(0.3, 14),
                )
            ]
        ).kind
        == "rest"
        for _ in range(200)
    ]
    assert np.mean(asked) < 0.12


def test_nothing_shown_is_no_fatigue() -> None:
    assert fatigue.judge([]).kind == "on"
    assert fatigue.judge([behaviour(count=2)]).kind == "on"
