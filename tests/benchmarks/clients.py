"""Simulated clients from the first attempt to a recommended grid, by the coach alone.

    python tests/benchmarks/clients.py [--seeds 3] [--tracker pupil-reflex] [KIND ...]

Nobody decides anything: the coach's advice is followed to the letter, and an operator
script presses the key where the coach asks for key advance. The script sees what an
operator sees, roughly where the person looks, not the tracker's answer. Prints a table
in markdown; all on a virtual clock.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from calibkit import simulation
from calibkit.errors import CalibkitError, InputError
from calibkit.fitted.fitting import predicted_sd_deg
from calibkit.fitted.mapping import Mapping
from calibkit.geometry import angle_between
from calibkit.joined import run_attempt, run_conclude, run_headless
from calibkit.joined.run import Memory, run_session
from calibkit.judged import coach
from calibkit.judged.behaviour import watch
from calibkit.judged.coach_data import OUTSIDE, Advice, Tried, changed
from calibkit.kept import protocol as protocols
from calibkit.kept.protocol_model import Protocol
from calibkit.kept.recording import Recording
from calibkit.session import session_words as words
from calibkit.session.pointing import Pointing, Trial
from calibkit.session.pointing_result import PointingResult, summarise
from calibkit.session.session_plan import plan
from calibkit.simulation.life import Life
from calibkit.simulation.people import Person

KINDS = (
    *("wandering-child", "slow", "one-eye", "strabismus"),
    *("nystagmus", "sleepy", "head-mover"),
)
REST_S = 300.0
# What an operator can tell by eye, how long they want to see it, when they give up.
SEEN_DEG, SEEN_S, CALL_S, OMIT_S = 5.0, 0.8, 6.0, 20.0
# Between two presses: quicker ones are taken for a key that is held.
PRESS_S = 1.0


class Operator(run_headless.VirtualPresenter):
    """A presenter with an operator beside it, who watches the person's eyes."""

    def __init__(self, start_s: float, life: Life) -> None:
        super().__init__(start_s)
        self._life = life
        self.presses = False
        self._id, self._since_s, self._checked_s = 0, 0.0, 0.0
        self._calls, self._pressed_s = 0, float("-inf")

    def step(self, commands: Sequence[words.Command]) -> tuple[words.Event, ...]:
        """Show a frame; press a key where it is time to."""
        events = super().step(commands)
        shown = [event for event in events if isinstance(event, words.Shown)]
        if not (self.presses and shown) or self.time_s - self._checked_s < 0.2:
            return events
        self._checked_s = self.time_s
        name = self._key(shown[0])
        key = (words.Key(time_s=self.time_s, name=name),) if name else ()
        return (*key, *events)

    def _key(self, shown: words.Shown) -> str:
        if shown.id != self._id:
            self._id, self._since_s, self._calls = shown.id, self.time_s, 0
        if self.time_s - self._pressed_s < PRESS_S:
            return ""
        key = self._wanted(shown)
        if key:
            self._pressed_s = self.time_s
        return key

    def _wanted(self, shown: words.Shown) -> str:
        waited_s = self.time_s - self._since_s
        times, gaze = self._life.truth()
        seen = gaze[(times > self.time_s - SEEN_S) & (times <= self.time_s)]
        away = angle_between(self._life.person.setup, (shown.x, shown.y), seen)
        if waited_s > SEEN_S + 0.8 and len(seen) and (away < SEEN_DEG).all():
            return "space"
        if waited_s > OMIT_S:
            return "x"
        if waited_s > CALL_S * (self._calls + 1):
            self._calls += 1
            return "a"
        return ""


@dataclass(kw_only=True)
class Client:
    """One simulated client and what has happened with them so far."""

    kind: str
    person: Person
    seed: int
    home: Path
    tried: list[Tried] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)
    attention_s: float = 0.0
    time_s: float = 0.0


def attempt(
    client: Client, chosen: Protocol, prior: Mapping | None, outside: tuple[str, ...]
) -> tuple[Tried, Operator, Life]:
    """Hold one session and judge it as `calibkit calibrate` does."""
    number = len(client.tried) + 1
    person = client.person
    life = person.begin(client.time_s, session=1)
    operator = Operator(client.time_s, life)
    operator.presses = chosen.pace.advance == "key"
    made = run_attempt.Attempt(
        home=client.home,
        person="client",
        session=f"sitting-{number}",
        number=number,
        created="2026-01-01T00:00:00+00:00",
        protocol=chosen,
        plan=plan(chosen, person.setup, np.random.default_rng([client.seed, number])),
        setup=person.setup,
        channels=person.channels,
        name="simulated",
        source_id=f"calibkit-raw:{client.kind}-{client.seed}",
        nominal_rate=person.nominal_rate,
    )
    ends = run_attempt.Ends(
        presenter=operator,
        source=run_headless.SimulatedSource(life, operator),
        markers=run_headless.SimulatedMarkers(life),
    )
    path = run_attempt.perform(made, ends, prior)
    rec = Recording.load(path)
    client.time_s = operator.time_s
    return judged(made, rec, path, prior, outside), operator, life


def judged(
    made: run_attempt.Attempt,
    rec: Recording,
    path: Path,
    prior: Mapping | None,
    outside: tuple[str, ...],
) -> Tried:
    """Fit, check, and see what happened."""
    try:
        outcome = run_conclude.conclude(made, rec, path, prior, None)
    except InputError as error:
        return Tried(
            protocol=made.protocol,
            behaviour=watch(rec),
            fault=str(error),
            outside=outside,
        )
    return Tried(
        protocol=made.protocol,
        behaviour=watch(rec, outcome.mapping, outcome.result),
        mapping=outcome.mapping,
        result=outcome.result,
        keys=outcome.keys,
        fault=outcome.fault,
        outside=outside,
    )


def point(client: Client, best: Tried) -> PointingResult:
    """Hold the pointing trial on the best mapping."""
    assert best.mapping is not None
    person = client.person
    life = person.begin(client.time_s, session=1)
    presenter = run_headless.VirtualPresenter(client.time_s)
    checks = None if best.result is None else best.result.targets
    trial = Pointing(
        Trial(setup=person.setup, checks=checks, sd_deg=predicted_sd_deg(best.mapping)),
        best.mapping.apply,
        np.random.default_rng(client.seed),
    )
    log = Memory(channels=person.channels, setup=person.setup)
    run_session(
        trial,  # type: ignore[arg-type]
        presenter,
        run_headless.SimulatedSource(life, presenter),
        [log],
        run_headless.SimulatedMarkers(life),
    )
    client.attention_s += presenter.time_s - client.time_s
    client.time_s = presenter.time_s
    return summarise(trial.asks, person.setup, checks)


def sit(kind: str, seed: int, tracker: str, home: Path) -> tuple[Client, Advice]:
    """Follow the coach until it says that it is enough."""
    person = simulation.person(tracker=tracker, kind=kind, seed=seed)
    client = Client(kind=kind, person=person, seed=seed, home=home)
    chosen, prior = protocols.load("standard"), None
    outside: tuple[str, ...] = ()
    while True:
        tried, _, _ = attempt(client, chosen, prior, outside)
        client.attention_s += tried.behaviour.seconds
        advice = coach.advise(tried, client.tried)
        client.tried.append(tried)
        client.steps.append(step(advice))
        if advice.kind in ("keep", "end") or len(client.tried) > 5:
            return client, advice
        chosen = changed(chosen, advice.changes)
        outside = tuple(c.key for c in advice.changes if c.key in OUTSIDE)
        if "rest" in outside:
            client.time_s += REST_S
        prior = tried.mapping if advice.own_mapping else None


def step(advice: Advice) -> str:
    """Say an advice in a few words."""
    keys = ", ".join(change.key for change in advice.changes)
    return f"{advice.kind}: {keys}" if keys else advice.kind


def row(client: Client) -> str:
    """One line of the table."""
    usable = [t for t in client.tried if t.mapping is not None and not t.fault]
    start = f"| {client.kind} | {client.seed} | {len(client.tried)} |"
    path = "; ".join(client.steps)
    if not usable:
        return f"{start} {client.attention_s:.0f} | - | - | none | - | {path} |"
    best = max(usable, key=lambda t: t.grid[0] * t.grid[1])
    found = point(client, best)
    error = best.result.accuracy_deg if best.result else float("nan")
    grid = f"{found.keys.rows} x {found.keys.columns}"
    hits = f"{found.hits}/{found.tries}"
    first = best.grid
    return (
        f"{start} {client.attention_s:.0f} | {error:.2f} | {first[0]} x {first[1]} | "
        f"{grid} | {hits} | {path} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default=KINDS)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--tracker", default="pupil-reflex")
    args = parser.parse_args()
    print(
        "| client | seed | attempts | attention (s) | error (deg) | keys from check "
        "points | keys recommended | hits | what the coach said |"
    )
    print("| --- " * 9 + "|")
    for kind in args.kinds:
        for seed in range(1, args.seeds + 1):
            with tempfile.TemporaryDirectory() as folder:
                try:
                    client, _ = sit(kind, seed, args.tracker, Path(folder))
                    print(row(client), flush=True)
                except CalibkitError as error:
                    print(f"| {kind} | {seed} | failed: {error} |", flush=True)


if __name__ == "__main__":
    main()
