"""What this machine lacks, and the exact fix: small checks over injected probes.

A check never guesses and never touches the network; what cannot be told is said to be
so. Whether something is *needed* decides the exit status: streams, storage and the
libraries are; a display, PsychoPy, a keyboard and sound only limit what can be done.
"""

from __future__ import annotations

from collections.abc import Sequence

from calibkit.joined import doctor_checks as checks
from calibkit.joined import doctor_storage
from calibkit.joined.doctor_facts import Check, Probes
from calibkit.language import _, later

MARKS = {
    "good": later("good"),
    "limits": later("note"),
    "missing": later("MISSING"),
    "unknown": later("unknown"),
}


def examine(probes: Probes) -> list[Check]:
    """Make all checks, in the order in which to mend things.

    Parameters
    ----------
    probes : Probes

    Returns
    -------
    list of Check
    """
    return [
        *checks.libraries(probes),
        checks.liblsl(probes),
        checks.clock(probes),
        *doctor_storage.storage(probes),
        checks.display(probes),
        checks.psychopy(probes),
        checks.camera(probes),
        checks.archive(probes),
        checks.keyboard(probes),
        checks.sound(probes),
        checks.priority(probes),
        checks.configuration(probes),
        checks.reach(probes),
    ]


def lacking(found: Sequence[Check]) -> bool:
    """Whether something needed is missing."""
    return any(check.state == "missing" for check in found)


def ready(found: Sequence[Check]) -> dict[str, bool]:
    """What can be done as it is: streams and storage; sessions with a person."""
    base = not lacking(found)
    states = {check.name: check.state for check in found}
    shown = all(states.get(name) == "good" for name in ("display", "PsychoPy"))
    return {"streams": base, "sessions": base and shown}


def line(check: Check) -> str:
    """Return one check as text for a terminal."""
    text = f"[{_(MARKS[check.state])}] {_(check.name)}: {check.words}"
    return f"{text}\n    {check.fix}" if check.fix else text


def summary(found: Sequence[Check]) -> str:
    """One sentence at the end."""
    can = ready(found)
    if not can["streams"]:
        names = [_(check.name) for check in found if check.state == "missing"]
        return _("Something needed is missing: {names}.").format(names=", ".join(names))
    if not can["sessions"]:
        return _(
            "Streams, fitting and publishing work here; sessions with a person need "
            "a display and PsychoPy."
        )
    return _("Nothing that is needed is missing.")
