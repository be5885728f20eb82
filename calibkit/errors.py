"""One error class per exit status, so that no table maps one to the other.

Every message is one sentence: what is wrong, where (with the value), what to do.
"""

from __future__ import annotations


class CalibkitError(Exception):
    """Base of every error that calibkit raises on purpose."""

    exit_status = 1


class CallError(CalibkitError):
    """The call itself is unusable: an option, an argument, an existing output."""

    exit_status = 2


class InputError(CalibkitError):
    """An input (protocol, recording, mapping, profile) is unusable."""

    exit_status = 3


class DeviceError(CalibkitError):
    """A stream, a display or another device is missing or was lost."""

    exit_status = 4


class StorageError(CalibkitError):
    """Storage failed: full, read-only or locked."""

    exit_status = 5


class NotGoodEnoughError(CalibkitError):
    """The result is not good enough, and nothing was replaced."""

    exit_status = 6


class StoppedError(CalibkitError):
    """The operator or the person stopped; what was recorded is kept."""

    exit_status = 7
