"""The pointing trial: ever finer grids, one key asked for at a time, chosen by dwell.

A pure machine like the session, and run by the same loop: events in, each with its own
time, commands out. It ends when a grid gets hard, when enough is known, or when it has
lasted long enough for anybody.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibkit.geometry import Setup
from calibkit.judged.keys_predict import Prediction
from calibkit.session import pointing_choice as choice
from calibkit.session import pointing_says as says
from calibkit.session import session_table as table
from calibkit.session import session_words as words
from calibkit.session.pointing_asks import Ask, ask_of
from calibkit.session.pointing_dwell import DWELL_S, Chosen, Dwell, Gaze
from calibkit.session.pointing_grid import Cell, Grid, ShowGrid
from calibkit.session.pointing_judge import judge
from calibkit.session.session_keys import KEYS, Keys

Array = NDArray[np.float64]

PAUSE_S = 0.7
GONE_S = 60.0
# As many asks in a row without any choice: the person has had enough of it.
SILENT = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Trial:
    """What a trial starts from.

    Parameters
    ----------
    setup : Setup
    checks : structured array, optional
        An assessment's targets of the mapping in use.
    sd_deg : float
        The mapping's own mean uncertainty.
    dwell_s : float
    limit_s : float
        Longest wait for a choice.
    most_asks : int
    most_s : float
        The trial ends after so much time.
    """

    setup: Setup
    checks: NDArray[np.void] | None = None
    sd_deg: float = 1.0
    dwell_s: float = DWELL_S
    limit_s: float = 8.0
    most_asks: int = 32
    most_s: float = 90.0


@dataclass(kw_only=True, eq=False)
class _On:
    """The key that is asked for now."""

    id: int
    aim: Cell
    start_px: tuple[float, float] = (math.nan, math.nan)
    onset_s: float = math.nan
    begun: bool = False
    chosen: Chosen | None = None


@dataclass(kw_only=True, eq=False)
class _Now:
    """What changes while a trial runs."""

    time_s: float = -math.inf
    since_s: float = -math.inf
    began_s: float = math.nan
    held: bool = False
    lost: bool = False
    misses: float = choice.FIRST_MISSES
    here: list[Ask] = field(default_factory=list)
    passed: int = 0


class Pointing:
    """One pointing trial.

    Parameters
    ----------
    trial : Trial
    gaze : callable
        From raw samples (n, c) to calibrated gaze: `mapping.apply`.
    rng : Generator
        So that the next key cannot be foreseen.
    keys : mapping of str, optional
        What each of the operator's keys does; those for pausing, going on and stopping
        count.
    """

    def __init__(
        self,
        trial: Trial,
        gaze: Callable[[NDArray[np.floating]], Gaze],
        rng: np.random.Generator,
        keys: Mapping[str, str] = KEYS,
    ) -> None:
        self._trial, self._gaze, self._rng = trial, gaze, rng
        self._keys = Keys(keys)
        self.reason, self.why = "", ""
        self._asks: list[Ask] = []
        self._now = _Now()
        self._stepped = False
        self._gaze_px = (math.nan, math.nan)
        self._on: _On | None = None
        self._grid = self._finer() or Grid(setup=trial.setup, rows=1, columns=2)
        self._dwell = Dwell(self._grid, trial.dwell_s)

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return bool(self.reason)

    @property
    def asks(self) -> tuple[Ask, ...]:
        """What was asked for until now."""
        return tuple(self._asks)

    def progress(self) -> words.Progress:
        """Where it is; the total is the most that it can be."""
        return words.Progress(
            state=self._state(),
            target=self._on.id if self._on else None,
            role="pointing",
            done=len(self._asks),
            total=self._trial.most_asks,
            missed=sum(not ask.hit for ask in self._asks),
            grid=(self._grid.rows, self._grid.columns),
        )

    def _state(self) -> str:
        if self.over:
            return table.ENDED
        if self._now.lost:
            return table.LOST
        if self._now.held:
            return table.PAUSED
        return table.BETWEEN if self._on is None else table.CHOOSING

    def handle(self, event: words.Event) -> tuple[words.Command, ...]:
        """Take one event and say what to do."""
        if self.over:
            return ()
        self._now.time_s = max(self._now.time_s, event.time_s)
        if isinstance(event, words.Gaze):
            return tuple(self._look(event))
        if isinstance(event, words.Tick):
            return tuple(self._tick())
        if isinstance(event, words.Shown):
            return tuple(self._shown(event))
        if isinstance(event, words.Key):
            return tuple(self._key(self._keys.met(event)))
        if isinstance(event, words.StreamLost | words.StreamFound):
            return tuple(self._stream(isinstance(event, words.StreamLost)))
        if isinstance(event, words.WindowClosed):
            return tuple(self._end("closed"))
        return ()

    # What happens.

    def _look(self, event: words.Gaze) -> list[words.Command]:
        found, times, on = self._gaze(event.samples), event.times, self._on
        onset_s = math.inf if on is None or math.isnan(on.onset_s) else on.onset_s
        # Samples come late: which key gaze rested on is known when later ones come.
        if on is None or not on.begun:
            self._watch(times, found, times <= onset_s)
        later = times > onset_s
        if on is None or not later.any():
            return []
        if not on.begun:
            on.begun, on.start_px = True, self._gaze_px
            self._dwell.begin(on.aim)
        on.chosen = self._dwell.feed(times[later], found.xy[later], found.sd[later])
        if on.chosen is None:
            return []
        rest = times > on.chosen.time_s
        commands = self._answer()
        self._watch(times, found, rest)
        return commands

    def _watch(self, times: Array, found: Gaze, which: NDArray[np.bool_]) -> None:
        known = found.xy[which & np.isfinite(found.xy).all(axis=1)]
        if len(known):
            self._gaze_px = (float(known[-1, 0]), float(known[-1, 1]))
        self._dwell.watch(times[which], found.xy[which], found.sd[which])

    def _tick(self) -> list[words.Command]:
        now = self._now
        if math.isnan(now.began_s):
            return self._open()
        if now.lost:
            return self._end("lost") if now.time_s - now.since_s > GONE_S else []
        if now.held:
            return []
        if self._on is None:
            return self._ask() if now.time_s - now.since_s >= PAUSE_S else []
        waited_s = now.time_s - self._on.onset_s
        return self._answer() if waited_s >= self._trial.limit_s else []

    def _open(self) -> list[words.Command]:
        now, setup = self._now, self._trial.setup
        now.began_s = now.since_s = now.time_s
        start = {
            "event": "session_start",
            "screen_px": list(setup.screen_px),
            "screen_mm": list(setup.screen_mm),
            "distance_mm": setup.distance_mm,
        }
        text = says.START.format(dwell_s=self._trial.dwell_s)
        return [words.Mark(event=start, time_s=now.time_s), self._note(text)]

    def _ask(self) -> list[words.Command]:
        now, trial = self._now, self._trial
        guess = self._guess()
        asked = [ask.aim for ask in now.here]
        aim = choice.next_cell(self._grid, guess, asked, self._gaze_px, self._rng)
        self._on = _On(id=len(self._asks) + 1, aim=aim)
        text = says.ASK.format(
            rows=self._grid.rows,
            columns=self._grid.columns,
            row=aim[0] + 1,
            column=aim[1] + 1,
            dwell_s=trial.dwell_s,
        )
        return [self._note(text), self._draw()]

    def _draw(self) -> ShowGrid:
        assert self._on is not None
        x, y = self._grid.centre(self._on.aim)
        return ShowGrid(
            id=self._on.id,
            x=x,
            y=y,
            size_deg=0.6,
            start_deg=0.6,
            draw_in_s=0.3,
            rows=self._grid.rows,
            columns=self._grid.columns,
        )

    def _shown(self, event: words.Shown) -> list[words.Command]:
        on = self._on
        if on is None or event.id != on.id or math.isfinite(on.onset_s):
            return []
        on.onset_s = event.time_s
        x, y = self._grid.centre(on.aim)
        place = {"id": on.id, "x": x, "y": y, "role": "pointing", "advance": "gaze"}
        mark = {"event": "target_on", **place}
        return [words.Mark(event=mark, time_s=event.time_s)]

    def _answer(self) -> list[words.Command]:
        on, now = self._on, self._now
        assert on is not None
        ask = ask_of(
            self._grid, on.aim, on.start_px, on.onset_s, self._trial.dwell_s, on.chosen
        )
        end_s = on.chosen.time_s if on.chosen is not None else now.time_s
        gave = words.Gave(
            target=on.id,
            what=ask.outcome,
            number=on.id,
            total=self._trial.most_asks,
            role="pointing",
        )
        note = self._note(says.OUTCOME[ask.outcome])
        commands = [gave, note, *self._off(end_s, kept=1)]
        if on.chosen is not None:
            x, y = self._grid.centre(on.chosen.cell)
            chosen = {"event": "selected", "x": x, "y": y}
            commands.append(words.Mark(event=chosen, time_s=end_s))
        self._asks.append(ask)
        now.here.append(ask)
        return [*commands, *self._next()]

    def _off(self, time_s: float, kept: int) -> list[words.Command]:
        """Take the ask away; its row is written even when it is left out."""
        on, self._on = self._on, None
        self._now.since_s = self._now.time_s
        if on is None or math.isnan(on.onset_s):
            return []
        x, y = self._grid.centre(on.aim)
        row = (on.onset_s, max(time_s, on.onset_s), x, y, "pointing", "gaze", kept)
        mark = {"event": "target_off", "id": on.id, "role": "pointing", "kept": kept}
        return [
            words.Mark(event=mark, time_s=time_s),
            words.Keep(row=row),
            words.Hide(fade_s=0.3),
        ]

    def _next(self) -> list[words.Command]:
        """Go on with this grid, go to a finer one, or end."""
        verdict = judge(self._now.here)
        if self._is_enough():
            return self._end("done", self.why)
        if verdict == "hard":
            return self._step_back()
        if verdict == "well":
            self._now.passed = self._grid.count
            self._now.misses *= choice.HARDER
            finer = None if self._stepped else self._finer()
            if finer is None:
                return self._end("done", says.HARD if self._stepped else says.FINEST)
            self._begin(finer)
        return []

    def _step_back(self) -> list[words.Command]:
        """Half as many keys where nothing has gone well yet; else it is enough."""
        count = self._grid.count // 2
        shape = choice.coarser(self._guess(), self._trial.setup, count)
        if self._now.passed or shape is None:
            return self._end("done", says.HARD)
        self._stepped = True
        self._begin(Grid(setup=self._trial.setup, rows=shape[0], columns=shape[1]))
        return []

    def _begin(self, grid: Grid) -> None:
        self._grid, self._now.here = grid, []
        self._dwell = Dwell(grid, self._trial.dwell_s)

    def _is_enough(self) -> bool:
        asks, trial, now = self._asks, self._trial, self._now
        silent = [ask.outcome == "none" for ask in asks[-SILENT:]]
        if len(silent) == SILENT and all(silent):
            self.why = says.SILENT
        elif len(asks) >= trial.most_asks or now.time_s - now.began_s >= trial.most_s:
            self.why = says.LONG
        return bool(self.why)

    def _guess(self) -> Prediction:
        trial = self._trial
        rows = choice.known_rows(trial.checks, self._asks, trial.setup)
        return choice.prediction(rows, trial.setup, trial.dwell_s, trial.sd_deg)

    def _finer(self) -> Grid | None:
        """Grid for the misses that are allowed now, with more keys than went well."""
        now, setup = self._now, self._trial.setup
        guess = self._guess()
        while now.misses <= choice.MOST_MISSES:
            shape = choice.finest(guess, setup, now.misses, now.passed)
            if shape is not None:
                return Grid(setup=setup, rows=shape[0], columns=shape[1])
            now.misses *= choice.HARDER
        return None

    def _key(self, action: str) -> list[words.Command]:
        now = self._now
        if action == "stop":
            return self._end("stopped")
        if action == "pause" or (now.held and action == "next"):
            now.held = not now.held
            off = self._off(now.time_s, kept=0)
            if not now.held:
                return [self._note(says.GO_ON)]
            return [*off, self._note(says.PAUSED), words.Pause(reason=says.PAUSED)]
        return []

    def _stream(self, lost: bool) -> list[words.Command]:
        now = self._now
        now.lost = lost
        if not lost:
            now.since_s = now.time_s
            return [self._note(says.FOUND)]
        off = self._off(now.time_s, kept=0)
        return [*off, self._note(says.LOST), words.Pause(reason=says.LOST)]

    def _end(self, reason: str, why: str = "") -> list[words.Command]:
        self.reason, self.why = reason, why or reason
        off = self._off(self._now.time_s, kept=0)
        end = {"event": "session_end", "reason": reason}
        return [
            *off,
            self._note(says.END.format(why=self.why)),
            words.Mark(event=end, time_s=self._now.time_s),
            words.Finish(reason=reason),
        ]

    def _note(self, text: str) -> words.Note:
        return words.Note(time_s=self._now.time_s, text=text)
