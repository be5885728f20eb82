"""All that moves by itself during one sitting: head, pupils, lids, fixation, losses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.simulation.kinds import Traits
from calibkit.simulation.optics import Array
from calibkit.simulation.ripples import Ripple, Spells, Steps

_GRID_S = 0.1

HEAD_MM = (7.0, 5.0, 10.0)
HEAD_DEG = (1.0, 1.4, 0.7)
SHIFT_MM = (2.0, 1.5, 4.0)
SEAT_MM = (10.0, 10.0, 15.0)
DRIFT_DEG = 0.13
JITTER_DEG = 0.06
MICROSACCADE_DEG = 0.15
MICROSACCADES_PER_S = 1.2
TURN_S, TURN_SPREAD = 2.5, 0.5  # how long the other eye looks; from memory


@dataclass(frozen=True, kw_only=True, eq=False)
class Now:
    """The sitting at some moments.

    Parameters
    ----------
    wobble_deg : array (n, 2)
        Fixational movement and nystagmus, right and down.
    squint_deg : array (n, 2)
        How far the turned eye is off.
    other : array (n,) of bool
        Whether it has taken over, and the one that mostly looks is turned.
    head_mm, turn_deg : array (3, n)
        Off the viewing position; pitch, yaw, roll.
    pupil_mm : array (2, n)
    lid : array (n,)
        How far shut, 0-1.
    lost : array (2, n)
        Whether each eye's sample is lost.
    """

    wobble_deg: Array
    squint_deg: Array
    other: NDArray[np.bool_]
    head_mm: Array
    turn_deg: Array
    pupil_mm: Array
    lid: Array
    lost: NDArray[np.bool_]


class Unrest:
    """One sitting's chance processes, read forwards in time.

    Parameters
    ----------
    traits : Traits
    pupil_mm : float
        The person's usual diameter.
    seed : sequence of int
    """

    def __init__(self, traits: Traits, pupil_mm: float, seed: tuple[int, ...]) -> None:
        streams = [np.random.default_rng([*seed, 0x57, k]) for k in range(14)]
        self._traits = traits
        head, pupil, w = traits.head, traits.pupil, traits.wobble
        self._head = Ripple(
            streams[0],
            head * np.array([*HEAD_MM, *np.array(HEAD_DEG) / np.sqrt(max(head, 1))]),
            25.0,
            _GRID_S,
        )
        self._sway = Ripple(
            streams[1], head * np.array([0.5, 0.5, 0.7, 0.15, 0.2, 0.1]), 1.5, _GRID_S
        )
        self._shift = Steps(streams[2], 1 / 40, head * np.array(SHIFT_MM), 0.5)
        self._slow_pupil = Ripple(streams[3], pupil * np.array([0.42, 0.07]), 40.0, 0.1)
        self._hippus = Ripple(streams[4], pupil * np.array([0.14, 0.03]), 0.8, 0.1)
        self._drift = Ripple(streams[5], w * np.full(2, DRIFT_DEG), 1.5, 0.02)
        self._jitter = Ripple(streams[6], w * np.full(2, JITTER_DEG), 0.1, 0.01)
        self._micro = Steps(
            streams[7], MICROSACCADES_PER_S, w * np.full(2, MICROSACCADE_DEG), 0.02
        )
        self._blinks = Spells(
            streams[8], traits.blink_per_min / 60, traits.blink_s, 0.35
        )
        self._losses = [
            Spells(stream, traits.loss_per_s, traits.loss_s, 0.8)
            for stream in streams[9:11]
        ]
        self._squint = Ripple(streams[11], [0.5, 0.4], 2.0, 0.05)
        self._turns = Spells(streams[13], traits.turns_per_s, TURN_S, TURN_SPREAD)
        start = streams[12]
        self._seat = np.array(SEAT_MM) * start.standard_normal(3)
        self._base_mm = pupil_mm + 0.2 * start.standard_normal()
        self._phase = float(start.random())

    def at(self, since_s: Array) -> Now:
        """Read all processes at rising times since the sitting began."""
        head = self._head.at(since_s) + self._sway.at(since_s)
        shift = self._shift.at(since_s) + self._seat
        blink = self._blinks.depth(since_s, 0.06)
        wobble = (
            self._drift.at(since_s)
            + self._jitter.at(since_s)
            + self._micro.at(since_s)
            + self._shake(since_s)
        )
        return Now(
            wobble_deg=wobble,
            squint_deg=self._squint.at(since_s),
            other=self._turns.depth(since_s, 0.0) > 0.5,
            head_mm=(head[:, :3] + shift).T,
            turn_deg=head[:, 3:].T,
            pupil_mm=self._pupils(since_s),
            lid=np.maximum(blink, 0.0),
            lost=np.stack([loss.depth(since_s, 0.0) > 0.5 for loss in self._losses]),
        )

    def _pupils(self, since_s: Array) -> Array:
        change = self._slow_pupil.at(since_s) + self._hippus.at(since_s)
        # On sitting down to a task the pupil narrows over the first quarter minute.
        settling = 0.25 * np.exp(-since_s / 8.0)
        both = self._base_mm + settling + change[:, 0]
        pair = np.stack([both - change[:, 1], both + change[:, 1]])
        return np.clip(pair, 2.0, 7.5)

    def _shake(self, since_s: Array) -> Array:
        """Jerk nystagmus: a slow phase away (decelerating) and a quick one back."""
        none = np.zeros((len(since_s), 2))
        if self._traits.shake_deg <= 0:
            return none
        beat = (since_s * self._traits.shake_hz + self._phase) % 1.0
        slow = 1 - np.exp(-beat / 0.35)
        quick = np.clip((beat - 0.85) / 0.15, 0.0, 1.0)
        wave = np.where(beat < 0.85, slow, (1 - np.exp(-0.85 / 0.35)) * (1 - quick))
        none[:, 0] = self._traits.shake_deg * (wave - 0.5)
        return none
