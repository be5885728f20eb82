"""Raw gaze in, calibrated gaze out: the pure core of `calibkit publish`.

No clock, no stream, no file: chunks come in with their time of arrival, rows and
notices go out. One row for each fresh sample, with the sample's own stamp; each row
comes from one mapping and one sample. Where nothing can be said, position and sd are
NaN and valid is 0. No input, however odd, stops it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.live.filters import Filter, State
from calibkit.live.publisher_gate import WALL_CLOCK_S, Gate

STALE_AFTER_S = 0.2
REPORT_EVERY_S = 10.0
OUTPUT = (
    Channel(label="x", eye="both", type="ScreenX", unit="pixels"),
    Channel(label="y", eye="both", type="ScreenY", unit="pixels"),
    Channel(label="sd_x", eye="both", type="sd_x", unit="pixels"),
    Channel(label="sd_y", eye="both", type="sd_y", unit="pixels"),
    Channel(label="valid", eye="both", type="valid", unit="normalized"),
    Channel(label="sequence", eye="", type="sequence", unit="count"),
    Channel(label="mapping", eye="", type="mapping", unit="id"),
)
_X, _SD, _VALID, _SEQUENCE, _MAPPING = slice(0, 2), slice(2, 4), 4, 5, 6


class Estimate(Protocol):
    """Where the person looks: xy (n, 2) px and sd (n, 2) px."""

    @property
    def xy(self) -> NDArray[np.float64]: ...  # noqa: D102
    @property
    def sd(self) -> NDArray[np.float64]: ...  # noqa: D102


class Applied(Protocol):
    """The part of a mapping that is needed here."""

    @property
    def id(self) -> int: ...  # noqa: D102
    @property
    def channels(self) -> Sequence[str]: ...  # noqa: D102
    def apply(self, samples: NDArray[np.float64]) -> Estimate: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True)
class Notice:
    """Something to tell: a state that began, or a fact about the stream."""

    time_s: float
    state: str
    text: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Output:
    """Rows to send: time (k,), rows (k, 7) in the order of `OUTPUT`, and notices."""

    time: NDArray[np.float64]
    rows: NDArray[np.float64]
    notices: tuple[Notice, ...]


def differences(wanted: Sequence[str], offered: Sequence[Channel]) -> list[str]:
    """Say in which channels a stream differs from the one a mapping was made for.

    Parameters
    ----------
    wanted : sequence of str
        "eye type" of each channel of the mapping's stream.
    offered : sequence of Channel
        The stream's.

    Returns
    -------
    list of str, empty when the mapping fits
    """
    words = [f"{channel.eye} {channel.type}" for channel in offered]
    if len(wanted) != len(words):
        return [
            f"it has {len(words)} channels and the mapping was made for {len(wanted)}"
        ]
    return [
        f"channel {k} is {there.strip() or 'unnamed'} and the mapping was made for "
        f"{mine.strip() or 'an unnamed one'}"
        for k, (mine, there) in enumerate(zip(wanted, words, strict=True), 1)
        if mine.lower() != there.lower()
    ]


class Publisher:
    """Turns chunks of one stream into calibrated rows.

    Parameters
    ----------
    mapping : Applied
    smoothing : Filter, optional
        A live filter; None leaves the gaze as it is.
    """

    def __init__(self, mapping: Applied, smoothing: Filter | None = None) -> None:
        self._mapping = (mapping, mapping.id)  # the id is worked out once
        self._smoothing = smoothing
        self._smooth: State | None = None
        self._sequence = 0
        self._arrival_s = -math.inf
        self._reported_s = -math.inf
        self._dropped = 0
        self._jumps = 0
        self.gate = Gate()
        self.state = "waiting"

    @property
    def mapping(self) -> Applied:
        """The mapping in use."""
        return self._mapping[0]

    def use(self, mapping: Applied, now_s: float) -> tuple[Notice, ...]:
        """Take another mapping from the next sample on; it must read the same stream.

        Parameters
        ----------
        mapping : Applied
        now_s : float

        Returns
        -------
        tuple of Notice; a mapping for other channels is refused and the old one stays
        """
        number = mapping.id
        if list(mapping.channels) != list(self.mapping.channels):
            text = "the new mapping is refused: it reads other channels; the old stays"
            return (self._notice(now_s, text),)
        if number == self._mapping[1]:
            return ()
        self._mapping = (mapping, number)
        return (self._notice(now_s, f"mapping {number} is in use from now on"),)

    def found(self, text: str, now_s: float) -> tuple[Notice, ...]:
        """Note that the stream is there (again)."""
        return self._enter("waiting", f"{text} is found; waiting for samples", now_s)

    def lost(self, text: str, now_s: float) -> tuple[Notice, ...]:
        """Note that the stream is gone."""
        return self._enter("lost", text, now_s)

    def tick(self, now_s: float) -> tuple[Notice, ...]:
        """Notice that no sample came for a while."""
        silent_s = now_s - self._arrival_s
        if self.state != "running" or silent_s <= STALE_AFTER_S:
            return ()
        text = f"no fresh sample for {silent_s * 1000:.0f} ms; the stream seems frozen"
        return self._enter("stale", text, now_s)

    def feed(
        self, times: NDArray[np.float64], samples: NDArray[np.float64], now_s: float
    ) -> Output:
        """Map the fresh samples of a chunk.

        Parameters
        ----------
        times : array (k,)
            The samples' own stamps, seconds on the local clock.
        samples : array (k, c)
            In the stream's channel order.
        now_s : float
            When the chunk arrived.

        Returns
        -------
        Output
        """
        accept = self.gate.accept
        fresh = [accept(stamp, now_s) for stamp in times.tolist()]
        if not all(fresh):
            times, samples = times[fresh], samples[fresh]
        if not len(times):
            return Output(time=times, rows=_no_rows(0), notices=self._drops(now_s))
        rows, faults = self._rows(times, samples, now_s)
        notices = (*self._start(times, now_s), *faults, *self._drops(now_s))
        self._arrival_s = now_s
        return Output(time=times, rows=rows, notices=notices)

    def _rows(
        self, times: NDArray[np.float64], samples: NDArray[np.float64], now_s: float
    ) -> tuple[NDArray[np.float64], tuple[Notice, ...]]:
        mapping, number = self._mapping  # once: a swap never mixes two in one row
        rows = _no_rows(len(times))
        rows[:, _SEQUENCE] = np.arange(self._sequence, self._sequence + len(times))
        rows[:, _MAPPING] = number
        self._sequence += len(times)
        try:
            gaze = mapping.apply(samples)
        except (ValueError, ArithmeticError, LookupError) as fault:
            text = f"samples could not be mapped ({type(fault).__name__}: {fault})"
            return rows, self._seldom(text, now_s)
        rows[:, _X] = gaze.xy
        rows[:, _SD] = gaze.sd
        fine = np.isfinite(rows[:, :4]).all(axis=1)
        rows[~fine, :4] = np.nan
        rows[:, _VALID] = fine
        if self._smoothing is not None:
            self._smooth_rows(self._smoothing, times, rows)
        return rows, ()

    def _smooth_rows(
        self,
        smoothing: Filter,
        times: NDArray[np.float64],
        rows: NDArray[np.float64],
    ) -> None:
        for k, time_s in enumerate(times.tolist()):
            x, y = rows[k, _X].tolist()
            self._smooth, rows[k, _X] = smoothing.step(self._smooth, time_s, (x, y))

    def _start(self, times: NDArray[np.float64], now_s: float) -> tuple[Notice, ...]:
        if self.state == "running" and self.gate.jumps == self._jumps:
            return ()
        jumped = self.gate.jumps > self._jumps
        self._jumps = self.gate.jumps
        text = "calibrated gaze flows"
        if jumped:
            text += "; the stream's clock jumped, so a new segment begins"
        off_s = now_s - float(times[-1])
        if abs(off_s) > WALL_CLOCK_S:
            text += (
                f"; its stamps differ from this computer's LSL clock by {off_s:.0f} s "
                "and are passed on as they are: correct the tracker's program"
            )
        return self._enter("running", text, now_s)

    def _drops(self, now_s: float) -> tuple[Notice, ...]:
        counts = self.gate.counts
        dropped = counts.stale + counts.repeated + counts.unstamped
        if dropped == self._dropped:
            return ()
        text = (
            f"dropped so far: {counts.stale} samples that came too late, "
            f"{counts.repeated} repeated or backward, {counts.unstamped} without stamp"
        )
        notices = self._seldom(text, now_s)
        if notices:
            self._dropped = dropped
        return notices

    def _seldom(self, text: str, now_s: float) -> tuple[Notice, ...]:
        if now_s - self._reported_s < REPORT_EVERY_S:
            return ()
        self._reported_s = now_s
        return (self._notice(now_s, text),)

    def _enter(self, state: str, text: str, now_s: float) -> tuple[Notice, ...]:
        self.state = state
        return (self._notice(now_s, text),)

    def _notice(self, now_s: float, text: str) -> Notice:
        return Notice(time_s=now_s, state=self.state, text=text)


def _no_rows(count: int) -> NDArray[np.float64]:
    rows = np.full((count, len(OUTPUT)), np.nan)
    rows[:, _VALID] = 0.0
    return rows
