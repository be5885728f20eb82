"""The probes of this very machine. Reads only; asks no network."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import os
import platform
import shutil
import stat
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from calibkit.joined import doctor_ports as ports
from calibkit.joined.doctor_facts import Probes

_PROGRAMS = ("Xvfb", "ufw", "firewall-cmd", "nft")
_TABLES = ("tcp", "tcp6", "udp", "udp6")
_WAIT_S = 20.0


def here(home: Path | None) -> Probes:
    """Return the probes of this machine.

    Parameters
    ----------
    home : path, optional
        From `--home`.
    """
    from calibkit.kept import home as home_folder
    from calibkit.streams import lsl

    wanted = _wanted()
    names = [name for name in map(_name, wanted) if name]
    system = platform.system()
    return Probes(
        system=system,
        machine=platform.machine(),
        python=sys.version_info[:2],
        environment=os.environ,
        versions={name: _version(name) for name in names},
        wanted=wanted,
        lsl_clock=lsl.clock,
        steady_clock=time.monotonic,
        wall_clock=time.time,
        steps_s=time.get_clock_info("monotonic").resolution,
        home=lambda: home_folder.resolve(home, create=False),
        mode=_mode,
        writable=lambda path: os.access(path, os.W_OK),
        free_bytes=lambda path: shutil.disk_usage(path).free,
        programs=[name for name in _PROGRAMS if shutil.which(name)],
        keyboards=_keyboards(system),
        sounds=_sounds(system),
        has_module=lambda name: importlib.util.find_spec(name) is not None,
        listeners=lambda: _listeners(system),
        ours=_ours(system),
        priority=_priority,
    )


def _priority() -> str:
    """Take what a publisher would get, for a moment."""
    from calibkit.joined import wiring_priority

    with wiring_priority.raised(wiring_priority.here()) as priority:
        return priority.state


def _wanted() -> Sequence[str]:
    try:
        return tuple(importlib.metadata.requires("calibkit") or ())
    except importlib.metadata.PackageNotFoundError:
        return ()


def _name(requirement: str) -> str:
    cut = [k for k, letter in enumerate(requirement) if letter in " <>=!~;[("]
    return requirement[: cut[0]] if cut else requirement


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None


def _mode(path: Path) -> int | None:
    if os.name == "nt":
        return None  # permission bits say nothing there
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except OSError:
        return None


def _keyboards(system: str) -> int | None:
    try:
        text = Path("/proc/bus/input/devices").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return sum("kbd" in row for row in text.splitlines() if row.startswith("H:"))


def _sounds(system: str) -> int | None:
    if system == "Linux":
        try:
            text = Path("/proc/asound/cards").read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return 0
        return sum(row.lstrip()[:1].isdigit() for row in text.splitlines())
    if system == "Windows":
        import ctypes

        return int(ctypes.windll.winmm.waveOutGetNumDevs())  # type: ignore[attr-defined,unused-ignore]
    return None


def _listeners(system: str) -> Sequence[ports.Listener]:
    if system == "Linux":
        tables = {}
        for name in _TABLES:
            path = Path("/proc/net") / name
            if path.exists():
                tables[name] = path.read_text(encoding="ascii")
        if not tables:
            raise OSError("/proc/net is not there")
        return ports.from_proc(tables, dict(_owners()))
    if system == "Windows":
        return ports.from_netstat(_output(["netstat", "-ano"]))
    command = ["lsof", "-nP", "-iTCP", "-sTCP:LISTEN", "-iUDP", "-F", "pPn"]
    return ports.from_lsof(_output(command))


def _output(command: list[str]) -> str:
    try:
        done = subprocess.run(
            command, capture_output=True, timeout=_WAIT_S, check=False
        )
    except subprocess.TimeoutExpired as problem:
        raise OSError(f"{command[0]} does not answer") from problem
    return done.stdout.decode("utf-8", "replace")


def _owners() -> Iterator[tuple[str, int]]:
    """Process by socket inode, as far as this user may see."""
    for place in Path("/proc").iterdir():
        if not place.name.isdigit():
            continue
        try:
            for handle in (place / "fd").iterdir():
                target = str(handle.readlink())
                if target.startswith("socket:["):
                    yield target[8:-1], int(place.name)
        except OSError:
            continue  # another user's, or gone by now


def _ours(system: str) -> Sequence[int]:
    """Numbers of calibkit's own programs, this one left out."""
    if system != "Linux":
        return ()
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdigit() and int(place.name) != os.getpid():
            try:
                words = (place / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if any(Path(os.fsdecode(word)).name == "calibkit" for word in words[:4]):
                found.append(int(place.name))
    return found
