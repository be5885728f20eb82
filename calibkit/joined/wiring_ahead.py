"""A publisher's streams, opened while the rest of the program still loads.

A publisher that was started again is waited for. Programs that listen look for its
stream only now and then, and a mapping with all that it needs takes longer to load than
a stream takes to open. So the stream that was read before, and only that very outlet,
is opened at once, by a thread, and its calibrated one put out.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.errors import CalibkitError
from calibkit.joined import wiring_claim
from calibkit.live.publisher_output import OUTPUT
from calibkit.streams import lsl, lsl_live
from calibkit.streams.lsl_found import OURS, Found

if TYPE_CHECKING:
    from calibkit.streams.lsl_xml import ChannelMap

LOOK_S = 0.002
TURN_S = 0.0005  # until then, who waits for the interpreter gets it after so long


class Streams:
    """What is read and what is sent, with the lock that makes it the only one.

    Parameters
    ----------
    source_id : str, optional
        Of the stream to look for; looked for from now on.
    home : Path, optional
        Where the lock is.
    head : int
        The process to end, so that publishing ends.
    say : callable
        Tells people.
    """

    def __init__(
        self,
        source_id: str | None,
        home: Path | None,
        head: int,
        say: Callable[[str], object],
    ) -> None:
        self._home, self._head, self._say = home, head, say
        self._watch = lsl.Watch("Gaze", source_id)
        self._lock: int | None = None
        self._uid = ""  # of the outlet that was read before
        self._out: tuple[Found, lsl_live.LiveOutlet] | None = None
        self._in: tuple[Found, lsl_live.LiveInlet] | None = None
        self.status: list[lsl_live.StatusOutlet] = []
        self._told_of: Found | None = None
        self._turn_s = sys.getswitchinterval()
        sys.setswitchinterval(TURN_S)
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._ahead, daemon=True)
        self._thread.start()

    def _ahead(self) -> None:
        """Open the outlet that was read before, when it is the only one in reach."""
        while not self._end.wait(LOOK_S):
            seen = self._watch.found()
            if seen:
                break
        else:
            return
        if len(seen) != 1 or not self.known(seen[0]):
            return
        try:
            self.claim(seen[0])
            self._out = seen[0], self._put_out(seen[0])
            self._in = seen[0], self._opened(seen[0])
        except (CalibkitError, OSError, RuntimeError):
            return  # who needs it tries again, and says what is wrong

    def settled(self) -> None:
        """Go on alone: what is open by now is open; called before all that follows."""
        self._end.set()
        self._thread.join()
        sys.setswitchinterval(self._turn_s)

    def known(self, found: Found) -> bool:
        """Whether this very outlet was read before."""
        if self._home is not None and wiring_claim.was_read(self._home, found):
            self._uid = found.uid  # the claim overwrites what the file says
        return bool(self._uid) and found.uid == self._uid

    def claim(self, found: Found) -> None:
        """Be the only one; the lock goes with the process, no disk stops the gaze.

        Raises
        ------
        CallError
            Another process publishes it.
        """
        if self._home is None or self._lock is not None:
            return
        try:
            self._lock = wiring_claim.claim(self._home, found, self._head)
            if self._uid == found.uid:  # still so for the next, should this one die
                wiring_claim.remember(self._lock, found, self._head)
        except OSError as problem:
            text = f"no lock in {self._home} ({problem.strerror}); going on"
            self._say(f"calibkit: {text}")

    def connected(self, found: Found) -> None:
        """Stop looking, and note for the next start what is read."""
        self._watch.close()
        if self._lock is not None:
            wiring_claim.remember(self._lock, found, self._head)

    def found(self) -> Sequence[Found]:
        """Return the candidates known at this moment."""
        return self._watch.found()

    def outlet(self, found: Found) -> lsl_live.LiveOutlet:
        """Put out the calibrated stream of an input."""
        ahead, self._out = self._out, None
        if ahead is not None and ahead[0] == found:
            return ahead[1]
        if ahead is not None:
            ahead[1].close()
        return self._put_out(found)

    def connect(self, found: Found) -> lsl_live.LiveInlet:
        """Open an input, as `GazeInlet` does; what waits in it is dropped."""
        ahead, self._in = self._in, None
        if ahead is not None and ahead[0] == found:
            ahead[1].flush()
            return ahead[1]
        return self._opened(found)

    def _put_out(self, found: Found) -> lsl_live.LiveOutlet:
        name, whose = f"{found.name}-calibrated", OURS + found.source_id
        made = lsl_live.LiveOutlet(name, whose, OUTPUT, found.rate)
        self._tell_of(found)
        return made

    def _tell_of(self, found: Found) -> None:
        """Put out the status stream of an input; never two of them."""
        if self._told_of != found or not self.status:
            self.status[:] = [lsl_live.StatusOutlet(found)]
            self._told_of = found

    def unfit(self, found: Found) -> None:
        """Let go of an input that cannot be mapped; its status stream tells why."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None
        self._tell_of(found)

    def _opened(self, found: Found) -> lsl_live.LiveInlet:
        names = self._names(found)
        return lsl_live.LiveInlet(found, channel_map=names, buffer_s=5, chunk=1)

    def _names(self, found: Found) -> ChannelMap | None:
        """The user's names for its channels; a damaged file costs only these."""
        from calibkit.kept.home import SETTINGS

        if self._home is None or not (self._home / SETTINGS).exists():
            return None
        from calibkit.kept import settings

        try:
            return settings.load(self._home).names(found.key)
        except CalibkitError as problem:
            text = f"{problem}; going on without stored channel names"
            self._say(f"calibkit: {text}")
            return None
