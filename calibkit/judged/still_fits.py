"""Does a mapping still fit: its check targets of now beside those of its making."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibkit.judged.assess_figures import Assessment
from calibkit.judged.coach import PROBABLE
from calibkit.judged.coach_evidence import nearer_probable, shift_of
from calibkit.judged.coach_patterns import shifted
from calibkit.language import _

# A smaller change hardly matters for a key, however sure it is (our judgement).
LEAST_DEG = 0.3


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How far off gaze is now and was when the mapping was made, degrees.

    `worse` is the probability that it is farther off now; `shift_deg` how far all of
    it lies to one side, 0 where that is not what is wrong.
    """

    now_deg: float
    then_deg: float
    worse: float
    shift_deg: float = 0.0

    @property
    def fits(self) -> bool:
        """Whether it fits as it did, as far as these targets can tell."""
        return not (self._farther and self.worse >= PROBABLE)

    @property
    def unsure(self) -> bool:
        """Whether it is farther off, and these targets cannot tell that from chance."""
        return self._farther and self.fits

    @property
    def _farther(self) -> bool:
        return self.now_deg - self.then_deg > LEAST_DEG


def compare(now: Assessment | None, then: Assessment | None) -> Fit | None:
    """Set the check of now beside that of the mapping's making.

    Parameters
    ----------
    now, then : Assessment, optional
        Of the same mapping, by the person's check targets.

    Returns
    -------
    Fit or None, where either gave no figures
    """
    if now is None or then is None:
        return None
    if math.isnan(now.accuracy_deg) or math.isnan(then.accuracy_deg):
        return None
    amount, left, sure = shift_of(now)
    aside = shifted(amount, left, sure, now.accuracy_deg)
    return Fit(
        now_deg=now.accuracy_deg,
        then_deg=then.accuracy_deg,
        worse=1.0 - nearer_probable(now, then),
        shift_deg=amount if aside else 0.0,
    )


def said(fit: Fit | None) -> str:
    """Say it for the operator, with what to do; nothing where nothing is known."""
    if fit is None:
        return ""
    if fit.unsure:
        return _(
            "Gaze is {now:.1f}° off now and was {then:.1f}° when the mapping was made. "
            "That may be chance: more check targets would tell."
        ).format(now=fit.now_deg, then=fit.then_deg)
    if fit.fits:
        return _(
            "The mapping fits as it did when it was made ({then:.1f}° off)."
        ).format(then=fit.then_deg)
    text = _(
        "The mapping fits less well than when it was made: {now:.1f}° off now, "
        "{then:.1f}° then."
    ).format(now=fit.now_deg, then=fit.then_deg)
    if fit.shift_deg:
        more = _(
            "All is off the same way, by {shift:.1f}°: one look at one target corrects "
            "that (calibkit calibrate --protocol offset)."
        ).format(shift=fit.shift_deg)
    else:
        more = _(
            "See whether seating, distance or light changed; then calibrate again."
        )
    return f"{text} {more}"
