"""Which target is next: order, targets shown again, counts."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from calibkit.session.session_plan import Target


class Queue:
    """The targets still to come, the one that is on, the one before.

    Parameters
    ----------
    targets : sequence of Target
    repeats : int
        How often a target may be shown again by itself.
    """

    def __init__(self, targets: Sequence[Target], repeats: int) -> None:
        self._waiting = deque(targets)
        self._all = {target.id: target for target in targets}
        self._shown = dict.fromkeys(self._all, 0)
        self._repeats = repeats
        self.on: Target | None = None
        self.last: Target | None = None
        self.onset_s: float | None = None
        self.done = self.missed = 0

    @property
    def total(self) -> int:
        """Targets done, on and to come."""
        return self.done + len(self._waiting) + (self.on is not None)

    @property
    def next(self) -> Target | None:
        """The target that `take` would take."""
        return self._waiting[0] if self._waiting else None

    def take(self) -> Target:
        """Make the next target the one that is on."""
        self.on, self.onset_s = self._waiting.popleft(), None
        return self.on

    def appeared(self, target: Target, time_s: float) -> None:
        """Note that a target became visible."""
        self.onset_s = time_s
        self._shown[target.id] += 1

    def off(self) -> float | None:
        """Let go of the target that is on; its onset, if it was ever visible."""
        onset_s, self.on, self.onset_s = self.onset_s, None, None
        return onset_s

    def may_repeat(self, number: int) -> bool:
        """Whether a target may be shown again by itself."""
        return self._shown.get(number, self._repeats + 1) <= self._repeats

    def first(self, target: Target) -> None:
        """Show a target next."""
        if target not in self._waiting:
            self._waiting.appendleft(target)

    def later(self, number: int) -> None:
        """Show a target again, after the others of its role."""
        target = self._all[number]
        if target in self._waiting:
            return
        places = [
            k for k, other in enumerate(self._waiting) if other.role == target.role
        ]
        self._waiting.insert(places[-1] + 1 if places else 0, target)

    def only_checks(self) -> None:
        """Drop what is left of the calibration."""
        self._waiting = deque(t for t in self._waiting if t.role != "calibration")
