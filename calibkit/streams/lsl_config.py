"""The streaming library's configuration, and what to do where it is missing.

Discovery stays on this machine unless the user has a configuration of his own. This is
no firewall: the library's data ports still listen on every interface.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from calibkit import errors
from calibkit.language import later

_QUIET = "[log]\nlevel=-3\n"
# Looking is a question to a group, then to each port in turn, and again. Each holds a
# port for its answers: for as long as the library's own settings say, one program that
# looks takes all 32 ports that are asked, and none is left to the next outlet.
_LOOPBACK_LINUX = """[ports]
IPv6=disable
[multicast]
Interfaces={127.0.0.1}
AddressesOverride={239.255.172.215}
TTLOverride=0
[lab]
KnownPeers={127.0.0.1}
[tuning]
MulticastMinRTT=0.05
MulticastMaxRTT=0.5
UnicastMinRTT=0.04
UnicastMaxRTT=0.5
ContinuousResolveInterval=0.01
"""
_LOOPBACK_OTHER = "[multicast]\nResolveScope=machine\n"


def configuration(system: str, session_id: str | None = None) -> str:
    """Return a network configuration that keeps discovery on this machine.

    Parameters
    ----------
    system : str
        As `platform.system()` says. The loopback form was measured on Linux only.
    session_id : str, optional
        Streams of another session id do not see ours; separation, not security.

    Returns
    -------
    str, in the form that the environment variable LSLAPICFG's file has
    """
    text = _QUIET + (_LOOPBACK_LINUX if system == "Linux" else _LOOPBACK_OTHER)
    if session_id is None:
        return text
    line = f"SessionID={session_id}\n"
    if "[lab]\n" in text:
        return text.replace("[lab]\n", "[lab]\n" + line)
    return text + "[lab]\n" + line


def usual_places() -> tuple[Path, ...]:
    """Return where the library looks for a configuration when LSLAPICFG is not set."""
    own = [Path("lsl_api.cfg")]
    with contextlib.suppress(RuntimeError):  # an account without a home folder
        own.append(Path.home() / "lsl_api" / "lsl_api.cfg")
    return (*own, Path("/etc/lsl_api/lsl_api.cfg"))


def chosen_configuration(
    environment: Mapping[str, str], places: Sequence[Path], system: str
) -> str:
    """Return the user's own configuration where there is one, else ours.

    Parameters
    ----------
    environment : mapping
    places : sequence of Path
        Where the streaming library looks for a file when LSLAPICFG is not set.
    system : str

    Raises
    ------
    CallError
        LSLAPICFG names a file that cannot be read; the library itself would go on
        silently with settings that reach the whole network.
    """
    named = environment.get("LSLAPICFG", "")
    if not named:
        own = [place for place in places if place.is_file()]
        return _quiet(_text_of(own[0])) if own else configuration(system)
    return _quiet(_text_of(Path(named)))


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        raise errors.CallError(
            f"the LSL configuration {path} (from LSLAPICFG) cannot be read "
            f"({type(problem).__name__}); correct the file or unset LSLAPICFG"
        ) from problem


def _quiet(text: str) -> str:
    return text if "[log]" in text else text.rstrip() + "\n" + _QUIET


_WAYS = {
    "pylsl": later("run: pip install pylsl"),
    "Windows": later(
        "run: pip install --force-reinstall pylsl, and install the Microsoft Visual "
        "C++ Redistributable"
    ),
    "Darwin": later("run: brew install labstreaminglayer/tap/lsl"),
    "Linux": later(
        "run: conda install -c conda-forge liblsl, or build liblsl from its sources "
        "and set PYLSL_LIB to the path of liblsl.so (pip brings it only for x86-64 "
        "with glibc 2.35 or newer)"
    ),
}


def way(problem: str, system: str) -> str:
    """Say how to get what is missing, in English; the text is marked for translation.

    Parameters
    ----------
    problem : {"pylsl", "liblsl"}
    system : str
        As the module `platform` says.
    """
    return _WAYS.get("pylsl" if problem == "pylsl" else system, _WAYS["Linux"])


def remedy(problem: str, system: str, machine: str) -> str:
    """Say in one sentence what is missing and the exact way to get it.

    Parameters
    ----------
    problem : {"pylsl", "liblsl"}
    system, machine : str
        As the module `platform` says.
    """
    if problem == "pylsl":
        what = "pylsl is not installed, so no stream can be read"
    else:
        what = f"liblsl is missing on this {system} {machine}"
    return f"{what}; {way(problem, system)}"
