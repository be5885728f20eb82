"""One sitting of a person: sees events, streams samples, on a clock given from outside.

Samples lie on a fixed grid from the start; all chance is drawn by position on it or by
event. So the samples do not depend on how `advance` is cut, as long as each event is
seen before the time at which it is answered (0.1 s or more after it) has been passed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibkit.geometry import angles_to_px, px_to_mm
from calibkit.simulation import average_eye, landmarks, pupil_reflex
from calibkit.simulation.attention import Attention
from calibkit.simulation.eyes import (
    AHEAD,
    Pose,
    into_head,
    into_world,
    look,
    picture,
    through_lens,
)
from calibkit.simulation.optics import Array, turn
from calibkit.simulation.ripples import Ripple
from calibkit.simulation.saccades import Moves
from calibkit.simulation.unrest import Now, Unrest

if TYPE_CHECKING:
    from calibkit.simulation.people import Person

_SHUT = 0.4
_HEAD_FOLLOWS_S = 0.5
_NECK_MM = 90.0
_ZERO = np.zeros(2)


class Life:
    """A person from `begin` on.

    Parameters
    ----------
    person : Person
    time_s : float
        When the sitting begins.
    session : int
        Another number is another day: head re-seated, other chance, same person.
    remember : bool
        Keep the truth; a stream that runs for days must not.
    """

    def __init__(
        self, person: Person, time_s: float, session: int = 0, remember: bool = True
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
        self._noise = _Noise(person, seed)
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
        index, times = self._due(float(until_s))
        if not len(times):
            return np.empty(0), np.empty((0, len(self.person.channels)))
        now = self._unrest.at(times - self._start_s)
        gaze_deg = self._moves.places(times) + now.wobble_deg
        if self._truth is not None:
            self._truth.append((times, angles_to_px(self.person.setup, gaze_deg)))
        pose = self._pose(now, gaze_deg)
        samples = self._stream(now, pose, int(index[0]), len(index))
        return self._framed(index, times, samples)

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

    def _due(self, until_s: float) -> tuple[NDArray[np.int64], Array]:
        rate = self.person.rate_hz
        stop = max(self._next, int((until_s - self._start_s) * rate) + 2)
        index = np.arange(self._next, stop)
        times = self._start_s + (index + 1) / rate
        if self.person.tracker == "webcam":
            times = times + self._noise.late(self._next, stop) / rate
        count = int(np.searchsorted(times, until_s, side="right"))
        self._next += count
        return index[:count], times[:count]

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
            inwards = person.traits.squint_deg * (1, -1)[person.weak_eye]
            aims[person.weak_eye] = gaze_deg + now.squint_deg + [inwards, 0.0]
        viewpoint = np.reshape(person.setup.viewpoint_mm, (3, 1))
        return Pose(
            head_mm=viewpoint + now.head_mm + carried,
            turn_deg=turn_deg,
            aim_mm=np.stack([self._on_screen(aim) for aim in aims], axis=1),
            pupil_mm=now.pupil_mm,
        )

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

    def _stream(self, now: Now, pose: Pose, first: int, count: int) -> Array:
        person = self.person
        eyes = person.eyes
        sight = look(eyes, through_lens(eyes, into_head(pose, pose.aim_mm)))
        noise = self._noise.rows(first, first + count)
        gone = now.lost | (now.lid > _SHUT)
        if person.traits.blind_eye:
            gone[person.weak_eye] = True
        if person.tracker == "webcam":
            clean = landmarks.samples(
                eyes, person.face, person.desk, pose, sight, now.lid
            )
            return _spoil_face(clean + noise, now.lid, gone)
        view = picture(eyes, person.desk, pose, sight)
        if person.tracker == "pupil-reflex":
            samples = pupil_reflex.samples(pupil_reflex.blur(view, noise, now.lid))
        else:
            samples = self._screen(pose, sight, view, noise, now.lid)
        width = samples.shape[1] // 2
        samples[gone[0], :width] = np.nan
        samples[gone[1], width:] = np.nan
        return samples

    def _screen(
        self, pose: Pose, sight: Array, view: Any, noise: Array, lid: Array
    ) -> Array:
        person = self.person
        knot = person.eyes.centre_mm + person.eyes.apex_mm[:, None] * turn(
            AHEAD, sight, person.eyes.optical
        )
        seen = pupil_reflex.blur(view, noise[:, :14], lid)
        where = into_world(pose, knot) + noise[:, 14:20].T.reshape(2, 3, -1).swapaxes(
            0, 1
        )
        width = pose.pupil_mm + noise[:, 20:22].T
        return average_eye.samples(person.desk, seen, where, width, person.screen_unit)

    def _framed(
        self, index: NDArray[np.int64], times: Array, samples: Array
    ) -> tuple[Array, Array]:
        """Leave out the frames that a webcam dropped."""
        if self.person.tracker != "webcam":
            return times, samples
        kept = ~self._noise.dropped(index)
        return times[kept], samples[kept]


def _spoil_face(samples: Array, lid: Array, gone: NDArray[np.bool_]) -> Array:
    """Webcam: lids half shut are answered with doubt, shut or lost eyes not at all."""
    samples[gone[0], 0:3] = np.nan
    samples[gone[1], 3:6] = np.nan
    samples[:, -1] = np.clip(samples[:, -1] - 0.8 * lid, 0.0, 1.0)
    return samples


class _Noise:
    """The tracker's own noise, by sample number."""

    def __init__(self, person: Person, seed: tuple[int, ...]) -> None:
        rngs = [np.random.default_rng([*seed, 0x401, k]) for k in range(5)]
        step = 1.0 / person.rate_hz
        white, slow, tau, crawl = _noise_plan(person)
        self._white = Ripple(rngs[0], white, 0.0, step)
        self._slow = Ripple(rngs[1], slow, tau, step)
        self._crawl = Ripple(rngs[2], crawl, 8.0, step)
        self._late = Ripple(rngs[3], [0.08], 0.0, step)
        self._drop = Ripple(rngs[4], [1.0], 0.0, step)

    def rows(self, start: int, stop: int) -> Array:
        parts = (self._white, self._slow, self._crawl)
        white, slow, crawl = (part.rows(start, stop) for part in parts)
        total: Array = white + slow + crawl
        return total

    def late(self, start: int, stop: int) -> Array:
        late: Array = np.clip(self._late.rows(start, stop)[:, 0], -0.3, 0.3)
        return late

    def dropped(self, index: NDArray[np.int64]) -> NDArray[np.bool_]:
        rows = self._drop.rows(int(index[0]), int(index[-1]) + 1)
        gone: NDArray[np.bool_] = rows[index - index[0], 0] > 2.3
        return gone


def _noise_plan(person: Person) -> tuple[Array, Array, float, Array]:
    """White and slow standard deviations, the slow one's time, the crawling ones."""
    if person.tracker == "webcam":
        white, slow = landmarks.noise_sd()
        return person.noise * white, person.noise * slow, 0.4, 0.6 * person.noise * slow
    white, slow = pupil_reflex.noise_sd()
    white, slow = person.noise * white, person.noise * slow
    if person.tracker == "pupil-reflex":
        return white, slow, 0.12, 0 * slow
    steady = average_eye.STEADIER
    width = average_eye.DIAMETER_SD_MM
    place = average_eye.POSITION_SD_MM
    extra = np.array([*[0.3] * 6, width, width])
    crawl = np.array([*[0.0] * 14, *[place] * 6, 0.0, 0.0])
    white = np.concatenate([steady * white, extra])
    slow = np.concatenate([steady * slow, extra])
    return white, slow, 0.12, crawl
