"""A worker that loads its libraries while the program still reads what it shall do.

Both take a tenth of a second and a computer has more than one processor; a publisher
that is started again is waited for. So the program forks before it has looked at
anything: the worker loads, and hears by a pipe what the other has read
(`wiring_told`). It ends with the pipe when there is nothing to do. What the fork itself
needs is all that is imported at the top.
"""

from __future__ import annotations

import os
import sys

TYPE_CHECKING = False  # as type checkers know it; `typing` takes time to load
if TYPE_CHECKING:
    from collections.abc import Callable

# In the order in which they are needed; what is left is loaded beside opened streams.
MODULES = (
    "calibkit.joined.wiring_ahead",
    "calibkit.cli",
    "calibkit.commands.publish",
    "calibkit.streams.lsl_live",
    "calibkit.fitted.mapping",
    "calibkit.joined.wiring_publish",
    "calibkit.joined.wiring_drift",
)
# What a worker imports besides, when it needs it.
LATER = (
    "calibkit.joined.wiring_status",
    "calibkit.joined.wiring_unfit",
    "calibkit.kept.records",
    "calibkit.live.drift_hook",
    "numpy.ma",
)


class Early:
    """The worker and the way to it, in the program; in the worker what it heard."""

    worker, pipe = 0, -1
    heard = b""


def begin() -> None:
    """Fork a worker; in that one return only when it has been told what to do.

    Called before anything is loaded that could have started a thread.
    """
    usual = hasattr(os, "fork") and not {"-h", "--help"} & set(sys.argv)
    if not usual or not _handles_open():
        return  # the pipe must not become a standard handle that was closed
    head = os.getpid()
    ours, theirs = os.pipe()
    worker = os.fork()
    if worker:
        os.close(ours)
        Early.worker, Early.pipe = worker, theirs
        return
    os.close(theirs)
    _load_until_told(head, ours)


def _handles_open() -> bool:
    try:
        return all(os.fstat(handle) for handle in (0, 1, 2))
    except OSError:
        return False


def _load_until_told(head: int, pipe: int) -> None:
    import signal

    # Told to end it shall say so as a worker does; until then the program answers.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import gc
    import importlib
    import select

    gc.disable()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in MODULES:
        try:
            importlib.import_module(name)
        except Exception:  # who needs it says so
            break
        if name != MODULES[0] and select.select([pipe], [], [], 0)[0]:
            break
    from calibkit.joined.wiring_again import die_with

    die_with(head)
    with os.fdopen(pipe, "rb") as said:
        Early.heard = said.read()
    if not Early.heard:  # the program ended instead
        os._exit(0)


def load_all(ended: Callable[[], bool]) -> bool:
    """Import what a worker needs, so that the next one is ready at once.

    Parameters
    ----------
    ended : callable
        Whether the worker has ended; then what is left is for the next one.

    Returns
    -------
    bool
        Whether that is all.
    """
    import importlib

    for name in ("numpy", *MODULES, *LATER):
        if ended():
            return False
        importlib.import_module(name)
    from calibkit.streams import lsl_live

    lsl_live.load()
    return True
