"""The operator's view of one session: a page where there is one, and the terminal."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from calibkit.language import _
from calibkit.panel import phrases
from calibkit.panel.board import Apply, Board
from calibkit.session import session_words as words
from calibkit.session.session_table import OPENING, PAUSED

NOTHING = words.Progress(state=OPENING, target=None, role="", done=0, total=0, missed=0)
EVERY_S = 0.1
POLL_S = 0.05
UNWATCHED_S = 10.0


class Shown(Protocol):
    """A page, or what stands for one."""

    @property
    def watched(self) -> bool:
        """Whether anybody looks at it."""

    def show(self, state: Mapping[str, Any]) -> None:
        """Show how things stand."""

    def pressed(self) -> tuple[words.Key, ...]:
        """Return the keys that were pressed since the last call."""

    def close(self) -> None:
        """Take it away."""


class Beside:
    """Lets the operator follow a session and press its keys.

    Parameters
    ----------
    board : Board
    page : Shown, optional
    tell : callable, optional
        Gets a line of words for the terminal when something is worth one.
    on_screen : bool
        Whether the one screen shows the operator's lines while the session rests.
    """

    def __init__(
        self,
        board: Board,
        page: Shown | None = None,
        tell: Callable[[str], None] | None = None,
        *,
        on_screen: bool = False,
    ) -> None:
        self._on_screen, self._telling = on_screen, False
        self._board, self._page, self._tell = board, page, tell
        self._shown_s = float("-inf")
        self._state: dict[str, Any] = {}

    def know(self, gaze: Apply) -> None:
        """Take a mapping from raw samples to gaze, px."""
        self._board.know(gaze)

    def pressed(self) -> tuple[words.Key, ...]:
        """Return what was pressed on the page since the last call."""
        return self._page.pressed() if self._page is not None else ()

    def hear(self, event: words.Event) -> None:
        """Take an event on its way into the session."""
        self._board.hear(event)

    def see(self, command: words.Command, time_s: float) -> None:
        """Take a command on its way out of it."""
        self._board.see(command, time_s)

    def turn(self, time_s: float, now: words.Progress) -> tuple[words.Command, ...]:
        """Show how things stand, ten times a second and when something is new."""
        fresh, self._board.fresh = self._board.fresh, []
        if self._tell is not None:
            for line in fresh:
                self._tell(line)
        if self._page is not None and (fresh or time_s - self._shown_s >= EVERY_S):
            self._shown_s = time_s
            self._state = self._board.state(time_s, now)
            self._page.show(self._state)
        return self._on_one_screen(now)

    def _on_one_screen(self, now: words.Progress) -> tuple[words.Command, ...]:
        resting = self._on_screen and now.state == PAUSED
        if resting == self._telling:
            return ()
        self._telling = resting
        return (words.Tell(lines=self._board.lines() if resting else ()),)

    def check(
        self,
        title: str,
        lines: Sequence[str],
        bars: Sequence[Mapping[str, Any]] = (),
        *,
        waits: bool,
    ) -> None:
        """Show the signal check; where it waits, "next" goes on anyway.

        Parameters
        ----------
        title : str
        lines : sequence of str
            The sentence that sums it up, and what was found.
        bars : sequence of dict
            Where the head is, as `signals_words.bar_parts` says it.
        waits : bool
        """
        if self._page is None:
            return
        state = self._board.state(0.0, NOTHING)
        keys = [row for row in state["keys"] if row["does"] in ("next", "stop")]
        note = _("“Next” goes on anyway.") if waits else ""
        shown = {**state, "view": "check", "point": title, "words": note, "keys": keys}
        self._page.show({**shown, "result": list(lines), "bars": list(bars)})

    def say(self, text: str) -> None:
        """Put a sentence in place of everything on the page."""
        if self._page is not None and self._state:
            said = {"view": "over", "point": "", "words": text, "keys": []}
            self._state = {**self._state, **said}
            self._page.show(self._state)

    def offer(
        self,
        title: str,
        result: Sequence[str],
        choices: Mapping[str, str],
        wait_s: float,
    ) -> str:
        """Show a session's result, and let the operator choose what to do with it.

        Parameters
        ----------
        title : str
        result : sequence of str
        choices : mapping of str
            What each key does.
        wait_s : float
            Longest wait. A page that nobody looks at is not waited for.

        Returns
        -------
        str
            What the chosen key does, or "".
        """
        if self._page is None or not self._state:
            return ""
        # A key that was pressed for the session must not decide about its result.
        self._page.pressed()
        keys = phrases.keys(choices)
        over = {"view": "over", "point": title, "words": ""}
        shown = {**self._state, **over, "keys": keys}
        self._page.show({**shown, "result": list(result)})
        if self._tell is not None and self._page.watched:
            self._tell(_("The result is on the operator's page until it is closed."))
        end_s = time.monotonic() + wait_s
        seen_s = time.monotonic()
        while time.monotonic() < min(end_s, seen_s + UNWATCHED_S):
            seen_s = time.monotonic() if self._page.watched else seen_s
            for key in self._page.pressed():
                if key.name in choices:
                    return choices[key.name]
            time.sleep(POLL_S)
        return ""

    def close(self) -> None:
        """Take the page away."""
        if self._page is not None:
            self._page.close()
