"""Who sits at which desk: a person is a pure function of kind, seed and desk."""

from __future__ import annotations

import numpy as np

from calibkit.errors import CallError
from calibkit.geometry import Setup
from calibkit.simulation.attention import draw_habits
from calibkit.simulation.bodies import draw_eyes
from calibkit.simulation.desks import RATES_HZ, Desk, check_tracker, desk_for
from calibkit.simulation.identity import Identity
from calibkit.simulation.kinds import traits_of
from calibkit.simulation.landmarks import draw_face
from calibkit.simulation.life import Life

USUAL_SETUP = Setup(screen_px=(1920, 1080), screen_mm=(527.0, 296.5), distance_mm=600.0)
_UNITS = ("pixels", "normalized")


class Person(Identity):
    """A simulated person at a tracker. Made by `person`; begun by `begin`."""

    def begin(self, time_s: float, *, session: int = 0, remember: bool = True) -> Life:
        """Sit the person down.

        Parameters
        ----------
        time_s : float
            On the caller's clock.
        session : int
            Another number is another day: head re-seated, other chance, same person.
        remember : bool
            Keep the truth; a stream that runs for days must not.

        Returns
        -------
        Life
        """
        return Life(self, time_s, session, remember)


def person(
    tracker: str = "pupil-reflex",
    kind: str = "steady",
    seed: int = 0,
    setup: Setup | None = None,
    *,
    desk: Desk | None = None,
    rate_hz: float | None = None,
    screen_unit: str = "pixels",
    lapse_share: float | None = None,
) -> Person:
    """Draw a person.

    Parameters
    ----------
    tracker : {"pupil-reflex", "screen", "webcam"}
    kind : str
        A name in KINDS.
    seed : int, 0 or more
        Who it is. The same seed is the same body at any tracker and desk.
    setup : Setup, optional
        The usual camera is stood at it. Default: a 24-inch screen, 600 mm away.
    desk : Desk, optional
        Instead of `setup`: a desk with its camera, as `desk` draws it.
    rate_hz : float, optional
        Default: 250, 60 or 30 by tracker.
    screen_unit : {"pixels", "normalized"}
    lapse_share : float, 0-1, optional
        Share of targets not looked at as asked; default by kind.

    Returns
    -------
    Person

    Raises
    ------
    CallError
        For an unknown tracker or kind, or a figure out of range; it lists the choices.
    """
    check_tracker(tracker)
    traits = traits_of(kind)
    share = traits.lapse_share if lapse_share is None else float(lapse_share)
    rate = RATES_HZ[tracker] if rate_hz is None else float(rate_hz)
    _check(seed, share, rate, screen_unit)
    body, face, habit, other = (
        np.random.default_rng([0xB0D1, seed, part]) for part in range(4)
    )
    return Person(
        tracker=tracker,
        kind=kind,
        seed=seed,
        desk=desk or desk_for(setup or USUAL_SETUP, tracker),
        rate_hz=rate,
        screen_unit=screen_unit,
        lapse_share=share,
        traits=traits,
        habits=draw_habits(habit, traits),
        eyes=draw_eyes(body, traits),
        face=draw_face(face, traits.droop),
        pupil_mm=float(np.clip(3.8 + 0.6 * other.standard_normal(), 2.6, 5.5)),
        noise=traits.noise * float(np.exp(0.3 * other.standard_normal())),
        head_share=float(other.uniform(0.02, 0.12)) * min(2.0, traits.head**0.5),
        weak_eye=int(other.integers(2)),
    )


def _check(seed: int, share: float, rate: float, unit: str) -> None:
    if seed < 0:
        raise CallError(f"the seed is {seed}; give a whole number from 0 up")
    if not 0.0 <= share <= 1.0:
        raise CallError(f"lapse_share is {share:g}; give a share from 0 to 1")
    if not 1.0 <= rate <= 5000.0:
        raise CallError(f"rate_hz is {rate:g}; give 1 to 5000 samples a second")
    if unit not in _UNITS:
        raise CallError(f"screen_unit is {unit!r}; choose one of {', '.join(_UNITS)}")
