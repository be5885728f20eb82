"""Drift beside a publisher: what to feed it, and the mapping that comes back.

The publisher itself needs no change: a correction is another mapping, which its own
`use` takes in whole, tells of, and marks in every row by its id.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.channels import Channel
from calibkit.live import drift, drift_mapping, drift_reference, drift_signs
from calibkit.live.drift_facts import NONE, POLICY, Change, Drift, Policy
from calibkit.live.drift_mapping import Fitted
from calibkit.live.drift_reference import BLOCK_S, Reference
from calibkit.live.publisher_output import Notice

Array = NDArray[np.float64]
Rows = NDArray[np.floating]

KEPT_S = 5.0  # raw samples kept, for looks and selections
DWELL_S = 0.4  # of gaze before a selection
BEFORE_S = 0.05  # the selection's own moment may already be a saccade away
SETTLE_S = 0.5  # of a look after its target appeared
MOST_ROWS = 300  # of a block: medians need no more, and gaze waits meanwhile
RECENTRE = "recentre"


class DriftHook:
    """Watches raw samples and markers beside a publisher.

    Parameters
    ----------
    mapping : Fitted
        As it was made; corrections are kept apart from it.
    channels : tuple of Channel
        Of the stream.
    reference : Reference, optional
        Of the signal at the calibration; without it only markers count.
    policy : Policy
    """

    def __init__(
        self,
        mapping: Fitted,
        channels: tuple[Channel, ...],
        reference: Reference | None = None,
        policy: Policy = POLICY,
    ) -> None:
        self._mapping, self._channels, self._policy = mapping, channels, policy
        self._signs = drift_signs.Signs(reference=reference or Reference(levels={}))
        self._kept: deque[tuple[Array, Rows]] = deque()
        self._block_s: float | None = None
        self._onset_s: float | None = None
        self.state = Drift()
        self._made = (mapping, NONE, mapping)  # another object only when it moved
        self.log: deque[Change] = deque(maxlen=1000)

    def use(
        self, mapping: Fitted, reference: Reference | None = None, now_s: float = 0.0
    ) -> tuple[Notice, ...]:
        """Start anew with another mapping, made by a new calibration.

        Parameters
        ----------
        mapping : Fitted
        reference : Reference, optional
            Of the signal at that calibration.
        now_s : float

        Returns
        -------
        tuple of Notice
            One where a correction of the old mapping ends with it.
        """
        before, self.state = self.state.offset, Drift()
        self._mapping, self._onset_s = mapping, None
        self._signs = drift_signs.Signs(reference=reference or Reference(levels={}))
        if before == NONE:
            return ()
        text = "a mapping was put into use; the correction of the one before has ended"
        change = Change(
            time_s=now_s, kind="ended", text=text, before=before, after=NONE
        )
        return self._tell((change,))

    @property
    def mapping(self) -> Fitted:
        """The mapping to publish with: corrected where a correction is in use."""
        if self._made[:2] != (self._mapping, self.state.offset):
            made = drift_mapping.corrected(self._mapping, self.state)
            self._made = (self._mapping, self.state.offset, made)
        return self._made[2]

    def due(self, stamp_s: float) -> bool:
        """Whether a sample of this stamp ends a block; until then samples may wait."""
        return self._block_s is None or not 0 <= stamp_s - self._block_s < BLOCK_S

    def samples(self, times: Array, samples: Rows, now_s: float) -> tuple[Notice, ...]:
        """Take in raw samples as they come.

        Parameters
        ----------
        times : array (k,), s
            Local clock.
        samples : array (k, c)
        now_s : float

        Returns
        -------
        tuple of Notice
        """
        if not len(times):
            return ()
        self._kept.append((times, samples))
        while len(self._kept) > 1 and self._kept[0][0][-1] < times[-1] - KEPT_S:
            self._kept.popleft()
        if self._block_s is None or not 0 <= times[-1] - self._block_s < 10 * BLOCK_S:
            self._block_s = float(times[-1])
        if times[-1] - self._block_s < BLOCK_S or not self._signs.reference.levels:
            return ()
        start_s, self._block_s = self._block_s, float(times[-1])
        return self._block(start_s, now_s)

    def _block(self, start_s: float, now_s: float) -> tuple[Notice, ...]:
        time, samples = self._between(start_s, float(self._kept[-1][0][-1]))
        if not len(time):
            return ()
        each = -(-len(time) // MOST_ROWS)
        block = drift_reference.levels(
            time[::each], samples[::each], self._channels, self._mapping.setup
        )
        self._signs, told = drift_signs.observe(self._signs, block)
        return tuple(Notice(time_s=now_s, state="drift", text=text) for text in told)

    def mark(
        self, event: Mapping[str, Any], time_s: float, now_s: float
    ) -> tuple[Notice, ...]:
        """Take in an event of a Markers stream; what is not for us is ignored.

        Parameters
        ----------
        event : mapping
            `selected` with x and y; `target_on` and `target_off` with the role
            "recentre" around one look at one target; `undo_correction`, with
            `everything` true for all corrections.
        time_s : float
            Of the event, local clock.
        now_s : float

        Returns
        -------
        tuple of Notice
        """
        name, target = event.get("event"), (event.get("x"), event.get("y"))
        if name == "selected":
            gaze = self._gaze(time_s - DWELL_S - BEFORE_S, time_s - BEFORE_S)
            return self._take(drift.selected, now_s, target, gaze)
        if name == "undo_correction":
            return self.undo(now_s, everything=event.get("everything") is True)
        if event.get("role") != RECENTRE:
            return ()
        if name == "target_on":
            self._onset_s = time_s
        elif name == "target_off" and self._onset_s is not None:
            gaze = self._gaze(self._onset_s + SETTLE_S, time_s)
            self._onset_s = None
            return self._take(drift.look, now_s, target, gaze)
        return ()

    def undo(self, now_s: float, *, everything: bool = False) -> tuple[Notice, ...]:
        """Undo the last correction, or all; learning is off from then on.

        Parameters
        ----------
        now_s : float
        everything : bool

        Returns
        -------
        tuple of Notice
        """
        # The selections would only bring back what the operator has just undone.
        learned, self._policy = self._policy.learn, replace(self._policy, learn=False)
        self.state, changes = drift.undo(self.state, now_s, everything=everything)
        if learned:
            text = f"{changes[0].text}; nothing more is learned from selections"
            changes = (replace(changes[0], text=text),)
        return self._tell(changes)

    def _take(
        self, step: Any, now_s: float, target: Any, seen: tuple[Array, float]
    ) -> tuple[Notice, ...]:
        setup = self._mapping.setup
        self.state, changes = step(
            self.state, now_s, setup, target, *seen, self._policy
        )
        return self._tell(changes)

    def _tell(self, changes: tuple[Change, ...]) -> tuple[Notice, ...]:
        self.log.extend(changes)
        return tuple(
            Notice(time_s=change.time_s, state="drift", text=change.text)
            for change in changes
        )

    def _gaze(self, start_s: float, end_s: float) -> tuple[Array, float]:
        """Gaze (n, 2) of the mapping as it was made, lately, and its sd in degrees."""
        _, samples = self._between(start_s, end_s)
        if not len(samples):
            return np.empty((0, 2)), 0.0
        gaze = self._mapping.apply(samples)
        seen = np.isfinite(gaze.xy).all(axis=1)
        if not seen.any():
            return np.empty((0, 2)), 0.0
        scale = geometry.px_per_degree(self._mapping.setup, gaze.xy[seen])
        return gaze.xy[seen], float(np.median(gaze.sd[seen] / scale))

    def _between(self, start_s: float, end_s: float) -> tuple[Array, Rows]:
        if not self._kept:
            return np.empty(0), np.empty((0, len(self._channels)))
        time = np.concatenate([times for times, _ in self._kept])
        part = (time >= start_s) & (time <= end_s)
        return time[part], np.concatenate([s for _, s in self._kept])[part]

    def forget_selections(self) -> None:
        """Drop the evidence of selections, for another person's or program's."""
        self.state = replace(
            self.state, mean=self.state.offset, selections=0, told=False
        )
