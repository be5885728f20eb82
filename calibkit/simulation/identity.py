"""Who sits where, as data: body, habits, desk and tracker of one person."""

from __future__ import annotations

from dataclasses import dataclass

from calibkit.channels import Channel
from calibkit.geometry import Setup
from calibkit.simulation import average_eye, landmarks, pupil_reflex
from calibkit.simulation.attention import Habits
from calibkit.simulation.desks import Desk
from calibkit.simulation.eyes import Eyes
from calibkit.simulation.kinds import Traits
from calibkit.simulation.landmarks import Face


@dataclass(frozen=True, kw_only=True, eq=False)
class Identity:
    """A simulated person at a tracker, before they live.

    Parameters
    ----------
    tracker, kind : str
    seed : int
        Who it is: body and habits.
    desk : Desk
        Where it sits; drawn apart from the person.
    rate_hz : float
        Samples a second; a webcam's frames come about as often.
    screen_unit : {"pixels", "normalized"}
        Of the screen tracker's answers.
    lapse_share : float
    traits, habits, eyes, face : Traits, Habits, Eyes, Face
    pupil_mm : float
        Usual diameter.
    noise : float
        Factor on the camera's noise.
    head_share : float
        Share of a look's angle that the head turns along.
    weak_eye : int
        0 or 1: which one squints or is blind, where one does.
    """

    tracker: str
    kind: str
    seed: int
    desk: Desk
    rate_hz: float
    screen_unit: str
    lapse_share: float
    traits: Traits
    habits: Habits
    eyes: Eyes
    face: Face
    pupil_mm: float
    noise: float
    head_share: float
    weak_eye: int

    @property
    def setup(self) -> Setup:
        """The screen and the viewing distance."""
        return self.desk.setup

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The stream's channels, by XDF type."""
        if self.tracker == "pupil-reflex":
            return pupil_reflex.channels()
        if self.tracker == "screen":
            return average_eye.channels(self.screen_unit)
        return landmarks.channels()

    @property
    def nominal_rate(self) -> float:
        """Samples a second as the stream declares it; 0 is irregular."""
        return 0.0 if self.tracker == "webcam" else self.rate_hz
