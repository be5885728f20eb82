"""What the operator is shown of a running session, as plain data; no page, no window.

The board listens to a session's gaze and commands. `state` says how things stand, as
what JSON can hold; a page or a terminal shows it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.features import Layout, read
from calibkit.geometry import Setup, angle_between
from calibkit.judged import coach_words
from calibkit.language import current
from calibkit.panel import phrases
from calibkit.session import session_words as words
from calibkit.session.session_keys import KEYS

Array = NDArray[np.float64]
Apply = Callable[[NDArray[np.floating]], Array]
WATCHED_S = 1.0
TRAIL_S = 0.4
LONGEST_S = 10.0
LINES = 4


class Board:
    """Follows a session.

    Parameters
    ----------
    setup : Setup
    layout : Layout
        What is read from the stream.
    keys : mapping of str
        What each key does.
    advance : {"gaze", "timer", "key"}
    gaze : callable, optional
        From raw samples (n, c) to gaze (n, 2), px, where a mapping is known.
    """

    def __init__(
        self,
        setup: Setup,
        layout: Layout,
        *,
        keys: Mapping[str, str] = KEYS,
        advance: str = "gaze",
        gaze: Apply | None = None,
    ) -> None:
        self._setup, self._layout, self._advance = setup, layout, advance
        self._keys, self._gaze = dict(keys), gaze
        self._raw: deque[tuple[Array, NDArray[np.floating]]] = deque()
        self._target: tuple[float, float] | None = None
        self._shown_s = math.nan
        self._lines: deque[str] = deque(maxlen=LINES)
        self._note = ""
        self.fresh: list[str] = []

    def know(self, gaze: Apply) -> None:
        """Take a mapping from raw samples to gaze, px."""
        self._gaze = gaze

    def hear(self, event: words.Event) -> None:
        """Take an event on its way into the session."""
        if isinstance(event, words.Gaze):
            self._raw.append((np.asarray(event.times, float), event.samples))
            horizon_s = event.times[-1] - LONGEST_S
            while self._raw and self._raw[0][0][-1] < horizon_s:
                self._raw.popleft()
        elif isinstance(event, words.StreamFound):
            self._note = ""

    def see(self, command: words.Command, time_s: float) -> None:
        """Take a command on its way out of the session."""
        if isinstance(command, words.Show | words.Move):
            self._target = (command.x, command.y)
            if isinstance(command, words.Show):
                self._shown_s, self._note = time_s + command.draw_in_s, ""
        elif isinstance(command, words.Gave):
            self._gave(command, time_s)
        elif isinstance(command, words.Hide):
            self._target = None
        elif isinstance(command, words.Pause):
            self._note = phrases.pause(command.reason)
            self.fresh.append(self._note)
        elif isinstance(command, words.Note) and phrases.noted(command.text):
            self._tell(phrases.noted(command.text))

    def _tell(self, line: str) -> None:
        self._lines.appendleft(line)
        self.fresh.append(line)

    def _gave(self, gave: words.Gave, time_s: float) -> None:
        times, samples = self._since(min(self._shown_s, time_s - WATCHED_S / 2))
        off_deg = self._off_deg(samples[times > time_s - WATCHED_S])
        place = phrases.point(gave.number, gave.total, gave.role)
        told = phrases.gave(gave.what, self._seen(samples), off_deg)
        self._tell(f"{place}: {told}")

    def state(self, now_s: float, now: words.Progress) -> dict[str, Any]:
        """Say how things stand.

        Parameters
        ----------
        now_s : float
        now : Progress

        Returns
        -------
        dict
            Plain data: numbers, text, lists; None where something is not known.
        """
        times, samples = self._since(now_s - WATCHED_S)
        trail = self._mapped(samples[times > now_s - TRAIL_S])
        off_deg = self._off_deg(samples[times > now_s - TRAIL_S])
        # Between two targets it is the coming one that is spoken of.
        number = min(now.done + 1, now.total)
        return {
            "language": current(),
            "view": "session",
            "point": _point(number, now),
            "grid": None if now.grid is None else list(now.grid),
            "share": now.done / max(now.total, 1),
            "words": self._note or phrases.state(now.state, self._advance),
            "screen": list(self._setup.screen_px),
            "target": None if self._target is None else list(self._target),
            "mapped": self._gaze is not None,
            "gaze": _places(trail),
            "away": phrases.away(off_deg) if self._target and self._gaze else "",
            "eyes": [
                {
                    "eye": phrases.eye(name),
                    "seen": None if math.isnan(share) else round(share, 2),
                    "words": phrases.seen(share),
                }
                for name, share in self._seen(samples).items()
            ],
            "last": list(self._lines),
            "keys": phrases.keys(self._keys),
            "result": [],
            "bars": [],
        }

    def lines(self) -> tuple[str, ...]:
        """Return the last target's words and the keys, for the one screen."""
        return (*list(self._lines)[:1], *phrases.key_lines(self._keys))

    def _since(self, time_s: float) -> tuple[Array, NDArray[np.floating]]:
        if not self._raw:
            return np.empty(0), np.empty((0, self._layout.width))
        times = np.concatenate([one for one, _ in self._raw])
        late = times > time_s
        return times[late], np.concatenate([two for _, two in self._raw])[late]

    def _seen(self, samples: NDArray[np.floating]) -> dict[str, float]:
        names = [source.eye for source in self._layout.eyes]
        if not len(samples):
            return dict.fromkeys(names, math.nan)
        xy = read(self._layout, samples, self._setup).xy
        shares = np.isfinite(xy).all(axis=2).mean(axis=1)
        return dict(zip(names, map(float, shares), strict=True))

    def _mapped(self, samples: NDArray[np.floating]) -> Array:
        if self._gaze is None or not len(samples):
            return np.empty((0, 2))
        xy = self._gaze(samples)
        found: Array = xy[np.isfinite(xy).all(axis=1)]
        return found

    def _off_deg(self, samples: NDArray[np.floating]) -> float:
        found = self._mapped(samples)
        if self._target is None or not len(found):
            return math.nan
        middle = np.median(found, axis=0)
        return float(angle_between(self._setup, self._target, middle)[0])


def _point(number: int, now: words.Progress) -> str:
    told = phrases.point(number, now.total, now.role)
    return told if now.grid is None else f"{told}: {coach_words.grid(*now.grid)}"


def _places(trail: Array, most: int = 12) -> list[list[float]]:
    """Thin a trail out to a few places, the newest last."""
    step = max(1, math.ceil(len(trail) / most))
    return [[round(float(v), 1) for v in place] for place in trail[::-step][::-1]]
