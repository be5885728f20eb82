"""How long it will take: one line in place on a terminal, else a line now and then."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from calibkit.batch.driver import Step
from calibkit.language import _, decimal

EVERY_S = 10.0  # between lines that stay
LIVE_S = 0.2  # between changes of a line in place
WINDOW_S = 120.0  # the speed of the last two minutes tells about the rest


@dataclass(kw_only=True)
class Meter:
    """Turns steps into lines; the time comes with them.

    Parameters
    ----------
    live : bool
        Whether lines replace one another.
    """

    live: bool
    _said_s: float | None = None
    _past: deque[tuple[float, int]] = field(default_factory=deque)

    def line(self, step: Step, now_s: float) -> str | None:
        """Return what to say now; None when it is too soon to say anything.

        Parameters
        ----------
        step : Step
        now_s : float, s
            Of a clock that never goes back.
        """
        if not self._past or self._past[-1][1] != step.worked:
            self._past.append((now_s, step.worked))
        while len(self._past) > 2 and now_s - self._past[1][0] > WINDOW_S:
            self._past.popleft()
        if self._said_s is None:
            self._said_s = now_s
        if now_s - self._said_s < (LIVE_S if self.live else EVERY_S):
            return None
        self._said_s = now_s
        text = _("{done} of {total} recordings")
        rest = self._rest(step, now_s) if step.hands else _("; waiting for a worker")
        return text.format(done=step.done, total=step.total) + rest

    def _rest(self, step: Step, now_s: float) -> str:
        start_s, worked = self._past[0]
        done = step.worked - worked
        if not done or step.done >= step.total:
            return ""
        rest_s = (step.total - step.done) * (now_s - start_s) / done
        return _(", about {time} left").format(time=duration(rest_s))


def duration(seconds: float) -> str:
    """Write a duration in the unit that fits."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{decimal(minutes / 60, 1)} h"
