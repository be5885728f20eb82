"""A soft tone of our own when a point is done; silent where no sound can be made.

The tone is synthesised: one sine, 30 ms ramps of raised cosine so that nothing clicks,
26 dB below the most that a sound card can give. It is handed to the system's own
player, and nothing waits for it. What it says is to be seen as well.
"""

from __future__ import annotations

import io
import logging
import math
import platform
import shutil
import subprocess
import tempfile
import wave
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

LEVEL_DBFS = -26.0
RATE_HZ = 48_000
TONE_HZ = 440.0
LASTS_S = 0.18
RAMP_S = 0.03
# Programs that play a file and end; the first that is there is used.
PLAYERS = (("pw-play",), ("paplay",), ("aplay", "-q"), ("afplay",))
_log = logging.getLogger("calibkit")


def tone() -> NDArray[np.float64]:
    """Make the cue (n,), full scale being 1."""
    time_s = np.arange(round(LASTS_S * RATE_HZ)) / RATE_HZ
    edge_s = np.minimum(time_s, time_s[::-1])
    ramp = 0.5 - 0.5 * np.cos(math.pi * np.minimum(edge_s / RAMP_S, 1.0))
    wave_ = np.sin(2.0 * math.pi * TONE_HZ * time_s)
    cue: NDArray[np.float64] = 10.0 ** (LEVEL_DBFS / 20.0) * ramp * wave_
    return cue


def encoded(samples: NDArray[np.float64]) -> bytes:
    """Write samples as a WAV file, one channel of 16 bits."""
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(np.round(samples * 32767.0).astype("<i2").tobytes())
    return buffer.getvalue()


class Sound:
    """Plays the cue by the system's player, or is silent after one line in the log.

    Parameters
    ----------
    find : callable
        Where a program is, or None; `shutil.which`.
    system : str, optional
        As `platform.system()` says.
    """

    def __init__(
        self,
        find: Callable[[str], str | None] = shutil.which,
        system: str | None = None,
    ) -> None:
        self._playing: subprocess.Popen[bytes] | None = None
        self._file: Path | None = None
        self._windows = _windows(system or platform.system())
        there = (command for command in PLAYERS if find(command[0]))
        self._command = next(there, None)
        self.silent = False
        if self._windows is None and self._command is None:
            self._fall_silent("no player of sounds was found")

    def play(self) -> None:
        """Begin to play the cue; one that still plays is left to end."""
        if self.silent or self._busy() or self.silent:
            return
        try:
            if self._windows is not None:
                flags = self._windows.SND_ASYNC | self._windows.SND_NODEFAULT
                name = str(self._written())
                self._windows.PlaySound(name, flags | self._windows.SND_FILENAME)
            elif self._command is not None:
                self._playing = subprocess.Popen(
                    [*self._command, str(self._written())],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
        except (OSError, RuntimeError) as error:
            self._fall_silent(str(error))

    def close(self) -> None:
        """Stop a cue that plays, and forget it."""
        if self._playing is not None:
            self._playing.kill()
            self._playing.wait()
            self._playing = None
        if self._file is not None:
            self._file.unlink(missing_ok=True)
            self._file = None

    def _busy(self) -> bool:
        if self._playing is None:
            return False
        status = self._playing.poll()
        if status is None:
            return True
        self._playing = None
        if status != 0:
            self._fall_silent("the player found no device to play on")
        return False

    def _written(self) -> Path:
        if self._file is None:
            with tempfile.NamedTemporaryFile(suffix=".wav", delete=False) as file:
                file.write(encoded(tone()))
            self._file = Path(file.name)
        return self._file

    def _fall_silent(self, why: str) -> None:
        self.silent = True
        _log.warning("the cue stays silent: %s", why)


def _windows(system: str) -> ModuleType | None:
    if system != "Windows":
        return None
    try:
        import winsound
    except ImportError:
        return None
    return winsound
