"""Which target is next: order, targets shown again, counts."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from calibkit.session.session_plan import Target
from calibkit.session.session_words import CHECK_SHORTENED, NO_LOOKS

# So many targets in a row without a look, and the person is elsewhere (our judgement):
# more of the same only tires.
LOST_AFTER = 3


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
        self.done = self.missed = self._in_a_row = 0

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

    def looked(self, target: Target) -> None:
        """Count a target that is done, looked at or moved on by the operator."""
        self.done, self.last, self._in_a_row = self.done + 1, target, 0

    def returns(self, number: int) -> bool:
        """Whether a target that gets no look now comes again by itself."""
        return self.may_repeat(number) and self._in_a_row + 1 < LOST_AFTER

    def unseen(self, target: Target) -> str:
        """Count a target without a look, and let it come again where it does.

        Returns
        -------
        str
            What the operator should know once so many came in a row: nothing that is
            missed comes again meanwhile, and checks that were not shown are left out.
        """
        again = self.returns(target.id)
        self._in_a_row += 1
        if again:
            self.later(target.id)
            return ""
        self.done, self.missed = self.done + 1, self.missed + 1
        if self._in_a_row != LOST_AFTER:
            return ""
        if target.role != "validation":
            return NO_LOOKS
        self._waiting = deque(t for t in self._waiting if self._shown[t.id])
        return CHECK_SHORTENED

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
