"""What a publisher tells of itself: words, JSON lines, a status stream, a heartbeat.

Whoever listens may stop reading at any time; that must not stop the gaze. Lines are
therefore written by a thread of their own and dropped when nobody takes them. The
heartbeat is none of that thread's: it comes from the loop that sends the gaze, so that
it stops when the gaze does.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from typing import Any

from calibkit.live.publisher_output import Notice

WAITING_LINES = 200
NOTIFY = "NOTIFY_SOCKET"


class Lines:
    """Writes lines to standard output and error without ever making the caller wait.

    Parameters
    ----------
    as_json : bool
        Each notice also as one line of JSON, to standard output.
    """

    def __init__(self, as_json: bool = False) -> None:
        self._as_json = as_json
        self._lines: queue.Queue[tuple[int, str]] = queue.Queue(WAITING_LINES)
        self.dropped = 0
        threading.Thread(target=self._work, daemon=True).start()

    def tell(self, notice: Notice) -> None:
        """Tell a notice."""
        if self._as_json:
            self._put(1, json.dumps(plain(notice)))
        self._put(2, f"[{notice.state}] {notice.text}")

    def say(self, text: str) -> None:
        """Tell something for people only."""
        self._put(2, text)

    def _put(self, handle: int, text: str) -> None:
        try:
            self._lines.put_nowait((handle, text))
        except queue.Full:
            self.dropped += 1

    def _work(self) -> None:
        while True:
            handle, text = self._lines.get()
            stream = sys.stderr if handle == 2 else sys.stdout
            name = getattr(stream, "encoding", None) or "utf-8"
            data = (text + "\n").encode(name, "backslashreplace")
            with contextlib.suppress(OSError):
                # Past Python's own buffers: a thread stuck in one of those would keep
                # the process from ending.
                while data:
                    data = data[os.write(handle, data) :]
            self._lines.task_done()

    def close(self, wait_s: float = 0.5) -> None:
        """Wait until all is written, but not for long."""
        done = threading.Thread(target=self._lines.join, daemon=True)
        done.start()
        done.join(wait_s)


def plain(notice: Notice) -> dict[str, Any]:
    """Return a notice as the status stream and `--json` show it."""
    return {
        "event": "state",
        "time": notice.time_s,
        "state": notice.state,
        "text": notice.text,
    }


def served() -> bool:
    """Whether a service manager would only start a program that ends again for ever.

    Who started it by hand reads at once why it ended.
    """
    return NOTIFY in os.environ


def service(environ: Mapping[str, str]) -> Callable[[str], None]:
    """Return a function that tells the service manager a state, if there is one.

    Parameters
    ----------
    environ : mapping
        NOTIFY_SOCKET names the manager's socket.

    Source
    ------
    sd_notify(3): a datagram such as "READY=1" or "WATCHDOG=1" to that socket.
    """
    name = environ.get(NOTIFY, "")
    if not name or not hasattr(socket, "AF_UNIX"):
        return lambda text: None
    address = "\0" + name[1:] if name.startswith("@") else name

    def tell(text: str) -> None:
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line,
        ):
            line.setblocking(False)
            line.sendto(text.encode(), address)

    return tell
