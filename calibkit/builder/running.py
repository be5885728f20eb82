"""What generated scripts call; it brings nothing heavy before a session begins."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from calibkit.errors import CalibkitError, StoppedError

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.present import Presented
    from calibkit.joined.present_live import Followed, Follower
    from calibkit.joined.run_live import Stream

# Outside any window, in whatever units: a stimulus placed there is not seen.
OUTSIDE = (-1e5, -1e5)


@dataclass(frozen=True, kw_only=True, eq=False)
class Held:
    """What came of a session in a generated experiment.

    `gave` is None where it was stopped or something was missing; `problem` then says
    why, and `ends` whether the experiment is to end.
    """

    gave: Presented | None
    tries: int
    problem: str = ""
    ends: bool = False

    @property
    def accepted(self) -> bool:
        """Whether the last try was good enough."""
        return self.gave is not None and self.gave.accepted

    @property
    def accuracy_deg(self) -> float:
        """Mean error at the check points of the last try, degrees."""
        return float("nan") if self.gave is None else self.gave.accuracy_deg


def hold(
    win: Any,
    exp: Any,
    name: str,
    *,
    tries: int = 1,
    stopped: str = "goes on",
    **wanted: Any,
) -> Held:
    """Hold a session, again until it is good enough, and save what it gave.

    Parameters
    ----------
    win : psychopy Window
    exp : psychopy ExperimentHandler
    name : str
        Begins the names of the columns.
    tries : int
        At most so many sessions.
    stopped : {"goes on", "ends"}
        What the experiment does when the session was stopped by the escape key.
    **wanted
        As `calibkit.present` takes it.

    Returns
    -------
    Held
        Nothing is raised: an experiment keeps its data whatever happens to the gaze.
    """
    from calibkit.joined.present import present

    gave, number, problem, ends = None, 0, "", False
    while number < max(1, int(tries)) and not (gave is not None and gave.accepted):
        number += 1
        try:
            gave = present(win=win, **wanted)
        except CalibkitError as error:
            gave, problem = None, str(error)
            ends = not isinstance(error, StoppedError) or stopped == "ends"
            break
    held = Held(gave=gave, tries=number, problem=problem, ends=ends)
    _save(exp, name, held)
    return held


def _save(exp: Any, name: str, held: Held) -> None:
    row: dict[str, Any] = {
        "accepted": held.accepted,
        "tries": held.tries,
        "problem": held.problem,
    }
    gave = held.gave
    if gave is not None:
        row |= {"accuracy_deg": gave.accuracy_deg, "recording": gave.path.name}
        if gave.result is not None:
            row |= {
                "precision_deg": float(gave.result.precision_sd_deg),
                "loss": float(gave.result.loss),
            }
        if gave.keys is not None:
            row |= {"key_rows": gave.keys.rows, "key_columns": gave.keys.columns}
    for key, value in row.items():
        exp.addData(f"{name}.{key}", value)
    if held.problem:
        print(f"calibkit: {held.problem}", file=sys.stderr)  # noqa: T201


class Watched:
    """Calibrated gaze in a routine: begun, looked at each frame, saved at its end.

    Attributes
    ----------
    pos : pair of float
        The last place that was known, in the window's units; far outside before.
    known : bool
        Whether that is where the person looks now.
    """

    def __init__(
        self,
        win: Any,
        name: str,
        *,
        read: str = "raw",
        person: str | None = None,
        gaze: str | None = None,
        last_s: float = 0.2,
    ) -> None:
        self._win, self._name, self._last_s = win, name, float(last_s)
        self._read, self._person = read, person
        self._stream: Stream | None = None
        self._follower: Follower | None = None
        self._parts: list[Followed] = []
        self._limits = (0.0, float("inf"))
        self._problem = ""
        self.pos, self.known = OUTSIDE, False
        # Here, where nobody waits: within a routine it would cost the trial its time.
        self._try(lambda: self._open(gaze))
        with suppress(CalibkitError):  # there may be no mapping yet
            self._mapping()

    def _open(self, gaze: str | None) -> None:
        from calibkit.joined.present_live import opened
        from calibkit.kept.home import resolve

        calibrated = self._read == "published"
        self._stream = opened(gaze, resolve(), calibrated=calibrated)

    def _mapping(self) -> Mapping | None:
        from calibkit.joined.present_live import needed
        from calibkit.kept.home import resolve

        raw = self._read == "raw"
        return needed(None, self._person, resolve()) if raw else None

    def begin(self, from_s: float = 0.0, until_s: float = float("inf")) -> None:
        """Read by the mapping that is in use now, and count from here."""
        self._limits, self._parts = (float(from_s), float(until_s)), []
        self.pos, self.known, self._follower = OUTSIDE, False, None
        if self._stream is not None:
            self._problem = ""
            self._try(self._join)

    def _join(self) -> None:
        from calibkit.joined.present_live import joined

        assert self._stream is not None
        self._follower = joined(self._stream.source, self._mapping(), self._win)
        self._follower.drain()

    def _try(self, step: Callable[[], None]) -> None:
        try:
            step()
        except CalibkitError as error:
            self._problem = str(error)
            print(f"calibkit: {self._problem}", file=sys.stderr)  # noqa: T201

    def look(self, time_s: float) -> None:
        """Take what has come; `time_s` is the routine's own."""
        if self._follower is None:
            return
        new = self._follower.pull()
        if self._limits[0] <= time_s <= self._limits[1] and len(new.time):
            self._parts.append(new)
        if len(new.time):
            self.known = bool(new.valid[-1])
        if new.valid.any():
            x, y = self._follower.last.pos[0]
            self.pos = (float(x), float(y))

    def save(self, exp: Any) -> None:
        """Write the place at the end, its uncertainty, and what share was valid."""
        row = {"problem": self._problem, **self._figures()}
        for key, value in row.items():
            exp.addData(f"{self._name}.{key}", value)
        self._follower = None

    def close(self) -> None:
        """Disconnect."""
        if self._stream is not None:
            self._stream.close()
            self._stream = self._follower = None

    def _figures(self) -> dict[str, Any]:
        import numpy as np

        count = sum(len(part.time) for part in self._parts)
        if not count:
            return {"samples": 0}
        time, valid, pos, sd = (
            np.concatenate([getattr(part, key) for part in self._parts])
            for key in ("time", "valid", "pos", "pos_sd")
        )
        found = {"samples": count, "valid": round(float(valid.mean()), 4)}
        late = valid & (time >= time[-1] - self._last_s)
        if late.any():
            places = (*np.median(pos[late], axis=0), *np.median(sd[late], axis=0))
            names = ("x", "y", "sd_x", "sd_y")
            rounded = (round(float(value), 5) for value in places)
            found |= dict(zip(names, rounded, strict=True))
        return found
