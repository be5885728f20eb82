"""An invented person and tracker with few assumptions, for tests of the fit.

Not the simulator: a plain polynomial eye with known truth, so that a test can say what
should come out. It shares no code with `calibkit.simulation`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibkit.channels import Channel
from calibkit.geometry import Setup, angles_to_px, px_to_angles
from calibkit.kept.recording import Recording, target_rows

Array = NDArray[np.float64]
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(531.0, 299.0), distance_mm=650.0)
NINE = [(x, y) for y in (0.08, 0.5, 0.92) for x in (0.08, 0.5, 0.92)]
CHECKS = [(0.2, 0.3), (0.75, 0.25), (0.4, 0.7), (0.65, 0.6), (0.3, 0.5)]


def channels(kind: str, eyes: Sequence[str] = ("left", "right")) -> tuple[Channel, ...]:
    """Channels of a pupil-reflex, screen or direction stream."""
    types = {
        "pupil-reflex": (
            "PupilX",
            "PupilY",
            "ReflexX",
            "ReflexY",
            "ReflexX",
            "ReflexY",
        ),
        "screen": ("ScreenX", "ScreenY"),
        "direction": ("DirectionX", "DirectionY", "DirectionZ"),
    }[kind]
    unit = {"pupil-reflex": "px", "screen": "pixels", "direction": "1"}[kind]
    return tuple(
        Channel(label=f"{eye} {k}", eye=eye, type=type_, unit=unit)
        for eye in eyes
        for k, type_ in enumerate(types)
    )


def features(kind: str, angles: Array, setup: Setup, place: float) -> Array:
    """Raw channels (n, c) of one eye whose bent view is `angles`, degrees."""
    if kind == "screen":
        return angles_to_px(setup, angles)
    if kind == "direction":
        flat = np.column_stack([np.tan(np.radians(angles)), np.ones(len(angles))])
        return flat / np.linalg.norm(flat, axis=1, keepdims=True)
    middle = np.array([place, 240.0])
    return np.hstack(
        [
            middle + angles * 0.5,
            np.tile(np.add(middle, [-5.0, 0.0]), (len(angles), 1)),
            np.tile(np.add(middle, [5.0, 0.0]), (len(angles), 1)),
        ]
    )


def bend(seed: int, eye: int, gaze: Array) -> Array:
    """One person's eye: offset, gain, a little curvature; what the tracker sees."""
    rng = np.random.default_rng([seed, eye])
    offset = np.array([4.0 * (1 - 2 * eye), 1.0]) + rng.normal(0, 1.2, 2)
    gain = 1.0 + rng.normal(0, 0.05, 2)
    curve = rng.normal(0, 0.4, (2, 2)) / 300.0
    return offset + gaze * gain + (gaze**2) @ curve


def record(
    seed: int,
    places: ArrayLike,
    *,
    kind: str = "pupil-reflex",
    checks: ArrayLike = CHECKS,
    eyes: Sequence[str] = ("left", "right"),
    setup: Setup = SETUP,
    rate: float = 60.0,
    seconds: float = 1.0,
    noise_deg: float = 0.1,
    aim_deg: float = 0.2,
    lapses: Sequence[int] = (),
    advance: str = "timer",
) -> tuple[Recording, Array]:
    """One invented person looks at targets; also returns true gaze (px)."""
    rng = np.random.default_rng([seed, 99])
    cal = np.asarray(places, float).reshape(-1, 2)
    val = np.asarray(checks, float).reshape(-1, 2)
    points = np.vstack([cal, val]) * setup.screen_px
    angles = px_to_angles(setup, points)
    per = round(seconds * rate)
    gaze = np.empty((per * len(points), 2))
    before = np.zeros(2)
    for k, target in enumerate(angles):
        aim = target + rng.normal(0, aim_deg, 2)
        if k in lapses:
            # Each elsewhere on its own, always towards the screen's other half.
            aim = -np.sign(target + 0.1) * rng.uniform([4.0, 2.0], [14.0, 8.0])
        late = min(per - 1, round((0.18 + 0.05 * rng.random()) * rate))
        gaze[k * per : k * per + late] = before
        gaze[k * per + late : (k + 1) * per] = aim
        before = aim
    parts = [
        features(
            kind,
            bend(seed, e, gaze) + rng.normal(0, noise_deg, gaze.shape),
            setup,
            300.0 + 100.0 * e,
        )
        for e in range(len(eyes))
    ]
    start = 1000.0
    rows = [
        (
            start + k * seconds,
            start + (k + 1) * seconds,
            *points[k],
            "calibration" if k < len(cal) else "validation",
            advance,
            1,
        )
        for k in range(len(points))
    ]
    recording = Recording(
        setup=setup,
        time=start + np.arange(len(gaze)) / rate,
        samples=np.hstack(parts),
        channels=channels(kind, eyes),
        targets=target_rows(rows),
        nominal_rate=rate,
        person=f"invented-{seed}",
    )
    return recording, angles_to_px(setup, gaze)
