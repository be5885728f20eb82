"""What the doctor's checks ask of a machine, and the form of their answers."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from calibkit.joined.doctor_ports import Listener


@dataclass(frozen=True, kw_only=True)
class Check:
    """What one look at the machine gave.

    Parameters
    ----------
    name : str
        In English, as programs read it; `doctor.line` translates it.
    state : {"good", "limits", "missing", "unknown"}
        "limits" leaves something out, "missing" is needed.
    words, fix : str
        In the language that is spoken.
    """

    name: str
    state: str
    words: str
    fix: str = ""


@dataclass(frozen=True, kw_only=True)
class Probes:
    """What the checks ask the machine; tests give other answers.

    Parameters
    ----------
    system, machine, python : str
        As the module `platform` says.
    environment : dict of str
    versions : dict of str or None
        Installed version of each distribution that calibkit names, None where absent.
    wanted : sequence of str
        Requirements of calibkit itself, such as "numpy>=1.26".
    lsl_clock, steady_clock, wall_clock : callables
        Seconds; the first raises a CalibkitError where the library is missing.
    steps_s : float
        Resolution of the steady clock.
    home : callable
        Returns the home folder; raises a StorageError where it is unusable.
    mode : callable
        Permission bits of a path, None where the system has none.
    writable : callable
        Whether a path can be written to.
    free_bytes : callable
        Free space at a path.
    programs : collection of str
        Helper programs that are there.
    keyboards, sounds : int or None
        Devices, None where it cannot be told.
    has_module : callable
        Whether a Python module can be imported.
    listeners : callable
        Listening ports; raises OSError where they cannot be listed.
    ours : collection of int
        Process numbers of calibkit's programs.
    priority : callable
        Which of `wiring_priority.WORDS` holds of the priority a publisher would get.
    """

    system: str
    machine: str
    python: tuple[int, int]
    environment: Mapping[str, str]
    versions: Mapping[str, str | None]
    wanted: Sequence[str]
    lsl_clock: Callable[[], float]
    steady_clock: Callable[[], float]
    wall_clock: Callable[[], float]
    steps_s: float
    home: Callable[[], Path]
    mode: Callable[[Path], int | None]
    writable: Callable[[Path], bool]
    free_bytes: Callable[[Path], int]
    programs: Collection[str]
    keyboards: int | None
    sounds: int | None
    has_module: Callable[[str], bool]
    listeners: Callable[[], Sequence[Listener]]
    ours: Collection[int] = ()
    priority: Callable[[], str] = lambda: "usual"
