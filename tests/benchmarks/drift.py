"""How soon drift is noticed, how often for nothing, and what a correction is worth.

Run: python tests/benchmarks/drift.py [--people 8] [--minutes 20]

Simulated persons are calibrated on nine points and then live on at 60 samples a second.
In half of the sittings the head or the pupil is changed at a known moment. Errors are
between estimated and true gaze, never the target, as means over dwells of 0.4 s.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit import fit, simulation
from calibkit.geometry import angle_between, angles_to_px, px_per_degree, px_to_angles
from calibkit.live import drift, drift_reference, drift_signs
from calibkit.live.drift_facts import NONE, POLICY, Drift, Pair

Array = NDArray[np.float64]
RATES = {"pupil-reflex": 60.0, "screen": 60.0, "webcam": 30.0}
CHANGE_S = 120.0
WAYS = ("look", "looks", "learned")
NINE = np.array([(x, y) for y in (0.1, 0.5, 0.9) for x in (0.1, 0.5, 0.9)])


@dataclass(frozen=True, kw_only=True)
class Case:
    """What is changed: head (right, down, away; mm), pupil (mm), camera (degrees)."""

    name: str
    head_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    pupil_mm: float = 0.0
    camera_deg: tuple[float, float] = (0.0, 0.0)


CASES = (
    Case(name="nothing"),
    Case(name="head 60 mm aside", head_mm=(60.0, 0.0, 0.0)),
    Case(name="head 100 mm away", head_mm=(0.0, 0.0, 100.0)),
    Case(name="pupil 1 mm wider", pupil_mm=1.0),
    Case(name="answer 1.5 degrees off", camera_deg=(1.2, 0.9)),
)


class Changed:
    """A sitting's unrest with a lasting change from a moment on."""

    def __init__(self, inner: Any, since_s: float, case: Case) -> None:
        self._inner, self._since_s, self._case = inner, since_s, case

    def at(self, since_s: Array) -> Any:
        """Read all processes, the change added."""
        now = self._inner.at(since_s)
        on = since_s >= self._since_s
        head = np.reshape(self._case.head_mm, (3, 1)) * on
        pupil = self._case.pupil_mm * on
        return replace(now, head_mm=now.head_mm + head, pupil_mm=now.pupil_mm + pupil)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sitting:
    """A person who was calibrated, living on: what the notices need."""

    person: Any
    mapping: Any
    reference: drift_reference.Reference


def calibrated(tracker: str, seed: int) -> Sitting:
    """Calibrate one person on nine points."""
    person = simulation.person(tracker=tracker, seed=seed, rate_hz=RATES[tracker])
    points = NINE * np.array(person.setup.screen_px)
    rec, _, _ = simulation.record(person, points, seed=1, seconds_per_point=1.5)
    reference = drift_reference.reference(rec)
    return Sitting(person=person, mapping=fit(rec), reference=reference)


def life_of(sitting: Sitting, case: Case, change_s: float) -> Any:
    """Continue the sitting of the calibration, the change after `change_s` of it."""
    life = sitting.person.begin(0.0, session=1)
    life._unrest = Changed(life._unrest, change_s, case)
    return life


def notices(sitting: Sitting, case: Case, minutes: float) -> list[tuple[float, str]]:
    """Time after the change, and what was told, of each sign that came up."""
    life = life_of(sitting, case, CHANGE_S)
    person, signs = sitting.person, drift_signs.Signs(reference=sitting.reference)
    rng = np.random.default_rng([7, person.seed])
    found, now = [], 15.0
    life.advance(now)
    while now < CHANGE_S + 60 * minutes:
        x, y = rng.uniform(0.1, 0.9, 2) * person.setup.screen_px
        life.see({"event": "target_on", "id": "k", "x": x, "y": y}, now)
        now += drift_reference.BLOCK_S
        time, samples = life.advance(now)
        block = drift_reference.levels(time, samples, person.channels, person.setup)
        signs, told = drift_signs.observe(signs, block)
        found += [(now - CHANGE_S, t) for t in told if "as it was again" not in t]
    return found


def dwells(
    sitting: Sitting, case: Case, count: int, seed: int
) -> list[tuple[Array, Array, Array, float]]:
    """Key, calibrated gaze (n, 2), true gaze (2,), sd (degrees) of looks at keys."""
    person = sitting.person
    life = life_of(sitting, case, 0.0)
    rng = np.random.default_rng([11, person.seed, seed])
    now, found = 15.0 + 200.0 * seed, []
    life.advance(now)
    for _ in range(count):
        key = (rng.integers(0, [8, 5]) + 0.5) / [8, 5] * person.setup.screen_px
        life.see({"event": "target_on", "id": "k", "x": key[0], "y": key[1]}, now)
        life.advance(now + 0.8)
        time, samples = life.advance(now + 1.2)
        found_gaze = sitting.mapping.apply(samples)
        gaze = found_gaze.xy
        seen = np.isfinite(gaze).all(axis=1)
        if not seen.any():
            now += 2.5
            continue
        scale = px_per_degree(person.setup, gaze[seen])
        sd = float(np.median(found_gaze.sd[seen] / scale))
        hv = px_to_angles(person.setup, gaze) + np.array(case.camera_deg)
        gaze = angles_to_px(person.setup, hv)
        when, truth = life.truth()
        part = (when >= time[0]) & (when <= time[-1])
        found.append((key, gaze, truth[part].mean(axis=0), sd))
        now += 2.5
    return found


def error_deg(sitting: Sitting, looks: Any, offset: Pair) -> float:
    """Median angle between mean corrected gaze and true gaze over some dwells."""
    setup = sitting.person.setup
    errors = []
    for _, gaze, truth, _ in looks:
        hv = px_to_angles(setup, np.nanmean(gaze, axis=0)) - np.array(offset)
        errors.append(angle_between(setup, angles_to_px(setup, hv), truth)[0])
    return float(np.median(errors))


def corrections(sitting: Sitting, case: Case) -> dict[str, float]:
    """Error before, after one look, three, and after learning from 60 selections."""
    setup = sitting.person.setup
    test = dwells(sitting, case, 24, 2)
    states = [Drift()]
    for key, gaze, _, sd in dwells(sitting, case, 3, 1):
        now_s = 5.0 * len(states)
        states.append(drift.look(states[-1], now_s, setup, key, gaze, sd)[0])
    first, third = states[min(1, len(states) - 1)], states[-1]
    learned, moves, when = Drift(), 0, float("nan")
    policy = replace(POLICY, learn=True)
    for number, (key, gaze, _, sd) in enumerate(dwells(sitting, case, 60, 0), 1):
        learned, changes = drift.selected(
            learned, 3.0 * number, setup, key, gaze, sd, policy
        )
        moved = sum(c.before != c.after for c in changes)
        if moved and not moves:
            when = float(number)
        moves += moved
    return {
        "before": error_deg(sitting, test, NONE),
        "look": error_deg(sitting, test, first.offset),
        "looks": error_deg(sitting, test, third.offset),
        "learned": error_deg(sitting, test, learned.offset),
        "looked": float(first.offset != NONE),
        "moves": float(moves),
        "first": when,
    }


def signs_table(people: int, minutes: float) -> None:
    """Print how soon and how often signs are told."""
    print("\n| tracker | change | noticed | median s | by nothing, per hour |")
    print("| --- | --- | --- | --- | --- |")
    for tracker in RATES:
        sittings = [calibrated(tracker, seed) for seed in range(people)]
        for case in CASES[:4]:
            span = minutes if case.name == "nothing" else 3.0
            told = [notices(sitting, case, span) for sitting in sittings]
            if case.name == "nothing":
                hours = people * (minutes * 60 + CHANGE_S - 15) / 3600
                words = [text.split()[1] for one in told for _, text in one]
                kinds = {w: words.count(w) for w in dict.fromkeys(words)}
                rate = sum(map(len, told)) / hours
                print(f"| {tracker} | nothing | | | {rate:.2f} {kinds or ''} |")
                continue
            times = [min((t for t, _ in one if t > 0), default=np.inf) for one in told]
            soon = np.array(times)
            share = np.isfinite(soon).sum()
            print(
                f"| {tracker} | {case.name} | {share} of {people} | "
                f"{np.median(soon):.0f} | |",
                flush=True,
            )


def corrections_table(people: int) -> None:
    """Print what corrections are worth."""
    print(
        "\n| tracker | change | before | one look | three | learned | looks used | "
        "moves per person | first after (selections) | "
        "worse by 0.1: look / three / learned |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for tracker in RATES:
        sittings = [calibrated(tracker, seed) for seed in range(people)]
        for case in CASES:
            rows = [corrections(sitting, case) for sitting in sittings]
            mid = {
                k: np.nanmedian([r[k] for r in rows])
                if any(np.isfinite(r[k]) for r in rows)
                else np.nan
                for k in rows[0]
            }
            looked = sum(r["looked"] for r in rows)
            moves = np.mean([r["moves"] for r in rows])
            worse = [sum(r[k] > r["before"] + 0.1 for r in rows) for k in WAYS]
            figures = " | ".join(f"{mid[k]:.2f}" for k in ("before", *WAYS))
            print(
                f"| {tracker} | {case.name} | {figures} | {looked:.0f} of {people} | "
                f"{moves:.2f} | {mid['first']:.0f} | {' / '.join(map(str, worse))} |",
                flush=True,
            )


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=8)
    parser.add_argument("--minutes", type=float, default=20.0)
    args = parser.parse_args()
    signs_table(args.people, args.minutes)
    corrections_table(args.people)


if __name__ == "__main__":
    main()
