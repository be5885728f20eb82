"""A whole recording at once, for benches and tests: the same life, no session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from calibkit.errors import CallError
from calibkit.kept.recording import Recording, target_rows
from calibkit.simulation.life import Life
from calibkit.simulation.optics import Array
from calibkit.simulation.people import Person

_PATH_HZ = 60.0
_LEAD_S = 0.5

Row = tuple[float, float, float, float, str, str, int]


def record(
    person: Person,
    points_px: ArrayLike,
    *,
    seed: int,
    seconds_per_point: float | Sequence[float] = 1.0,
    roles: str | Sequence[str] = "calibration",
    pause_s: float = 0.0,
    path: ArrayLike | None = None,
    lapse_share: float | None = None,
    start_s: float = 0.0,
) -> tuple[Recording, Array, Array]:
    """Show targets by the timer and record the person.

    Parameters
    ----------
    person : Person
    points_px : array (m, 2), px
        Targets, one after another; may be empty.
    seed : int
        Of the day: another one is another sitting of the same person.
    seconds_per_point : float or m of them, s
    roles : str or m of them
        "calibration" (default), "validation" or "pointing".
    pause_s : float, s
        Between targets, with nothing shown.
    path : array (p, 3), optional
        time since its onset (s), x, y (px) of a moving target shown after the points.
    lapse_share : float, optional
        Instead of the person's own.
    start_s : float, s
        When the recording begins.

    Returns
    -------
    recording : Recording
    truth_times : array (k,), s
    truth_px : array (k, 2)
        Where the person really looked.

    Raises
    ------
    CallError
        When the points, times or roles do not fit one another.
    """
    points = np.asarray(points_px, float).reshape(-1, 2)
    took = _each("seconds_per_point", seconds_per_point, len(points), float)
    names = _each("roles", roles, len(points), str)
    if lapse_share is not None:
        person = replace(person, lapse_share=float(lapse_share))
    life = person.begin(start_s, session=seed)
    rows: list[Row] = []
    clock = start_s + _LEAD_S
    for (x, y), seconds, role in zip(points, took, names, strict=True):
        rows.append((clock, clock + seconds, float(x), float(y), role, "timer", 1))
        clock += seconds + pause_s
    moving = _moving(path, clock)
    if len(moving):
        rows.append(
            (moving[0, 0], moving[-1, 0], np.nan, np.nan, "calibration", "timer", 1)
        )
        clock = float(moving[-1, 0])
    times, samples = _live(life, rows, moving, clock + _LEAD_S)
    truth_times, truth_px = life.truth()
    return (
        _recording(person, seed, times, samples, rows, moving),
        truth_times,
        truth_px,
    )


def _each(name: str, given: object, count: int, kind: type) -> list:  # type: ignore[type-arg]
    several = isinstance(given, Sequence | np.ndarray) and not isinstance(given, str)
    values = list(given) if several else [given] * count  # type: ignore[call-overload]
    if len(values) != count:
        raise CallError(
            f"{name} has {len(values)} values for {count} points; give one for each"
        )
    return [kind(value) for value in values]


def _moving(path: ArrayLike | None, onset_s: float) -> Array:
    moving = np.array([] if path is None else path, float).reshape(-1, 3)
    moving[:, 0] += onset_s
    return moving


def _live(
    life: Life, rows: list[Row], moving: Array, end_s: float
) -> tuple[Array, Array]:
    """Let the person see everything, in one go where no pause needs an answer."""
    times, samples = [], []

    def live(until_s: float) -> None:
        t, s = life.advance(until_s)
        times.append(t)
        samples.append(s)

    for number, row in enumerate(rows):
        onset, offset, x, y, role = row[:5]
        if not np.isfinite(x):
            continue
        live(onset)
        mark = {"id": str(number), "x": x, "y": y, "role": role}
        life.see({"event": "target_on", **mark}, onset)
        live(offset)
        life.see({"event": "target_off", **mark}, offset)
    for time_s, x, y in moving:
        life.see({"event": "target_path", "id": "path", "x": x, "y": y}, float(time_s))
    live(end_s)
    return np.concatenate(times), np.concatenate(samples)


def _recording(
    person: Person,
    seed: int,
    times: Array,
    samples: Array,
    rows: list[Row],
    moving: Array,
) -> Recording:
    return Recording(
        setup=person.setup,
        time=times,
        samples=samples,
        channels=person.channels,
        targets=target_rows(rows),
        target_path=moving,
        person=f"sim-{person.kind}-{person.seed}",
        session=f"day-{seed}",
        name=f"simulated {person.tracker}",
        source_id=f"calibkit-raw:{person.tracker}-{person.seed}",
        nominal_rate=person.nominal_rate,
    )
