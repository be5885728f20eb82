"""A mapping file as a plain snapshot, read by a process that then ends.

A publisher must never have the HDF5 library in its own process: a damaged file can
stop or freeze that process, and with it a person's voice.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CalibkitError, CallError, DeviceError, InputError
from calibkit.joined import wiring_priority

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping

WAIT_S = 60.0
TOLD_TO_END = {
    int(getattr(signal, name))
    for name in ("SIGHUP", "SIGINT", "SIGTERM")
    if hasattr(signal, name)
}


def read(path: Path) -> dict[str, Any]:
    """Read a mapping file's snapshot in a child process.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict, as `Mapping.snapshot` gives it

    Raises
    ------
    InputError
        The file is unusable, as the child says it, or the child died.
    """
    return asked(__name__, (str(path),), str(path))


def asked(module: str, arguments: Sequence[str], what: str) -> dict[str, Any]:
    """Run a module of ours in a child process, and return the JSON that it prints.

    Parameters
    ----------
    module : str
    arguments : sequence of str
    what : str
        What it reads, for the messages.

    Returns
    -------
    dict

    Raises
    ------
    CallError, InputError, DeviceError
        As the child says it; InputError also when it died or was told to end.
    """
    here = str(Path(__file__).resolve().parent.parent.parent)
    known = [entry for entry in sys.path if entry]
    paths = os.pathsep.join(known if here in known else [*known, here])
    command = [sys.executable, "-P", "-W", "ignore", "-m", module, *arguments]
    try:
        child = subprocess.run(
            command,
            env=os.environ | {"PYTHONPATH": paths},
            capture_output=True,
            timeout=WAIT_S,
            check=False,
            start_new_session=True,  # a signal to all of us shall not look like damage
        )
        answer = json.loads(child.stdout) if child.returncode == 0 else {}
    except (OSError, ValueError, subprocess.TimeoutExpired) as problem:
        raise InputError(
            f"{what} could not be read ({type(problem).__name__}); use another copy"
        ) from problem
    if answer:
        return dict(answer)
    said = child.stderr.decode("utf-8", "replace").strip().splitlines()
    for kind in (CallError, InputError, DeviceError):
        if child.returncode == kind.exit_status and said:
            raise kind(said[-1])
    if -child.returncode in TOLD_TO_END:
        raise InputError(
            f"the process that read {what} was told to end; the file is as it was: "
            "give the command again"
        )
    raise InputError(
        f"{what} is damaged: the process that read it ended with status "
        f"{child.returncode}; use another copy"
    )


def changed(
    pointer: Path, active: Callable[[], Mapping]
) -> Callable[[], Mapping | None]:
    """Return a function that loads the mapping again when the pointer was replaced."""

    def mark() -> tuple[int, int] | None:
        try:
            found = pointer.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    last = mark()

    def refresh() -> Mapping | None:
        nonlocal last
        now = mark()
        if now is None or now == last:
            return None
        last = now
        return active()

    return refresh


def main(path: str) -> int:
    """Print the snapshot of a mapping file; errors as one sentence."""
    wiring_priority.usual()
    from calibkit.fitted.mapping import Mapping

    try:
        text = json.dumps(Mapping.load(Path(path)).snapshot(), allow_nan=False)
    except CalibkitError as problem:
        sys.stderr.write(f"{problem}\n")
        return InputError.exit_status
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
