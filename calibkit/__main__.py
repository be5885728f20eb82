"""Run calibkit, as `python -m calibkit` or as the program of that name.

A publisher that is started again on a busy computer waits for a processor at every
step. So before anything is loaded it takes the priority that it has all day
(`joined/wiring_priority.py` says which, and what guards it), and a second process loads
while this one reads what to do (`joined/wiring_early.py`).
"""

from __future__ import annotations

import os
import sys

LONGEST_S = 20  # of a processor without a wait; slow computers load for seconds


def first() -> None:
    """Take the lowest real-time priority, where Linux grants it."""
    if os.environ.get("CALIBKIT_PRIORITY", "") not in ("", "real-time"):
        return
    try:
        import resource

        most = resource.getrlimit(resource.RLIMIT_RTTIME)[1]
        limit = LONGEST_S * 1_000_000
        limit = limit if most == resource.RLIM_INFINITY else min(limit, most)
        resource.setrlimit(resource.RLIMIT_RTTIME, (limit, limit))
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    except (ImportError, AttributeError, OSError, ValueError):
        pass  # asked for again later, with more words


def entry() -> None:
    """Run as the `calibkit` program."""
    if sys.argv[1:2] == ["publish"]:
        first()
        from calibkit.joined import wiring_early

        wiring_early.begin()
    try:
        from calibkit import cli
    except KeyboardInterrupt:  # too soon for the command line to say it
        sys.stderr.write("calibkit: interrupted\n")
        sys.exit(130)
    cli.entry()


if __name__ == "__main__":
    entry()
