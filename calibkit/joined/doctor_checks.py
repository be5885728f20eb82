"""The doctor's checks, one function each: probes in, what is so and the fix out."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

from calibkit.camera import models
from calibkit.camera.vision import INSTALL
from calibkit.errors import CalibkitError
from calibkit.joined import doctor_ports as ports
from calibkit.joined.doctor_facts import Check, Probes
from calibkit.joined.wiring_priority import CHOICE
from calibkit.joined.wiring_priority import WORDS as PRIORITY
from calibkit.streams.lsl_config import remedy
from calibkit.window.display import has_display

_REQUIREMENT = re.compile(r"^\s*([A-Za-z0-9._-]+)\s*(?:>=\s*([0-9][0-9.]*))?")


def libraries(probes: Probes) -> list[Check]:
    """Python and the libraries that calibkit always needs."""
    checks = []
    if probes.python < (3, 11):
        checks.append(
            Check(
                name="Python",
                state="missing",
                words=f"Python is {probes.python[0]}.{probes.python[1]}.",
                fix="Install Python 3.11 or newer.",
            )
        )
    faults, good = [], []
    for wanted in probes.wanted:
        match = _REQUIREMENT.match(wanted)
        if match is None or ";" in wanted:
            continue
        name, least = match.groups()
        have = probes.versions.get(name)
        if have is None or (least and _numbers(have) < _numbers(least)):
            faults.append(f"{name}{f'>={least}' if least else ''}")
        else:
            good.append(f"{name} {have}")
    if faults:
        quoted = " ".join(f'"{fault}"' for fault in faults)
        checks.append(
            Check(
                name="libraries",
                state="missing",
                words=f"Missing or too old: {', '.join(faults)}.",
                fix=f"Run: pip install --upgrade {quoted}",
            )
        )
    else:
        checks.append(
            Check(name="libraries", state="good", words=f"{', '.join(good)}.")
        )
    return checks


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:3])


def liblsl(probes: Probes) -> Check:
    """The streaming library itself, which pip does not bring everywhere."""
    try:
        probes.lsl_clock()
    except CalibkitError as problem:
        part = "pylsl" if "pylsl is not" in str(problem) else "liblsl"
        fix = remedy(part, probes.system, probes.machine).rpartition("; ")[2]
        words = f"No stream can be read: {part} is missing on this "
        words += f"{probes.system} {probes.machine}."
        return Check(
            name="liblsl", state="missing", words=words, fix=fix[:1].upper() + fix[1:]
        )
    return Check(name="liblsl", state="good", words="The streaming library answers.")


def clock(probes: Probes) -> Check:
    """Whether time runs evenly, and the date is plausible."""
    notes = []
    if probes.steps_s > 0.002:
        notes.append(
            f"it moves in steps of {probes.steps_s * 1000:.0f} ms, so stamps are no "
            "finer"
        )
    try:
        pair = [(probes.lsl_clock(), probes.steady_clock()) for _ in range(200)]
        onward = all(b[0] >= a[0] for a, b in itertools.pairwise(pair))
        apart = abs((pair[-1][0] - pair[0][0]) - (pair[-1][1] - pair[0][1]))
        if not onward or apart > 0.02:
            notes.append("the stream clock does not run evenly with the system's")
    except CalibkitError:
        pass  # said by the check of the library
    year = 1970 + probes.wall_clock() / 31_556_952
    if not 2024 <= year < 2100:
        notes.append(
            f"the date says {math.floor(year)}; stored recordings would be dated so"
        )
    if notes:
        return Check(
            name="clock",
            state="limits",
            words=f"The clock is usable, but {'; '.join(notes)}.",
            fix="Set the computer's date and time."
            if "date" in notes[-1]
            else "Close programs that change the clock; use another computer for "
            "timing studies.",
        )
    return Check(name="clock", state="good", words="Time runs evenly.")


def display(probes: Probes) -> Check:
    """Whether a window can be shown."""
    if has_display(probes.environment, probes.system):
        return Check(name="display", state="good", words="There is a display.")
    words = "There is no display: sessions with a person cannot be shown here."
    if probes.environment.get("WAYLAND_DISPLAY"):
        return Check(
            name="display",
            state="limits",
            words=words,
            fix="This desktop is Wayland without X: install and start XWayland.",
        )
    if "Xvfb" in probes.programs:
        return Check(
            name="display",
            state="limits",
            words=f"{words} The demo starts a virtual one (Xvfb).",
            fix="Run sessions on a desktop.",
        )
    return Check(
        name="display",
        state="limits",
        words=words,
        fix="Run sessions on a desktop; for the demo: apt-get install xvfb",
    )


def psychopy(probes: Probes) -> Check:
    """PsychoPy, which draws the targets."""
    if probes.has_module("psychopy"):
        return Check(name="PsychoPy", state="good", words="PsychoPy is installed.")
    fix = 'Run: pip install "calibkit[screen]"'
    if probes.python >= (3, 13):
        fix = 'Use Python 3.11 or 3.12, then run: pip install "calibkit[screen]"'
    return Check(
        name="PsychoPy",
        state="limits",
        words="PsychoPy is not installed: targets cannot be shown; all else works.",
        fix=fix,
    )


def camera(probes: Probes) -> Check:
    """What turns a camera into a tracker: OpenCV, LiteRT, the model files."""
    if not probes.has_module("cv2"):
        words = "OpenCV is not installed: cameras cannot be read; trackers can."
        return _camera_lacks(words, f"Run: {INSTALL}")
    try:
        lost = models.missing(probes.home())
    except CalibkitError:
        lost = [model.name for model in models.MODELS]
    if lost:
        words = f"Models for a camera's pictures are not there ({', '.join(lost)})."
        return _camera_lacks(words, f"Run: {models.COMMAND}")
    if not probes.has_module("ai_edge_litert"):
        words = "LiteRT is not installed; OpenCV runs the models, slower or not at all."
        return _camera_lacks(words, f"Run: {INSTALL}")
    words = "OpenCV, LiteRT and the models are there."
    return Check(name="camera", state="good", words=words)


def _camera_lacks(words: str, fix: str) -> Check:
    return Check(name="camera", state="limits", words=words, fix=fix)


def archive(probes: Probes) -> Check:
    """What reads other recorders' files."""
    if probes.has_module("pyxdf"):
        words = "pyxdf is installed: XDF files can be read."
        return Check(name="archive", state="good", words=words)
    return Check(
        name="archive",
        state="limits",
        words="pyxdf is not installed: XDF files cannot be read; all else works.",
        fix='Run: pip install "calibkit[archive]"',
    )


def keyboard(probes: Probes) -> Check:
    """Keys, or switches that send keys."""
    if probes.keyboards is None:
        return Check(
            name="keyboard",
            state="unknown",
            words="Whether keys arrive shows only in an open window.",
        )
    if probes.keyboards == 0:
        return Check(
            name="keyboard",
            state="limits",
            words="No keyboard or switch is connected.",
            fix="Connect one, or let gaze or the timer move targets on (--advance).",
        )
    words = f"{probes.keyboards} device(s) that send keys."
    return Check(name="keyboard", state="good", words=words)


def sound(probes: Probes) -> Check:
    """A sound device; silence is fine."""
    if probes.sounds is None:
        return Check(name="sound", state="unknown", words="It cannot be told.")
    words = f"{probes.sounds} device(s)." if probes.sounds else (
        "No device: sessions are silent; every cue is also shown."
    )  # fmt: skip
    return Check(name="sound", state="good", words=words)


def priority(probes: Probes) -> Check:
    """Whether the publisher goes before other programs when they want a processor."""
    state = probes.priority()
    words = f"{PRIORITY[state][:1].upper()}{PRIORITY[state][1:]}."
    if state in ("real-time", "nice", "class"):
        return Check(name="priority", state="good", words=words)
    fix = "Close busy programs while gaze is used."
    if state == "off":
        fix = f"Unset {CHOICE}, unless that was meant."
    elif probes.system == "Linux":
        fix = 'Run: echo "$(id -un) - rtprio 1" | sudo tee '
        fix += "/etc/security/limits.d/calibkit.conf, then log in anew."
    return Check(name="priority", state="limits", words=words, fix=fix)


def configuration(probes: Probes) -> Check:
    """Whether a network configuration of the user's own is in use, and readable."""
    named = probes.environment.get("LSLAPICFG", "")
    if not named:
        return Check(
            name="LSL configuration",
            state="good",
            words="LSLAPICFG is not set; streams are looked for on this computer.",
        )
    try:
        with Path(named).open("rb") as file:
            file.read(1)
    except OSError as problem:
        return Check(
            name="LSL configuration",
            state="missing",
            words=f"LSLAPICFG names {named}, which cannot be read "
            f"({problem.strerror or problem}).",
            fix="Correct the path, or unset LSLAPICFG.",
        )
    return Check(
        name="LSL configuration",
        state="good",
        words=f"{named} is in use (LSLAPICFG): it decides which networks are reached.",
    )


def reach(probes: Probes) -> Check:
    """Which ports of streams other machines can reach now, and how to close them."""
    fix = ports.close_line(probes.system, probes.programs)
    try:
        open_now = ports.relevant(probes.listeners(), probes.ours)
    except (OSError, ValueError) as problem:
        return Check(
            name="reach from outside",
            state="unknown",
            words=f"The listening ports cannot be listed ({problem}). {ports.HONEST}",
            fix=f"To close them: {fix}",
        )
    if not open_now:
        words = "No stream's port is open to other machines now. A running stream "
        words += "opens some; no setting of the library keeps its data ports in."
        return Check(
            name="reach from outside",
            state="good",
            words=f"{words} {ports.HONEST}",
            fix=f"To close them: {fix}",
        )
    shown = ", ".join(
        f"{one.protocol} {one.address}:{one.port}"
        + (f" (process {one.process})" if one.process else "")
        for one in open_now[:8]
    )
    more = f" and {len(open_now) - 8} more" if len(open_now) > 8 else ""
    return Check(
        name="reach from outside",
        state="limits",
        words=f"Open to other machines, unless a firewall is in the way: {shown}"
        f"{more}. {ports.HONEST}",
        fix=f"To close them: {fix}",
    )
