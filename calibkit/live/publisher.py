"""Raw gaze in, calibrated gaze out: the pure core of `calibkit publish`.

No clock, no stream, no file: samples come in with their time of arrival, rows and
notices go out. One row for each fresh sample, with the sample's own stamp; each row
comes from one mapping and one sample. Where nothing can be said, position and sd are
NaN and valid is 0. No input, however odd, stops it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.mapping_live import live
from calibkit.live import drift_mapping
from calibkit.live.publisher_gate import WALL_CLOCK_S, Gate
from calibkit.live.publisher_output import OUTPUT, Notice

if TYPE_CHECKING:
    from calibkit.live.filters import Filter, State

STALE_AFTER_S = 0.2
REPORT_EVERY_S = 10.0
Row = Callable[[Sequence[float]], tuple[float, float, float, float]]


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

    __slots__ = (
        *("_arrival_s", "_dropped", "_flows", "_jumps", "_mapping", "_reported_s"),
        *("_sequence", "_smooth", "_smoothing", "gate", "news", "state"),
    )

    def __init__(self, mapping: Applied, smoothing: Filter | None = None) -> None:
        self._mapping = _ready(mapping)
        self._smoothing = smoothing
        self._smooth: State | None = None
        self._sequence = 0.0  # as it is sent: exact for longer than anybody lives
        self._arrival_s = -math.inf
        self._reported_s = -math.inf
        self._dropped = 0
        self._jumps = 0
        self._flows = -1  # the clock's jumps while gaze flows, else none there can be
        self.gate = Gate()
        self.state = "waiting"
        self.news: list[Notice] = []

    @property
    def mapping(self) -> Applied:
        """The mapping in use."""
        return self._mapping[0]

    def use(self, mapping: Applied, now_s: float) -> None:
        """Take another mapping from the next sample on; it must read the same stream.

        A mapping for other channels is refused, the old one stays, and that is told.

        Parameters
        ----------
        mapping : Applied
        now_s : float
        """
        if list(mapping.channels) != list(self.mapping.channels):
            text = "the new mapping is refused: it reads other channels; the old stays"
            self.note(text, now_s)
            return
        ready = _ready(mapping)
        if ready[1] != self._mapping[1]:
            self._mapping = ready
            self.note(f"mapping {ready[1]} is in use from now on", now_s)

    def found(self, text: str, now_s: float) -> None:
        """Note that the stream is there (again)."""
        self._enter("waiting", f"{text} is found; waiting for samples", now_s)

    def lost(self, text: str, now_s: float) -> None:
        """Note that the stream is gone."""
        self._enter("lost", text, now_s)

    def tick(self, now_s: float) -> None:
        """Notice that no sample came for a while; called whenever none did."""
        silent_s = now_s - self._arrival_s
        if self.state == "running" and silent_s > STALE_AFTER_S:
            text = (
                f"no fresh sample for {silent_s * 1000:.0f} ms; the stream seems frozen"
            )
            self._enter("stale", text, now_s)
        self._tell_drops(now_s)

    def step(
        self, stamp_s: float, sample: Sequence[float], now_s: float
    ) -> list[float] | None:
        """Map one sample.

        Parameters
        ----------
        stamp_s : float
            The sample's own stamp, seconds on the local clock.
        sample : sequence of float (c,)
            In the stream's channel order.
        now_s : float
            When it arrived.

        Returns
        -------
        list of float, in the order of `OUTPUT`, or None for a sample that is not fresh
        """
        gate = self.gate
        if not gate.accept(stamp_s, now_s):
            return None
        _, number, live = self._mapping  # once: a swap never mixes two in one row
        try:
            x, y, sd_x, sd_y = live(sample)
        except (ValueError, ArithmeticError, LookupError, TypeError) as fault:
            x = y = sd_x = sd_y = math.nan
            text = f"samples could not be mapped ({type(fault).__name__}: {fault})"
            self._seldom(text, now_s)
        valid = 1.0
        total = x + y + sd_x + sd_y
        if total - total != 0.0:  # as it is not where one is not finite
            x = y = sd_x = sd_y = math.nan
            valid = 0.0
        if self._smoothing is not None:
            smooth = self._smoothing.step(self._smooth, stamp_s, (x, y))
            self._smooth, (x, y) = smooth
        sequence = self._sequence
        self._sequence = sequence + 1.0
        self._arrival_s = now_s
        if gate.jumps != self._flows:
            self._start(stamp_s, now_s)
        return [x, y, sd_x, sd_y, valid, sequence, number]

    def told(self) -> tuple[Notice, ...]:
        """Return the notices since the last call."""
        notices, self.news = tuple(self.news), []
        return notices

    def facts(self, now_s: float) -> dict[str, object]:
        """Return what the heartbeat tells, plain JSON.

        Parameters
        ----------
        now_s : float
        """
        counts, silent_s = self.gate.counts, now_s - self._arrival_s
        delay_s = self.gate.delay_s
        return {
            "event": "alive",
            "time": now_s,
            "state": self.state,
            "mapping": self._mapping[1],
            "sent": int(self._sequence),
            "silent_s": round(silent_s, 3) if math.isfinite(silent_s) else None,
            "delay_s": round(delay_s, 6) if math.isfinite(delay_s) else None,
            "stale": counts.stale,
            "repeated": counts.repeated,
            "unstamped": counts.unstamped,
        }

    def feed(
        self, times: NDArray[np.float64], samples: NDArray[np.float64], now_s: float
    ) -> Output:
        """Map the fresh samples of a chunk: `step` for each, and what it told.

        Parameters
        ----------
        times : array (k,)
        samples : array (k, c)
        now_s : float

        Returns
        -------
        Output
        """
        pairs = zip(times.tolist(), np.asarray(samples, float).tolist(), strict=True)
        made = [(stamp, self.step(stamp, sample, now_s)) for stamp, sample in pairs]
        kept = [(stamp, row) for stamp, row in made if row is not None]
        self._tell_drops(now_s)
        return Output(
            time=np.array([stamp for stamp, _ in kept], float),
            rows=np.array([row for _, row in kept], float).reshape(-1, len(OUTPUT)),
            notices=self.told(),
        )

    def _start(self, stamp_s: float, now_s: float) -> None:
        jumped = self.gate.jumps > self._jumps
        self._jumps = self.gate.jumps
        text = "calibrated gaze flows"
        if jumped:
            text += "; the stream's clock jumped, so a new segment begins"
        off_s = now_s - stamp_s
        if abs(off_s) > WALL_CLOCK_S:
            text += (
                f"; its stamps differ from this computer's LSL clock by {off_s:.0f} s "
                "and are passed on as they are: correct the tracker's program"
            )
        self._enter("running", text, now_s)
        self._flows = self._jumps

    def _tell_drops(self, now_s: float) -> None:
        counts = self.gate.counts
        dropped = counts.stale + counts.repeated + counts.unstamped
        if dropped == self._dropped:
            return
        text = (
            f"dropped so far: {counts.stale} samples that came too late, "
            f"{counts.repeated} repeated or backward, {counts.unstamped} without a "
            "usable stamp"
        )
        if self._seldom(text, now_s):
            self._dropped = dropped

    def _seldom(self, text: str, now_s: float) -> bool:
        if now_s - self._reported_s < REPORT_EVERY_S:
            return False
        self._reported_s = now_s
        self.note(text, now_s)
        return True

    def _enter(self, state: str, text: str, now_s: float) -> None:
        self.state, self._flows = state, -1
        self.note(text, now_s)

    def note(self, text: str, now_s: float) -> None:
        """Add a notice for `told`."""
        self.news.append(Notice(time_s=now_s, state=self.state, text=text))


def by_arrays(mapping: Applied) -> Row:
    """Return a function that maps one sample by way of `apply`."""

    def row(sample: Sequence[float]) -> tuple[float, float, float, float]:
        gaze = mapping.apply(np.array([sample], float))
        return (*gaze.xy[0].tolist(), *gaze.sd[0].tolist())

    return row


def one_by_one(mapping: Applied) -> Row:
    """Return the fastest function that maps one sample, with equal results."""
    if isinstance(mapping, Mapping):
        return live(mapping)
    if isinstance(mapping, drift_mapping.Recentred):
        return drift_mapping.one_by_one(mapping, one_by_one(mapping.mapping))
    return by_arrays(mapping)


def _ready(mapping: Applied) -> tuple[Applied, int, Row]:
    """Work out once what each row needs: the mapping, its id, and its function."""
    return mapping, mapping.id, one_by_one(mapping)
