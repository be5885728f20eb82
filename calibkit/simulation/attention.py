"""What a person does about the targets they see: looks, corrects, follows, lapses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calibkit.geometry import Setup, px_to_angles
from calibkit.simulation.kinds import Traits
from calibkit.simulation.saccades import Moves, Place

# Shares of the ways in which a target is missed (of all lapses).
LAPSES = {"elsewhere": 0.35, "stayed": 0.20, "late": 0.25, "left early": 0.20}
_CATCH_UP_DEG = 1.0
# Pursuit that lags in place speeds up: the gap closes with this time constant.
_CLOSE_UP_S = 0.15
# The last tenth of a second before a saccade cannot be changed (literature).
_DECIDED_S = 0.1


@dataclass(frozen=True, kw_only=True)
class Habits:
    """A person's own figures, about which single looks spread.

    Parameters
    ----------
    latency_s, off_target_deg, undershoot : float
    pursuit_lag_s, pursuit_gain : float
    """

    latency_s: float
    off_target_deg: float
    undershoot: float
    pursuit_lag_s: float
    pursuit_gain: float


def draw_habits(rng: np.random.Generator, traits: Traits) -> Habits:
    """Draw one person's habits about those of their kind."""
    return Habits(
        latency_s=traits.latency_s * float(np.exp(0.08 * rng.standard_normal())),
        off_target_deg=traits.off_target_deg
        * float(np.exp(0.2 * rng.standard_normal())),
        undershoot=traits.undershoot * float(np.exp(0.3 * rng.standard_normal())),
        pursuit_lag_s=float(rng.uniform(0.06, 0.10)),
        pursuit_gain=min(1.0, traits.pursuit_gain + 0.05 * rng.standard_normal()),
    )


class Attention:
    """Turns events into moves. Each event has a generator of its own.

    Parameters
    ----------
    setup : Setup
    traits, habits : Traits, Habits
    lapse_share : float
    seed : sequence of int
        Of this person's session.
    moves : Moves
        The chain to write to.
    """

    def __init__(
        self,
        setup: Setup,
        traits: Traits,
        habits: Habits,
        lapse_share: float,
        seed: tuple[int, ...],
        moves: Moves,
    ) -> None:
        self._setup, self._traits, self._habits = setup, traits, habits
        self._lapse_share, self._seed, self._moves = lapse_share, seed, moves
        self._count = 0
        self._chase: Chase | None = None

    def see(self, event: Mapping[str, Any], time_s: float) -> None:
        """React to an event of the Markers stream; unknown ones are ignored."""
        name = event.get("event")
        if name == "target_path":
            self._follow(event, time_s)
        elif name == "target_on" and _has_place(event):
            self._moves.cancel(time_s + _DECIDED_S)
            self._look(self._hv(event), time_s, self._rng())
            self._chase = None
        elif name == "target_off":
            self._moves.cancel(time_s + _DECIDED_S)
            self._rest(time_s, self._rng())

    def _rng(self) -> np.random.Generator:
        self._count += 1
        return np.random.default_rng([*self._seed, 0x5EE, self._count])

    def _hv(self, event: Mapping[str, Any]) -> Place:
        return px_to_angles(self._setup, [float(event["x"]), float(event["y"])])[0]

    def _latency(self, rng: np.random.Generator) -> float:
        spread = self._traits.latency_spread_s * rng.standard_normal()
        return max(0.1, self._habits.latency_s + float(spread))

    def _look(self, target: Place, time_s: float, rng: np.random.Generator) -> None:
        start = time_s + self._latency(rng)
        lapse = self._lapse(rng)
        goal = target + self._habits.off_target_deg * rng.standard_normal(2)
        back = float(rng.uniform(1.8, 4.0))
        if lapse == "late":
            start += float(rng.uniform(0.4, 1.0))
        if lapse == "elsewhere":
            self._moves.jump(start, self._elsewhere(target, rng))
        if lapse in ("elsewhere", "stayed"):
            # Nobody lapses for ever: a target that waits is looked at in the end.
            start += back
        landed = self._approach(start, goal, rng)
        if lapse == "left early":
            gone = landed + float(rng.uniform(0.2, 0.6))
            self._moves.jump(gone, self._elsewhere(target, rng))
            self._approach(gone + back, goal, rng)

    def _lapse(self, rng: np.random.Generator) -> str:
        happens = rng.random() < self._lapse_share
        kind = str(rng.choice(list(LAPSES), p=list(LAPSES.values())))
        return kind if happens else ""

    def _approach(self, start: float, goal: Place, rng: np.random.Generator) -> float:
        """Jump towards the goal, fall short, correct; returns the time of landing."""
        slow = self._traits.slowness * float(np.exp(0.07 * rng.standard_normal()))
        here = self._moves.place(start)
        for _ in range(self._traits.steps):
            missing = goal - here
            if np.hypot(*missing) < 1.0:
                break
            short = self._habits.undershoot * float(np.exp(0.5 * rng.standard_normal()))
            scatter = 0.03 * np.hypot(*missing) * rng.standard_normal(2)
            here = here + missing * (1 - min(short, 0.8)) + scatter
            landed = self._moves.jump(start, here, slow)
            start = landed + max(0.08, 0.14 + 0.03 * float(rng.standard_normal()))
        return self._moves.jump(start, goal, slow)

    def _elsewhere(self, target: Place, rng: np.random.Generator) -> Place:
        """Return a place of or near the screen, at least 4 degrees from the target."""
        size = np.array(self._setup.screen_px, float)
        for _ in range(20):
            px = size * rng.uniform(-0.15, 1.15, 2)
            place: Place = px_to_angles(self._setup, px)[0]
            if np.hypot(*(place - target)) > 4.0:
                break
        return place

    def _rest(self, time_s: float, rng: np.random.Generator) -> None:
        pause = float(rng.uniform(0.25, 0.9))
        away = self._elsewhere(self._moves.place(time_s), rng)
        self._chase = None
        if rng.random() < self._traits.roam_share:
            self._moves.jump(time_s + pause, away, self._traits.slowness)

    def _follow(self, event: Mapping[str, Any], time_s: float) -> None:
        if not _has_place(event):
            return
        name = str(event.get("id", ""))
        if self._chase is None or self._chase.name != name:
            rng = self._rng()
            self._chase = Chase(
                name, time_s + self._latency(rng), self._lapse_share, rng
            )
        self._chase.step(
            self._hv(event), time_s, self._moves, self._habits, self._elsewhere
        )


class Chase:
    """Smooth pursuit of one moving target, frame by frame.

    Parameters
    ----------
    name : str
        The target's id.
    begin_s : float
        When the eyes set out after it.
    lapse_share : float
        Share of the time spent looking away, in spells of 1.5 s on average.
    rng : numpy Generator
    """

    def __init__(
        self, name: str, begin_s: float, lapse_share: float, rng: np.random.Generator
    ) -> None:
        self.name = name
        self._rng = rng
        self._away_s = 1.5 if lapse_share > 0 else 0.0
        share = min(lapse_share, 0.95)
        self._with_s = 1.5 * (1 - share) / share if share > 0 else np.inf
        self._lag_shift = 0.01 * float(rng.standard_normal())
        self._off = rng.standard_normal(2)
        self._last: Place | None = None
        self._last_s = begin_s
        self._ready_s = begin_s
        self._away_until = -np.inf
        self._next_lapse = begin_s + self._pause()

    def _pause(self) -> float:
        return float(self._rng.exponential(self._with_s)) if self._away_s else np.inf

    def step(
        self,
        target: Place,
        time_s: float,
        moves: Moves,
        habits: Habits,
        elsewhere: Any,
    ) -> None:
        """Plan the eyes' answer to one frame of the target."""
        now = time_s + habits.pursuit_lag_s + self._lag_shift
        goal = target + 0.6 * habits.off_target_deg * self._off
        last, self._last = self._last, goal
        before, self._last_s = self._last_s, now
        if last is None or now < self._ready_s:
            return
        if now >= self._next_lapse:
            self._leave(now, elsewhere(target, self._rng), moves)
        if now < self._away_until:
            return
        here = moves.place(max(before, self._ready_s))
        step = goal - last
        if np.hypot(*(goal - here - step)) > _CATCH_UP_DEG:
            speed = step / max(now - before, 1e-3)
            took = 0.021 + 0.0022 * float(np.hypot(*(goal - here)))
            self._ready_s = moves.jump(now, goal + speed * took)
        else:
            start = max(before, self._ready_s)
            caught = (goal - here - step) * min(1.0, (now - start) / _CLOSE_UP_S)
            moves.glide(start, now, here + habits.pursuit_gain * step + caught)

    def _leave(self, now: float, place: Place, moves: Moves) -> None:
        self._ready_s = moves.jump(now, place)
        self._away_until = now + float(self._rng.exponential(self._away_s))
        self._next_lapse = self._away_until + self._pause()


def _has_place(event: Mapping[str, Any]) -> bool:
    try:
        xy = [float(event["x"]), float(event["y"])]
    except (KeyError, TypeError, ValueError):
        return False
    return bool(np.all(np.isfinite(xy)))
