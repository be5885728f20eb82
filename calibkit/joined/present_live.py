"""Calibrated gaze while an experiment runs, read between its frames."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.errors import CallError, InputError
from calibkit.joined.present_gaze import WANTED, Lent, named
from calibkit.joined.run import Source
from calibkit.kept import home as home_folder
from calibkit.kept import settings
from calibkit.streams import lsl_found

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.run_live import Stream


class Readable(Source, Protocol):
    """A source that says what its channels are."""

    @property
    def channels(self) -> Sequence[Channel]:
        """In the order of the samples' columns."""


Array = NDArray[np.float64]
# Channels of what `calibkit publish` sends: ScreenX, ScreenY, sd_x, sd_y, valid.
PUBLISHED = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Followed:
    """Calibrated samples: `time` (k,) s on the LSL clock, `xy` and `sd` (k, 2) px.

    `pos` and `pos_sd` (k, 2) are the same in the units of the window, y upwards. All
    are NaN where nothing can be said.
    """

    time: Array
    xy: Array
    sd: Array
    pos: Array
    pos_sd: Array

    @property
    def valid(self) -> NDArray[np.bool_]:
        """Which samples say something (k,)."""
        return np.isfinite(self.xy[:, 0]) & np.isfinite(self.xy[:, 1])


class Follower:
    """An open end of calibrated gaze; made by `follow`.

    Attributes
    ----------
    last : Followed
        The newest valid sample, one row; none before the first.
    """

    def __init__(
        self,
        source: Readable,
        mapping: Mapping | None,
        win: Any,
        close: Callable[[], None] | None = None,
    ) -> None:
        self._source, self._mapping, self._win = source, mapping, win
        self._close = close or source.close
        self.last = self._calibrated(np.empty(0), np.empty((0, PUBLISHED)), none=True)

    def pull(self) -> Followed:
        """Return what has come since the last call; never wait.

        A stream that is lost gives nothing until it is back.
        """
        chunk = self._source.pull()
        self._source.notes()
        new = self._calibrated(chunk.time, chunk.samples, none=not len(chunk.time))
        seen = np.flatnonzero(new.valid)
        if len(seen):
            rows = slice(seen[-1], seen[-1] + 1)
            self.last = Followed(
                time=new.time[rows],
                xy=new.xy[rows],
                sd=new.sd[rows],
                pos=new.pos[rows],
                pos_sd=new.pos_sd[rows],
            )
        return new

    def drain(self) -> None:
        """Drop what waits, such as what came between two trials."""
        while len(self._source.pull().time):
            pass

    def close(self) -> None:
        """Disconnect; an inlet of the caller's stays open."""
        self._close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _calibrated(self, time: Array, samples: Array, *, none: bool) -> Followed:
        if none:
            xy, sd = np.empty((0, 2)), np.empty((0, 2))
        elif self._mapping is not None:
            gaze = self._mapping.apply(samples)
            xy, sd = gaze.xy, gaze.sd
        else:
            unsaid = samples[:, [4]] != 1
            xy, sd = (np.where(unsaid, np.nan, samples[:, k : k + 2]) for k in (0, 2))
        pos = self._placed(xy)
        pos_sd = np.abs(self._placed(xy + sd) - pos)
        return Followed(time=time, xy=xy, sd=sd, pos=pos, pos_sd=pos_sd)

    def _placed(self, xy: Array) -> Array:
        if self._win is None or not len(xy):
            return np.full_like(xy, np.nan)
        from calibkit.window.screen_units import in_units

        return in_units(self._win, xy)


def follow(
    mapping: Mapping | str | Path | None = None,
    *,
    person: str | None = None,
    gaze: Any = None,
    win: Any = None,
    home: str | Path | None = None,
) -> Follower:
    """Read calibrated gaze inside an experiment.

    Parameters
    ----------
    mapping : Mapping or path, optional
        Is applied to the raw stream.
    person : str, optional
        Take this person's mapping in use. With neither, the gaze that
        `calibkit publish` sends is read.
    gaze : str or inlet, optional
        As for `present`: the source_id of the raw stream, None for the only one.
    win : psychopy Window, optional
        Places are given in its units too.
    home : path, optional

    Returns
    -------
    Follower
        `pull()` between frames; `close()`, or use it in a `with` block.

    Raises
    ------
    CallError
        When a parameter is unusable, or the window is not the mapping's screen.
    InputError
        When there is no such mapping.
    DeviceError
        When there is no such stream.

    Examples
    --------
    >>> with calibkit.follow(gave.mapping, win=win) as gaze:  # doctest: +SKIP
    ...     dot.pos = gaze.pull().pos[-1]
    """
    place = home_folder.resolve(home)
    wanted, gaze = needed(mapping, person, place), named(gaze)
    if gaze is None or isinstance(gaze, str):
        stream = opened(gaze, place, calibrated=wanted is None)
        try:
            return joined(stream.source, wanted, win, stream.close)
        except CallError:
            stream.close()
            raise
    if not (hasattr(gaze, "pull") and hasattr(gaze, "channels")):
        raise CallError(f"gaze is {type(gaze).__name__!r}; {WANTED}")
    return joined(Lent(gaze), wanted, win)


def joined(
    source: Readable,
    mapping: Mapping | None,
    win: Any,
    close: Callable[[], None] | None = None,
) -> Follower:
    """Read an open source by a mapping, or as calibrated gaze where there is none.

    Raises
    ------
    CallError
        When the mapping is for another window or stream.
    """
    if mapping is not None and win is not None:
        _check_window(mapping, win)
    _check_channels(mapping, len(source.channels))
    return Follower(source, mapping, win, close)


def needed(
    mapping: Mapping | str | Path | None, person: str | None, home: Path
) -> Mapping | None:
    """Return the mapping that is given or in use; None where neither was asked for.

    Raises
    ------
    InputError
        When there is none.
    """
    from calibkit.joined.present_plan import known

    found = known(mapping, home, person)
    if found is None and person is not None:
        raise InputError(
            f"no mapping is stored for {person} in {home}; calibrate this person first"
        )
    return found


def _check_window(mapping: Mapping, win: Any) -> None:
    from calibkit.window.screen_loan import window_px

    size, made_for = window_px(win), tuple(mapping.setup.screen_px)
    if size != made_for:
        raise CallError(
            f"the mapping is for {made_for[0]} x {made_for[1]} pixels, and win has "
            f"{size[0]} x {size[1]}; calibrate in this window"
        )


def _check_channels(mapping: Mapping | None, count: int) -> None:
    if mapping is None and count < PUBLISHED:
        raise CallError(
            f"gaze has {count} channels, not those of calibkit publish; give the "
            "mapping, or the stream whose source_id begins with calibkit:"
        )
    if mapping is not None and count != mapping.layout.width:
        raise CallError(
            f"gaze has {count} channels, and the mapping is for "
            f"{mapping.layout.width}; give the stream that it was made with"
        )


def opened(source_id: str | None, home: Path, *, calibrated: bool) -> Stream:
    """Open the raw stream, or the one that `calibkit publish` makes of it.

    Raises
    ------
    CallError, DeviceError
        When there are several, or none.
    """
    from calibkit.joined import run_live

    ours = lsl_found.OURS
    if calibrated and source_id and not source_id.startswith(ours):
        source_id = ours + source_id
    stream = run_live.open_stream(
        source_id, settings.load(home), ask=False, calibrated=calibrated
    )
    stream.inlet.flush()
    return stream
