"""The tracker's own answer as a mapping, for when every stored one is damaged.

Made by a process that then ends, as `wiring_snapshot` reads files: the publisher
itself neither touches streams before it forks nor ever loads the HDF5 library.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CalibkitError, DeviceError, InputError
from calibkit.joined import wiring_priority, wiring_snapshot
from calibkit.joined.wiring_stop import Stop

if TYPE_CHECKING:
    from calibkit.kept.recording import Recording

FIND_S = 1.0
LISTEN_S = 3.0
FEWEST = 20
WORDS = (
    "no stored mapping can be used, so gaze is the tracker's own from now on, without "
    "a calibration: calibrate as soon as you can"
)


def mapping(
    source_id: str | None,
    home: Path,
    person: str,
    *,
    wait_s: float,
    stop: Stop,
    tell: Callable[[str], object],
    alive: Callable[[], object],
) -> dict[str, Any] | None:
    """Wait for the stream, and return the snapshot of what it says by itself.

    Parameters
    ----------
    source_id : str, optional
        Of the stream.
    home : Path
    person : str
    wait_s : float
        At most so long.
    stop : Stop
    tell : callable
        Gets what is waited for, once.
    alive : callable
        Called each few seconds.

    Returns
    -------
    dict, as `Mapping.snapshot` gives it, or None when told to stop

    Raises
    ------
    DeviceError
        No stream came in time.
    InputError
        The stream has no answer of its own, or its screen is not known.
    """
    end_s, told = time.monotonic() + wait_s, ""
    while not stop:
        alive()
        try:
            return wiring_snapshot.asked(
                __name__, (source_id or "", str(home), person), "the tracker's answer"
            )
        except InputError:
            if stop:  # the signal may have ended the child too
                return None
            raise
        except DeviceError as fault:
            if time.monotonic() >= end_s:
                raise
            if str(fault) != told:
                told = str(fault)
                tell(told)
    return None


def listened(source_id: str | None, home: Path, person: str) -> Recording:
    """Some samples of the stream, as a recording without targets.

    Raises
    ------
    DeviceError, InputError
        As for `mapping`.
    """
    import numpy as np

    from calibkit.joined.check import setup_of
    from calibkit.kept import settings
    from calibkit.kept.recording import Recording
    from calibkit.kept.recording_file import TARGET_DTYPE
    from calibkit.streams import lsl, lsl_found

    found = lsl_found.choose(lsl.find("Gaze", source_id, FIND_S), source_id)
    stored = settings.load(home)
    inlet = lsl.open_gaze(found, stored.names(found.source_id or found.name))
    setup = setup_of(stored.setup_of(person), inlet.setup)
    if setup is None:
        raise InputError(
            f"stream {found.label} does not tell the screen that it is for, and none "
            "is stored; calibrate again"
        )
    chunks: list[lsl_found.Chunk] = []
    count, end_s = 0, lsl.clock() + LISTEN_S
    while count < FEWEST and lsl.clock() < end_s:
        chunks.append(inlet.pull(0.5))
        count += len(chunks[-1].time)
    inlet.close()
    if not count:
        raise DeviceError(f"stream {found.label} sends nothing; start its tracker")
    return Recording(
        setup=setup,
        time=np.concatenate([c.time for c in chunks]),
        samples=np.concatenate([c.samples for c in chunks]),
        channels=tuple(inlet.channels),
        targets=np.zeros(0, TARGET_DTYPE),
        source_id=found.source_id,
        name=found.name,
    )


def main(source_id: str, home: str, person: str) -> int:
    """Print the snapshot; errors as one sentence, with their status."""
    wiring_priority.usual()
    from calibkit.fitted.fitting import fit

    try:
        made = fit(listened(source_id or None, Path(home), person))
        text = json.dumps(made.snapshot(), allow_nan=False)
    except CalibkitError as problem:
        sys.stderr.write(f"{problem}\n")
        return problem.exit_status
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
