"""A display to draw on: the one that is there, or a virtual one of our own."""

from __future__ import annotations

import ctypes
import os
import platform
import shutil
import subprocess
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from calibkit.errors import DeviceError

SIZE = "1280x800x24"
_LIBRARY = "libX11.so.6"
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


def display_watch(window: Any) -> Callable[[], None]:
    """Watch a window's display; call what is returned to hear whether it is there.

    When its display goes away, the X library ends the whole process from inside a
    call, with no word and nothing saved. Asked to, it tells us instead.

    Parameters
    ----------
    window : psychopy Window

    Returns
    -------
    callable
        Raises DeviceError once the display is lost; does nothing where it cannot tell.
    """
    gone: list[bool] = []
    handle = getattr(window.winHandle, "_x_display", None)
    pointer = ctypes.c_void_p
    kind = ctypes.CFUNCTYPE(None, pointer, pointer)
    note = kind(lambda display, more: gone.append(True))
    try:
        tell = ctypes.CDLL(_LIBRARY).XSetIOErrorExitHandler
    except (OSError, AttributeError):
        return lambda: None  # no X, or one that is older than 1.7
    if handle is not None:
        tell.argtypes = (pointer, kind, pointer)
        tell(ctypes.cast(handle, pointer), note, None)

    def check(keep: object = note) -> None:
        if gone:
            raise DeviceError("the display is gone")

    return check


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
