"""A lock on an open file that goes with the process that holds it, however it ends."""

from __future__ import annotations

import sys

_FAR = 1 << 40  # Windows locks bytes; these are never written, so others may read


def hold(handle: int) -> bool:
    """Lock an open file for this process alone; False when another holds it.

    Parameters
    ----------
    handle : int
        Descriptor of a file opened for writing; closing it lets go.

    Returns
    -------
    bool
    """
    try:
        if sys.platform == "win32":
            import msvcrt
            import os

            place = os.lseek(handle, 0, os.SEEK_CUR)
            os.lseek(handle, _FAR, os.SEEK_SET)
            try:
                msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            finally:
                os.lseek(handle, place, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
