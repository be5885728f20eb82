"""A display to draw on: the one that is there, or a virtual one of our own."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from calibkit.errors import DeviceError

SIZE = "1280x800x24"
_SECONDS_TO_STOP = 5.0


def has_display(environment: Mapping[str, str], system: str | None = None) -> bool:
    """Tell whether a window can be expected to open.

    Parameters
    ----------
    environment : mapping
        The process's environment.
    system : str, optional
        As `platform.system()` says; Windows and macOS always have a desktop.
    """
    if (system or platform.system()) != "Linux":
        return True
    return bool(environment.get("DISPLAY"))


def _await_number(server: subprocess.Popen[bytes], pipe: int) -> str:
    with os.fdopen(pipe, "rb") as answers:
        number = answers.readline().strip().decode()
    if not number:
        server.wait(timeout=_SECONDS_TO_STOP)
        raise DeviceError(
            "the virtual display (Xvfb) ended at once; run `Xvfb :99` to see why"
        )
    return number


@contextmanager
def virtual_display() -> Iterator[str]:
    """Run a virtual display and give its name, such as ":1".

    Raises
    ------
    DeviceError
        When Xvfb is not installed or does not start.
    """
    program = shutil.which("Xvfb")
    if program is None:
        raise DeviceError(
            "there is no display, and no virtual one can be started because Xvfb is "
            "missing; install the package xvfb (Debian: apt-get install xvfb) or run "
            "this on a desktop"
        )
    inward, outward = os.pipe()
    # The server picks a free number itself and tells it, so two demos never collide.
    server = subprocess.Popen(
        [program, "-displayfd", str(outward), "-screen", "0", SIZE, "-nolisten", "tcp"],
        pass_fds=[outward],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(outward)
    try:
        yield f":{_await_number(server, inward)}"
    finally:
        server.terminate()
        try:
            server.wait(timeout=_SECONDS_TO_STOP)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
