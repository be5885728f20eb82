"""Kinds of people: what the table changes in a steady adult."""

from __future__ import annotations

from dataclasses import dataclass, replace

from calibkit.errors import CallError


@dataclass(frozen=True, kw_only=True)
class Traits:
    """How a person behaves. Times in seconds, angles in degrees.

    The defaults are a steady adult: latency 180-250 ms, blinks some 10 a minute,
    pursuit lag 60-100 ms (literature); the other figures are from memory or judgement.

    Parameters
    ----------
    lapse_share : float
        Share of targets that the person does not look at as asked.
    latency_s, latency_spread_s : float
        Median of the saccade latency and the spread between looks.
    undershoot : float
        Share of a step that the first saccade leaves out; the rest is corrected.
    steps : int
        Most corrective saccades of a look.
    slowness : float
        Factor on the duration of saccades.
    off_target_deg : float
        Standard deviation, each axis, of a look's aim off its target; with the
        fixational drift a look's mean is then some 0.3 degrees off.
    wobble : float
        Factor on fixational drift and microsaccades.
    roam_share : float
        Share of the pauses between targets in which the eyes wander off.
    blink_per_min, blink_s : float
    loss_per_s, loss_s : float
        Losses of one eye's samples: how often, how long on average.
    noise : float
        Factor on the camera's noise.
    head : float
        Factor on head movement.
    pupil : float
        Factor on the pupil's own unrest.
    droop : float
        How far the upper lid hangs, 0-1.
    lenses : bool
        Wears spectacles.
    blind_eye : bool
        One eye is never found.
    squint_deg : float
        How far one eye turns away.
    turns_per_s : float
        How often the eye that turns away takes over, and the other turns away by as
        much (Adams, Economides & Horton 2017, Invest Ophthalmol Vis Sci 58:4049: the
        angle hardly differs); for `TURN_S` seconds, more or less.
    shake_deg, shake_hz : float
        Nystagmus: amplitude and beats a second; the slow phase drifts, the fast one
        brings the eye back.
    pursuit_gain : float
    """

    lapse_share: float = 0.02
    latency_s: float = 0.210
    latency_spread_s: float = 0.035
    undershoot: float = 0.08
    steps: int = 1
    slowness: float = 1.0
    off_target_deg: float = 0.18
    wobble: float = 1.0
    roam_share: float = 0.1
    blink_per_min: float = 10.0
    blink_s: float = 0.14
    loss_per_s: float = 0.15
    loss_s: float = 0.03
    noise: float = 1.0
    head: float = 1.0
    pupil: float = 1.0
    droop: float = 0.1
    lenses: bool = False
    blind_eye: bool = False
    squint_deg: float = 0.0
    turns_per_s: float = 0.0
    shake_deg: float = 0.0
    shake_hz: float = 3.5
    pursuit_gain: float = 0.9


STEADY = Traits()

KINDS: dict[str, Traits] = {
    "steady": STEADY,
    "glasses": replace(STEADY, lenses=True, noise=1.3, loss_per_s=0.5, loss_s=0.06),
    "one-eye": replace(STEADY, blind_eye=True, noise=1.1),
    "strabismus": replace(STEADY, squint_deg=8.0, off_target_deg=0.25, wobble=1.3),
    "alternating": replace(
        STEADY, squint_deg=8.0, turns_per_s=0.3, off_target_deg=0.25, wobble=1.3
    ),
    "nystagmus": replace(
        STEADY, shake_deg=1.8, off_target_deg=0.33, wobble=1.5, lapse_share=0.05
    ),
    "wandering-child": replace(
        STEADY,
        lapse_share=0.4,
        latency_s=0.270,
        latency_spread_s=0.07,
        steps=2,
        off_target_deg=0.28,
        wobble=1.4,
        roam_share=0.6,
        head=2.5,
        pupil=1.5,
        noise=1.3,
        loss_per_s=0.5,
        loss_s=0.1,
        pursuit_gain=0.75,
    ),
    "slow": replace(
        STEADY,
        lapse_share=0.1,
        latency_s=0.400,
        latency_spread_s=0.09,
        undershoot=0.2,
        steps=2,
        slowness=1.5,
        off_target_deg=0.25,
        wobble=1.4,
        pursuit_gain=0.6,
    ),
    "sleepy": replace(
        STEADY,
        lapse_share=0.2,
        latency_s=0.300,
        latency_spread_s=0.08,
        slowness=1.3,
        blink_per_min=24.0,
        blink_s=0.35,
        pupil=2.5,
        droop=0.45,
        off_target_deg=0.25,
        wobble=1.5,
        noise=1.2,
        pursuit_gain=0.75,
    ),
    "head-mover": replace(STEADY, head=4.0, noise=1.1, loss_per_s=0.3, loss_s=0.05),
}


def traits_of(kind: str) -> Traits:
    """Look a kind up.

    Parameters
    ----------
    kind : str
        A name in KINDS.

    Returns
    -------
    Traits

    Raises
    ------
    CallError
        For an unknown kind.
    """
    if kind not in KINDS:
        raise CallError(
            f"there is no kind of person {kind!r}; choose one of {', '.join(KINDS)}"
        )
    return KINDS[kind]
