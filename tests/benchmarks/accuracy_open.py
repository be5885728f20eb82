"""The comparison on open data: real people, known targets, no true gaze.

Both sets are read from `../shared/data` beside the repository (or from the folder in
CALIBKIT_SHARED_DATA); nothing of them is copied here. Errors are against the *targets*,
so that they hold the person's own aim as well. Sources and licences: the sets' READMEs.
"""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from accuracy_people import CHI2_90, Applies, Array, Row

from calibkit import Recording, fit, learn_shared
from calibkit.channels import Channel
from calibkit.errors import CalibkitError
from calibkit.fitted.prior import SharedMapping
from calibkit.fitted.rivals import fit_rival
from calibkit.geometry import Setup, angle_between
from calibkit.kept.recording import target_rows

DATA = Path(
    os.environ.get("CALIBKIT_SHARED_DATA")
    or Path(__file__).parents[3] / "shared" / "data"
)
RIVALS = ("affine", "quadratic", "quadratic-robust", "thin-plate")
LOOK_S, RATE_HZ = 0.5, 60.0
SUBSETS = {1: [0], 2: [5, 8], 3: [5, 7, 4], 5: [0, 5, 6, 7, 8]}  # by order of the rows
NONE = np.array([np.nan])


def loader(name: str) -> ModuleType | None:
    """The data set's own reader; None where it is absent."""
    path = DATA / name / "load.py"
    spec = importlib.util.spec_from_file_location(f"open_{name}", path)
    if not path.exists() or spec is None or spec.loader is None:
        return None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _row(study: str, method: str, n: int, who: str, error: Array, inside: Array) -> Row:
    return Row(
        study=study,
        tracker="real",
        method=method,
        points=n,
        person=who,
        lapse=0.0,
        kind="",
        error=error,
        inside=inside,
    )


def _fitted(make: Callable[[], Applies]) -> Applies | None:
    try:
        return make()
    except CalibkitError:
        return None


# --- raw pupil minus reflex, fixation averages -------------------------------------


def raw_setup(run: dict[str, Any]) -> Setup:
    """A screen and distance under which pixels have the angles that were recorded."""
    px, deg = run["target_px"], run["target_deg"]
    size = np.array([1280.0, 1024.0])
    tangent = np.tan(np.radians(deg))
    slope = [np.polyfit(px[:, a], tangent[:, a], 1)[0] for a in range(2)]
    mm = np.abs(slope) * size * 600.0
    return Setup(
        screen_px=(1280, 1024),
        screen_mm=(float(mm[0]), float(mm[1])),
        distance_mm=600.0,
    )


def raw_recording(run: dict[str, Any], person: str, day: str) -> Recording:
    """Each fixation average as half a second of samples, pupil over a fixed reflex."""
    count = int(LOOK_S * RATE_HZ)
    features = np.repeat(run["features"], count, axis=0)
    reflex = np.full_like(features, 1000.0)
    time = np.arange(len(features)) / RATE_HZ
    rows = [
        (k * LOOK_S, (k + 1) * LOOK_S, float(x), float(y), "calibration", "timer", 1)
        for k, (x, y) in enumerate(run["target_px"])
    ]
    names = ("PupilX", "PupilY", "ReflexX", "ReflexY")
    return Recording(
        setup=raw_setup(run),
        time=time,
        samples=np.hstack([reflex + features, reflex]),
        channels=tuple(
            Channel(label=n, eye="right", type=n, unit="pixels") for n in names
        ),
        targets=target_rows(rows),
        person=person,
        session=day,
        nominal_rate=RATE_HZ,
    )


def _looked(rec: Recording, k: int) -> Array:
    count = int(LOOK_S * RATE_HZ)
    return np.asarray(rec.samples[k * count : k * count + 1], float)


def _errors(
    made: Applies, rec: Recording, hidden: Sequence[int]
) -> tuple[Array, Array]:
    target = np.column_stack([rec.targets["x"], rec.targets["y"]])[list(hidden)]
    gaze = made.apply(np.concatenate([_looked(rec, k) for k in hidden]))
    distance2 = np.sum(((gaze.xy - target) / gaze.sd) ** 2, axis=1)
    inside = np.where(np.isfinite(distance2), distance2 < CHI2_90, np.nan)
    return angle_between(rec.setup, gaze.xy, target), inside


def raw_rows() -> Iterator[Row]:
    """Nine points per run: all but one, and few, predict the rest."""
    module = loader("pcr9_sessions")
    if module is None:
        return
    runs = list(module.runs())
    recs = [
        (r["person"], raw_recording(r, r["person"], f"{r['session']}-{r['run']}"))
        for r in runs
    ]
    for person in sorted({p for p, _ in recs}):
        others = [rec for p, rec in recs if p != person]
        shared = learn_shared(others)
        mine = [rec for p, rec in recs if p == person]
        for k, rec in enumerate(mine):
            yield from _raw_run(person, rec, shared)
            if k:
                yield from _raw_again(person, mine[k - 1], rec, shared)


def _raw_run(person: str, rec: Recording, shared: SharedMapping) -> Iterator[Row]:
    everything = range(len(rec.targets))
    plans = [(n, rows) for n, rows in SUBSETS.items()]
    plans += [(8, [j for j in everything if j != k]) for k in everything]
    for n, rows in plans:
        part = rec.with_targets(rows)
        ways: dict[str, Callable[[], Applies]] = {
            "hierarchical, other people": lambda p=part: fit(p, shared),  # type: ignore[misc]
            "hierarchical, no prior": lambda p=part: fit(p),  # type: ignore[misc]
        }
        for name in RIVALS:
            ways[name] = lambda p=part, r=name: fit_rival(r, p)  # type: ignore[misc]
        hidden = [k for k in everything if k not in rows]
        for name, make in ways.items():
            made = _fitted(make)
            if made is not None:
                yield _row("raw", name, n, person, *_errors(made, rec, hidden))


def _raw_again(
    person: str, before: Recording, rec: Recording, shared: SharedMapping
) -> Iterator[Row]:
    """The run before (often of another day) as the prior."""
    mine = fit(before, shared)
    for n, rows in {0: [], 1: [0], 5: SUBSETS[5]}.items():
        hidden = [k for k in range(len(rec.targets)) if k not in rows]
        made = _fitted(lambda r=rows: fit(rec.with_targets(r), mine))  # type: ignore[misc]
        if made is not None:
            errors = _errors(made, rec, hidden)
            yield _row("raw", "own run before", n, person, *errors)


def recorder_rows() -> Iterator[Row]:
    """What the recorder's own mapping left, at nine check points and later on."""
    module = loader("pcr9_sessions")
    if module is None:
        return
    for found, name in (
        (module.validations(), "recorder's own, nine checks"),
        (module.drift_checks(), "recorder's own, later drift checks"),
    ):
        for one in found:
            yield _row("raw", name, 9, one["person"], one["offset_deg"], NONE)


# --- webcam estimates, already on the screen ---------------------------------------


def webcam_recording(block: dict[str, Any]) -> Recording:
    """One block; a laptop's size and distance are assumed: they only scale priors."""
    width, height = (round(v) for v in block["view_px"])
    rows = []
    for k in dict.fromkeys(block["point"]):
        inside = block["point"] == k
        x, y = block["target_px"][inside][0]
        start, end = block["t"][inside].min() - 0.02, block["t"][inside].max() + 0.02
        rows.append((start, end, float(x), float(y), "calibration", "timer", 1))
    return Recording(
        setup=Setup(
            screen_px=(width, height),
            screen_mm=(310.0, 310.0 * height / width),
            distance_mm=550.0,
        ),
        time=block["t"],
        samples=block["features"],
        channels=tuple(
            Channel(label=t, eye="both", type=t, unit="pixels")
            for t in ("ScreenX", "ScreenY")
        ),
        targets=target_rows(rows),
        person=block["person"],
        session=str(block["block"]),
    )


def _of_width(
    made: Applies | None, rec: Recording, hidden: Sequence[int]
) -> tuple[Array, Array]:
    """Error of each target's mean estimate in per cent of the screen's width."""
    errors, held = [], []
    for row in rec.targets[list(hidden)]:
        seen = (rec.time > row["onset"]) & (rec.time < row["offset"])
        if seen.sum() < 10:
            continue
        samples = rec.samples[seen]
        xy = samples if made is None else made.apply(samples).xy
        away = np.nanmean(xy, axis=0) - [row["x"], row["y"]]
        errors.append(100.0 * np.hypot(*away) / rec.setup.screen_px[0])
        sd = np.full(2, np.nan) if made is None else made.apply(samples).sd.mean(axis=0)
        ok = np.isfinite(sd).all()
        held.append(float(np.sum((away / sd) ** 2) < CHI2_90) if ok else np.nan)
    return np.array(errors), np.array(held)


def webcam_rows() -> Iterator[Row]:
    """Some of five points predict the others; one block predicts the next."""
    module = loader("webcam_points")
    if module is None:
        return
    blocks = [webcam_recording(b) for b in module.blocks()]
    people = sorted({rec.person for rec in blocks})
    halves = [set(people[::2]), set(people[1::2])]
    shared = [learn_shared([r for r in blocks if r.person in half]) for half in halves]
    for rec in blocks:
        prior = shared[1] if rec.person in halves[0] else shared[0]
        count = len(rec.targets)
        for n in range(min(count, 5)):
            for first in (0, 2) if n else (0,):
                rows = [(first + k) % count for k in range(n)]
                hidden = [k for k in range(count) if k not in rows]
                yield from _webcam("webcam", n, rec, rows, rec, hidden, prior)
    for before, rec in pairwise(blocks):
        if before.person == rec.person:
            prior = shared[1] if rec.person in halves[0] else shared[0]
            rows = list(range(len(before.targets)))
            hidden = list(range(len(rec.targets)))
            n = len(before.targets)
            yield from _webcam("next block", n, before, rows, rec, hidden, prior)


def _webcam(
    study: str,
    n: int,
    learn: Recording,
    rows: Sequence[int],
    rec: Recording,
    hidden: Sequence[int],
    prior: SharedMapping,
) -> Iterator[Row]:
    part = learn.with_targets(list(rows))
    own = _of_width(None, rec, hidden)
    yield _row(study, "tracker's own answer", n, rec.person, *own)
    ways: dict[str, Callable[[], Applies]] = {
        "hierarchical, other people": lambda: fit(part, prior),
        "hierarchical, no prior": lambda: fit(part),
    }
    for name in ("offset", "affine"):
        ways[name] = lambda r=name: fit_rival(r, part)  # type: ignore[misc]
    for name, make in ways.items():
        made = _fitted(make)
        if made is not None:
            yield _row(study, name, n, rec.person, *_of_width(made, rec, hidden))
