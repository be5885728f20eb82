"""What drift is told in: the policy, the state, and its changes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

Pair = tuple[float, float]

NONE: Pair = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True)
class Policy:
    """How far and how readily the offset may move. Degrees of visual angle, per axis.

    Parameters
    ----------
    bound_deg, bound_sd : float
        The offset never becomes longer than the first, or, for a coarse tracker, than
        so many of the mapping's own sd; never longer than twice the first.
    step_deg : float
        Learning moves it by at most so much at once, and by no less than `least_deg`.
    least_deg : float
        What is smaller is left alone.
    usual_sd_deg : float
        Of a mapping's drift in ordinary use: the reason to doubt a single look.
    moved_sd_deg : float
        Of the offset once something has moved.
    moved_chance, again_chance : float
        Probability, before the look is seen, that something has moved: an operator who
        asks for a look has a reason; one who asks again soon wants to make sure.
    again_s : float
        What counts as soon.
    alone : float
        Probability that something has moved from which on a single look moves a coarse
        tracker; below it a second one is asked for.
    doubt : float
        Squared distance, in its own covariance, from which on looks together count as
        disagreeing, though none does alone: 9.2 is 1 in 100 (chi-squared, two axes).
    aim_sd_deg : float
        Of a look's own aim at a single target.
    select_sd_deg : float
        Of gaze about the centre of what is selected: aim within the key, local error.
    wander_deg : float
        Of the offset's own walk over ten minutes.
    proof : float
        Squared distance, in its own covariance, from which on the selections count as
        disagreeing: 13.8 is 1 in 1,000 for two axes (chi-squared).
    tail : float
        Degrees of freedom of Student's t for selections: how wild single ones may be.
    learn : bool
        Whether selections may move the offset, or are only watched.
    """

    bound_deg: float = 3.0
    bound_sd: float = 2.5
    step_deg: float = 1.0
    least_deg: float = 0.3
    usual_sd_deg: float = 0.25
    moved_sd_deg: float = 2.0
    moved_chance: float = 0.5
    again_chance: float = 0.2
    again_s: float = 600.0
    alone: float = 0.95
    doubt: float = 9.2
    aim_sd_deg: float = 0.3
    select_sd_deg: float = 0.6
    wander_deg: float = 0.3
    proof: float = 13.8
    tail: float = 4.0
    learn: bool = False

    def bound(self, sd_deg: float) -> float:
        """How long the offset of a mapping with this sd may become, degrees."""
        coarse = self.bound_sd * sd_deg if math.isfinite(sd_deg) else 0.0
        return max(self.bound_deg, min(coarse, self.most_deg))

    def coarse(self, sd_deg: float) -> bool:
        """Whether a mapping with this sd may be moved farther than the usual bound."""
        return self.bound(sd_deg) > self.bound_deg

    @property
    def most_deg(self) -> float:
        """Longer than this is no offset of any mapping."""
        return 2.0 * self.bound_deg


POLICY = Policy()


@dataclass(frozen=True, kw_only=True)
class Change:
    """A notice and a log's row at once.

    Parameters
    ----------
    time_s : float
    kind : {"re-centred", "learned", "undone", "ended", "kept", "disagrees", "bound"}
    text : str
        In plain words.
    before, after : pair of float, degrees
        The offset; equal where nothing moved.
    """

    time_s: float
    kind: str
    text: str
    before: Pair
    after: Pair

    def row(self) -> dict[str, Any]:
        """Return it for a log."""
        return {
            "time": self.time_s,
            "kind": self.kind,
            "before_deg": list(self.before),
            "after_deg": list(self.after),
            "text": self.text,
        }


@dataclass(frozen=True, kw_only=True)
class Drift:
    """What is believed about one mapping's offset. Right and down are positive.

    Parameters
    ----------
    offsets : tuple of pair, degrees
        The one in use last, before it those that undoing goes back to; the first is
        none.
    mean : pair of float, degrees
        Where the evidence puts the offset.
    variance : float, degrees squared
        Of either axis of the mean.
    seen_s : float
        When the last evidence came; NaN before the first.
    selections : int
    looked_s : float
        When the last look counted; NaN before the first.
    told : bool
        Whether the operator knows of the disagreement there is now.
    asked : pair of float, optional, degrees
        What a look said that a second one was asked for after.
    """

    offsets: tuple[Pair, ...] = (NONE,)
    mean: Pair = NONE
    variance: float = POLICY.usual_sd_deg**2
    seen_s: float = math.nan
    selections: int = 0
    looked_s: float = math.nan
    told: bool = False
    asked: Pair | None = None

    @property
    def offset(self) -> Pair:
        """The offset in use, which is taken off the gaze: degrees right, down."""
        return self.offsets[-1]
