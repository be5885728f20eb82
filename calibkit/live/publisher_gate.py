"""Which samples of a live stream are fresh: no stale, repeated or backward ones.

Old gaze that arrives late would pull the pointer back, so it is dropped. How late a
stream always is (a camera's delay, a wrong clock) does not count: only what goes beyond
its own delay. A clock that jumps must not silence a person, so steady samples that were
refused for a while become the new normal.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

STALE_S = 0.150
RELEARN_S = 0.3
WALL_CLOCK_S = 5.0
DELAYS = 101  # samples in the running median of the delay
SELDOM = 8  # the median of n samples is worked out anew after each n / SELDOM


@dataclass(frozen=True, kw_only=True)
class Counts:
    """What became of the samples so far.

    Parameters
    ----------
    accepted, stale : int
    repeated : int
        Or stamped before one that was accepted.
    unstamped : int
        Or with one stray stamp far ahead of all others.
    """

    accepted: int = 0
    stale: int = 0
    repeated: int = 0
    unstamped: int = 0


@dataclass(slots=True)
class Gate:
    """Decides on one sample after the other, by stamp and time of arrival.

    Between two samples of a slow tracker other programs have filled the processor's
    caches: what counts is how few places are touched, so a fresh sample passes by one
    function and one object, and its age waits until the median is worked out anew.

    Attributes
    ----------
    jumps : int
        How often the stream's clock seems to have jumped.
    """

    jumps: int = 0
    _accepted: int = 0  # without those whose ages wait
    _stale: int = 0
    _repeated: int = 0
    _unstamped: int = 0
    _last_s: float = -math.inf
    _ages: deque[float] = field(default_factory=lambda: deque(maxlen=DELAYS))
    _waiting: list[float] = field(default_factory=list)  # ages of the newest samples
    _most: int = 1  # so many wait until the median is worked out anew
    _middle_s: float = math.nan
    _refused: tuple[float, float] | None = None  # (arrival, age) where refusals began
    _renewed: bool = False
    _stray_after: float = math.nan  # the last fresh stamp before one far ahead of it

    @property
    def counts(self) -> Counts:
        """What became of the samples so far."""
        return Counts(
            accepted=self._accepted + len(self._waiting),
            stale=self._stale,
            repeated=self._repeated,
            unstamped=self._unstamped,
        )

    @property
    def delay_s(self) -> float:
        """The stream's own delay: median age of the samples accepted lately, or NaN."""
        return self._middle_s

    def accept(self, stamp_s: float, now_s: float) -> bool:
        """Say whether a sample that arrives now is fresh.

        Parameters
        ----------
        stamp_s : float
            The sample's stamp on the local clock, seconds.
        now_s : float
            Its arrival on the same clock.
        """
        age = now_s - stamp_s
        beyond = age - self._middle_s  # NaN at the beginning, and for odd stamps
        fresh = -STALE_S <= beyond <= STALE_S and stamp_s > self._last_s
        if not fresh and not self._odd(stamp_s, age, now_s):
            return False
        self._last_s = stamp_s
        self._refused = None
        self._renewed = False
        # Keeping them in order would cost more than all else here.
        waiting = self._waiting
        waiting.append(age)
        if len(waiting) >= self._most:
            self._settle()
        return True

    def _settle(self) -> None:
        """Work out the median anew."""
        self._ages.extend(self._waiting)
        self._accepted += len(self._waiting)
        self._waiting.clear()
        count = len(self._ages)
        self._middle_s = sorted(self._ages)[count // 2]
        self._most = 1 + count // SELDOM

    def _odd(self, stamp_s: float, age: float, now_s: float) -> bool:
        """Say whether a sample is fresh though it does not look so."""
        if not math.isfinite(age):
            self._unstamped += 1
            return False
        beyond = age - self._middle_s if self._ages else 0.0
        if self._renewed and not -STALE_S <= beyond <= WALL_CLOCK_S:
            self._start_anew()
        elif beyond < -STALE_S:
            # One stray stamp is none to follow: all that came next would be refused.
            # Samples of a backlog follow one another as ever, and only come faster.
            last_s = self._last_s
            if stamp_s - last_s > STALE_S and self._stray_after != last_s:
                self._stray_after = last_s
                self._unstamped += 1
                return False
            self._start_anew()
        elif beyond > STALE_S or stamp_s <= self._last_s:
            return not self._refuse(stamp_s, age, now_s, late=beyond > STALE_S)
        return True

    def _refuse(self, stamp_s: float, age: float, now_s: float, *, late: bool) -> bool:
        """Refuse a sample, unless those before it have shown that the clock jumped."""
        if self._refused is None:
            self._refused = (now_s, age)
        since, first_age = self._refused
        waited = now_s - since
        # A backlog grows younger while it is worked off and a repeated stamp grows
        # older; only after a jump of the clock does the age stand still.
        if waited >= RELEARN_S:
            steady = abs(age - first_age) < 0.5 * waited
            # A little behind what was sent: order is worth the moment until it is not.
            behind = steady and 0.0 <= self._last_s - stamp_s < STALE_S
            self._refused = self._refused if behind else None
            if steady and not behind:
                self._start_anew()
                return False
        if late and stamp_s > self._last_s:
            self._stale += 1
        else:
            self._repeated += 1
        return True

    def _start_anew(self) -> None:
        self.jumps += 1
        self.forget()

    def renew(self) -> None:
        """Expect another outlet: an age far off is then its clock's, and no lateness.

        Who connects gets nothing that was sent before, so nothing can be late by more
        than a sender itself may be.
        """
        self._renewed = True

    def forget(self) -> None:
        """Start anew with a stream whose clock may be another one now."""
        self._accepted += len(self._waiting)
        self._waiting.clear()
        self._ages.clear()
        self._most = 1
        self._middle_s = math.nan
        self._last_s = -math.inf
        self._refused = None
