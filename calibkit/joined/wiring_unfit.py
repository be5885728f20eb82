"""A mapping in use that is for another stream than the one there is: wait, and say so.

It may have been put into use while another tracker ran, or this one was set up anew.
Ending would only have a service manager start the publisher again for ever. No gaze is
sent meanwhile: numbers of other channels would be wrong ones.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from calibkit.errors import CalibkitError, InputError
from calibkit.joined.wiring_publish import CHORES_S, Edges
from calibkit.joined.wiring_stop import Stop
from calibkit.live.publisher import Applied
from calibkit.live.publisher_output import Notice

AGAIN_S = 10.0  # until the stream is tried anew: it, or its names, may be others now
LOOK_S = 0.2
STATE = "waiting"
New = TypeVar("New", bound=Applied)


class Unfit(Generic[New]):
    """Waits for a mapping that fits.

    Parameters
    ----------
    edges : Edges
    stop : Stop
    wait_s : float
        At most so long from now.
    refresh : callable
        Returns the mapping that was put into use meanwhile, or None.
    """

    def __init__(
        self,
        edges: Edges,
        stop: Stop,
        wait_s: float,
        refresh: Callable[[], New | None],
    ) -> None:
        self._edges, self._stop, self._refresh = edges, stop, refresh
        self._end_s = edges.clock() + wait_s
        self._told = ""

    def another(self, fault: InputError) -> New | None:
        """Wait until there is a reason to try again; None where it is no mapping.

        Besides a mapping that is a stream that was not there, or some time.

        Parameters
        ----------
        fault : InputError
            Why the stream cannot be mapped.

        Returns
        -------
        what `refresh` gives, or None

        Raises
        ------
        InputError
            The same, when it was waited for too long.
        """
        edges = self._edges
        text = f"{fault}; no gaze is sent until then"
        again_s, chores_s = edges.clock() + AGAIN_S, edges.clock()
        here = {found.uid for found in edges.found()}
        self._tell(text)
        while not self._stop and edges.clock() < again_s:
            now_s = edges.clock()
            if now_s >= self._end_s:
                raise fault
            if now_s >= chores_s:
                chores_s = now_s + CHORES_S
                edges.beat(
                    {"event": "alive", "time": now_s, "state": STATE, "text": text}
                )
                try:
                    new = self._refresh()
                except (CalibkitError, OSError) as bad:
                    self._tell(f"{bad}; no gaze is sent until then")
                    new = None
                if new is not None:
                    return new
            edges.sleep(LOOK_S)
            if {found.uid for found in edges.found()} - here:
                return None
        return None

    def _tell(self, text: str) -> None:
        if text != self._told:
            self._told = text
            self._edges.tell(Notice(time_s=self._edges.clock(), state=STATE, text=text))
