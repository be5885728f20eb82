"""One sitting of a person: sees events, streams samples, on a clock given from outside.

Samples lie on a fixed grid from the start; all chance is drawn by position on it or by
event. So the samples do not depend on how `advance` is cut, as long as each event is
seen before the time at which it is answered (0.1 s or more after it) has been passed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from calibkit.geometry import angles_to_px, px_to_mm
from calibkit.simulation.attention import Attention
from calibkit.simulation.camera import Tracker
from calibkit.simulation.eyes import Pose
from calibkit.simulation.identity import Identity
from calibkit.simulation.optics import Array
from calibkit.simulation.saccades import Moves
from calibkit.simulation.unrest import Now, Unrest

_HEAD_FOLLOWS_S = 0.5
_NECK_MM = 90.0
_ZERO = np.zeros(2)


class Life:
    """A person from `begin` on.

    Parameters
    ----------
    person : Identity
    time_s : float
        When the sitting begins.
    session : int
        Another number is another day: head re-seated, other chance, same person.
    remember : bool
        Keep the truth; a stream that runs for days must not.
    """

    def __init__(
        self, person: Identity, time_s: float, session: int = 0, remember: bool = True
    ) -> None:
        self.person = person
        self._start_s = float(time_s)
        self._next = 0
        seed = (0x11FE, person.seed, session)
        first = np.random.default_rng([*seed, 1]).normal(0, 1.5, 2)
        self._moves = Moves(first)
        self._attention = Attention(
            person.setup,
            person.traits,
            person.habits,
            person.lapse_share,
            seed,
            self._moves,
        )
        self._unrest = Unrest(person.traits, person.pupil_mm, seed)
        self._tracker = Tracker(person, seed)
        self._turned = _ZERO
        self._truth: list[tuple[Array, Array]] | None = [] if remember else None

    def see(self, event: Mapping[str, Any], time_s: float) -> None:
        """Let the person see an event of the Markers stream.

        Parameters
        ----------
        event : mapping
            The JSON object: `event`, and `x`, `y` in screen px where it has a place.
        time_s : float
        """
        self._attention.see(event, float(time_s))

    def advance(self, until_s: float) -> tuple[Array, Array]:
        """Live on until a time.

        Parameters
        ----------
        until_s : float

        Returns
        -------
        times : array (k,), s
        samples : array (k, c)
            What the tracker streamed since the last call; NaN where it lost an eye.
        """
        since = self._due(float(until_s))
        if not len(since):
            return np.empty(0), np.empty((0, len(self.person.channels)))
        first, self._next = self._next, self._next + len(since)
        times = self._start_s + since
        now = self._unrest.at(since)
        gaze_deg = self._moves.places(times) + now.wobble_deg
        if self._truth is not None:
            self._truth.append((times, angles_to_px(self.person.setup, gaze_deg)))
        pose = self._pose(now, gaze_deg)
        samples = self._tracker.stream(first, pose, now.lid, now.lost)
        kept = self._tracker.kept(first, self._next)
        return times[kept], samples[kept]

    def truth(self) -> tuple[Array, Array]:
        """Where the person really looked; for tests and benches, never streamed.

        Returns
        -------
        times : array (m,), s
        gaze_px : array (m, 2)
        """
        if not self._truth:
            return np.empty(0), np.empty((0, 2))
        times, places = zip(*self._truth, strict=True)
        return np.concatenate(times), np.concatenate(places)

    def _due(self, until_s: float) -> Array:
        """Times since the start of the samples that are not yet out."""
        ahead = int((until_s - self._start_s) * self.person.rate_hz) + 2
        since = self._tracker.stamps(self._next, max(self._next, ahead))
        return since[self._start_s + since <= until_s]

    def _pose(self, now: Now, gaze_deg: Array) -> Pose:
        person = self.person
        turned = self._follow(gaze_deg) * person.head_share
        turn_deg = now.turn_deg.copy()
        turn_deg[0] += turned[:, 1]
        # A head that looks along -z turns to the right by a negative turn about y.
        turn_deg[1] -= turned[:, 0]
        # It turns about the neck, which carries the eyes along.
        pitch, yaw = np.radians(turn_deg[0]), np.radians(turn_deg[1])
        carried = _NECK_MM * np.stack([-yaw, pitch, 0 * yaw])
        aims = [gaze_deg, gaze_deg]
        if person.traits.squint_deg:
            aims = self._squinting(now, gaze_deg)
        viewpoint = np.reshape(person.setup.viewpoint_mm, (3, 1))
        return Pose(
            head_mm=viewpoint + now.head_mm + carried,
            turn_deg=turn_deg,
            aim_mm=np.stack([self._on_screen(aim) for aim in aims], axis=1),
            pupil_mm=now.pupil_mm,
        )

    def _squinting(self, now: Now, gaze_deg: Array) -> list[Array]:
        """Where each eye points: the one that does not look is turned inwards."""
        weak, aims = self.person.weak_eye, []
        for eye in range(2):
            inwards = self.person.traits.squint_deg * (1, -1)[eye]
            turned = now.other if eye != weak else ~now.other
            away = now.squint_deg + np.array([inwards, 0.0])
            aims.append(gaze_deg + np.where(turned[:, None], away, 0.0))
        return aims

    def _on_screen(self, hv_deg: Array) -> Array:
        setup = self.person.setup
        flat = px_to_mm(setup, angles_to_px(setup, hv_deg)).T
        return np.concatenate([flat, np.zeros((1, flat.shape[1]))])

    def _follow(self, gaze_deg: Array) -> Array:
        """Turn the head slowly after the gaze: a first-order lag, sample by sample."""
        keep = float(np.exp(-1.0 / (self.person.rate_hz * _HEAD_FOLLOWS_S)))
        x, y = self._turned
        path = []
        for h, v in gaze_deg.tolist():
            x, y = h + keep * (x - h), v + keep * (y - v)
            path.append((x, y))
        self._turned = np.array([x, y])
        return np.array(path)
