"""What a publisher's program tells a worker that was forked before it knew anything."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibkit.joined.wiring_early import Early


@dataclass(frozen=True, kw_only=True)
class Told:
    """What a worker has to know.

    Parameters
    ----------
    head : int
        The program's process.
    plain : dict
        The mapping's snapshot.
    home : Path, optional
    notice : str
        What is wrong with the mapping.
    stop : bool
        Whether the program was told to end meanwhile.
    """

    head: int
    plain: Mapping[str, Any]
    home: Path | None
    notice: str
    stop: bool


def hand_over(told: Told) -> int:
    """Tell the worker what to do; return its process, or 0 where there is none."""
    worker, pipe = Early.worker, Early.pipe
    Early.worker, Early.pipe = 0, -1
    if not worker:
        return 0
    facts = {**vars(told), "home": None if told.home is None else str(told.home)}
    try:
        with os.fdopen(pipe, "wb") as out:
            out.write(json.dumps(facts).encode())
    except OSError:  # it has died
        os.waitpid(worker, 0)
        return 0
    return worker


def heard() -> Told | None:
    """Return what this process was told when it is the worker; signals come again."""
    text, Early.heard = Early.heard, b""
    if not text:
        return None
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    facts = json.loads(text)
    home = facts.pop("home")
    return Told(home=None if home is None else Path(home), **facts)
