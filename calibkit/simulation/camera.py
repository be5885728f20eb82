"""From a body's pose to a row of the stream: what each kind of tracker makes of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibkit.simulation import average_eye, landmarks, pupil_reflex
from calibkit.simulation.eyes import (
    AHEAD,
    Pose,
    View,
    into_head,
    into_world,
    look,
    picture,
    through_lens,
)
from calibkit.simulation.identity import Identity
from calibkit.simulation.optics import Array, turn
from calibkit.simulation.ripples import Ripple

_SHUT = 0.4
_SLOW_S = 0.12
_FACE_SLOW_S = 0.4
_CRAWL_S = 8.0
_LATE_SD, _LATEST = 0.08, 0.3
# A webcam drops about one frame in a hundred.
_DROP_SD = 2.3


class Tracker:
    """One sitting's tracker, with its noise by sample number.

    Parameters
    ----------
    person : Identity
    seed : sequence of int
        Of this sitting.
    """

    def __init__(self, person: Identity, seed: tuple[int, ...]) -> None:
        rngs = [np.random.default_rng([*seed, 0x401, k]) for k in range(5)]
        step = 1.0 / person.rate_hz
        white, slow, tau, crawl = _noise_plan(person)
        self._person = person
        self._white = Ripple(rngs[0], white, 0.0, step)
        self._slow = Ripple(rngs[1], slow, tau, step)
        self._crawl = Ripple(rngs[2], crawl, _CRAWL_S, step)
        self._late = Ripple(rngs[3], [_LATE_SD], 0.0, step)
        self._drop = Ripple(rngs[4], [1.0], 0.0, step)

    def stamps(self, start: int, stop: int) -> Array:
        """Times of samples `start` to `stop` since the sitting began, s."""
        places: Array = np.arange(start + 1, stop + 1, dtype=float)
        if self._person.tracker == "webcam":
            late = self._late.rows(start, stop)[:, 0]
            places = places + np.clip(late, -_LATEST, _LATEST)
        return places / self._person.rate_hz

    def kept(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Which samples come out; a webcam drops frames."""
        if self._person.tracker != "webcam":
            return np.ones(stop - start, bool)
        kept: NDArray[np.bool_] = self._drop.rows(start, stop)[:, 0] < _DROP_SD
        return kept

    def stream(
        self, start: int, pose: Pose, lid: Array, lost: NDArray[np.bool_]
    ) -> Array:
        """Rows (n, c) of the stream.

        Parameters
        ----------
        start : int
            Number of the first sample.
        pose : Pose
        lid : array (n,)
            How far shut, 0-1.
        lost : array (2, n) of bool
        """
        person, eyes = self._person, self._person.eyes
        sight = look(eyes, through_lens(eyes, into_head(pose, pose.aim_mm)))
        noise = self._noise(start, start + len(lid))
        gone = lost | (lid > _SHUT)
        if person.traits.blind_eye:
            gone[person.weak_eye] = True
        if person.tracker == "webcam":
            face, desk = person.face, person.desk
            clean = landmarks.samples(eyes, face, desk, pose, sight, lid)
            return landmarks.doubt(clean + noise, lid, gone)
        view = picture(eyes, person.desk, pose, sight)
        seen = pupil_reflex.blur(view, noise[:, :14], lid)
        if person.tracker == "pupil-reflex":
            samples = pupil_reflex.samples(seen)
        else:
            samples = self._answer(pose, sight, seen, noise[:, 14:])
        width = samples.shape[1] // 2
        samples[gone[0], :width] = np.nan
        samples[gone[1], width:] = np.nan
        return samples

    def _noise(self, start: int, stop: int) -> Array:
        parts = (self._white, self._slow, self._crawl)
        white, slow, crawl = (part.rows(start, stop) for part in parts)
        total: Array = white + slow + crawl
        return total

    def _answer(self, pose: Pose, sight: Array, view: View, noise: Array) -> Array:
        """Rows of the screen tracker, which measures where the corneas are."""
        person, eyes = self._person, self._person.eyes
        reach = eyes.apex_mm[:, None]
        apex = into_world(
            pose, eyes.centre_mm + reach * turn(AHEAD, sight, eyes.optical)
        )
        off = noise[:, :6].T.reshape(2, 3, -1).swapaxes(0, 1)
        width = pose.pupil_mm + noise[:, 6:].T
        return average_eye.samples(
            person.desk, view, apex + off, width, person.screen_unit
        )


def _noise_plan(person: Identity) -> tuple[Array, Array, float, Array]:
    """White and slow standard deviations, the slow one's time, the crawling ones."""
    if person.tracker == "webcam":
        white, slow = (person.noise * sd for sd in landmarks.noise_sd())
        return white, slow, _FACE_SLOW_S, 0.6 * slow
    white, slow = (person.noise * sd for sd in pupil_reflex.noise_sd())
    if person.tracker == "pupil-reflex":
        return white, slow, _SLOW_S, 0 * slow
    extra, crawl = average_eye.noise_sd()
    white = np.concatenate([average_eye.STEADIER * white, extra])
    slow = np.concatenate([average_eye.STEADIER * slow, extra])
    return white, slow, _SLOW_S, np.concatenate([np.zeros(14), crawl])
