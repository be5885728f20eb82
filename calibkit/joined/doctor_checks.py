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
from calibkit.language import _, later
from calibkit.streams.lsl_config import way
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
                words=_("Python is {version}.").format(
                    version=".".join(map(str, probes.python))
                ),
                fix=_("Install Python 3.11 or newer."),
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
                name=later("libraries"),
                state="missing",
                words=_("Missing or too old: {names}.").format(names=", ".join(faults)),
                fix=_run(f"pip install --upgrade {quoted}"),
            )
        )
    else:
        checks.append(
            Check(name=later("libraries"), state="good", words=f"{', '.join(good)}.")
        )
    return checks


def _run(command: str) -> str:
    return _("Run: {command}").format(command=command)


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:3])


def liblsl(probes: Probes) -> Check:
    """The streaming library itself, which pip does not bring everywhere."""
    try:
        probes.lsl_clock()
    except CalibkitError as problem:
        part = "pylsl" if "pylsl is not" in str(problem) else "liblsl"
        fix = _(way(part, probes.system))
        words = _("No stream can be read: {part} is missing on this {system}.").format(
            part=part, system=f"{probes.system} {probes.machine}"
        )
        return Check(
            name="liblsl", state="missing", words=words, fix=fix[:1].upper() + fix[1:]
        )
    return Check(name="liblsl", state="good", words=_("The streaming library answers."))


def clock(probes: Probes) -> Check:
    """Whether time runs evenly, and the date is plausible."""
    notes = []
    if probes.steps_s > 0.002:
        notes.append(
            _("it moves in steps of {steps:.0f} ms, so stamps are no finer").format(
                steps=probes.steps_s * 1000
            )
        )
    try:
        pair = [(probes.lsl_clock(), probes.steady_clock()) for _ in range(200)]
        onward = all(b[0] >= a[0] for a, b in itertools.pairwise(pair))
        apart = abs((pair[-1][0] - pair[0][0]) - (pair[-1][1] - pair[0][1]))
        if not onward or apart > 0.02:
            notes.append(_("the stream clock does not run evenly with the system's"))
    except CalibkitError:
        pass  # said by the check of the library
    year = 1970 + probes.wall_clock() / 31_556_952
    fix = _(
        "Close programs that change the clock; use another computer for timing studies."
    )
    if not 2024 <= year < 2100:
        notes.append(
            _("the date says {year}; stored recordings would be dated so").format(
                year=math.floor(year)
            )
        )
        fix = _("Set the computer's date and time.")
    if notes:
        return Check(
            name=later("clock"),
            state="limits",
            words=_("The clock is usable, but {notes}.").format(notes="; ".join(notes)),
            fix=fix,
        )
    return Check(name=later("clock"), state="good", words=_("Time runs evenly."))


def display(probes: Probes) -> Check:
    """Whether a window can be shown."""
    if has_display(probes.environment, probes.system):
        return Check(
            name=later("display"), state="good", words=_("There is a display.")
        )
    words = _("There is no display: sessions with a person cannot be shown here.")
    if probes.environment.get("WAYLAND_DISPLAY"):
        return Check(
            name=later("display"),
            state="limits",
            words=words,
            fix=_("This desktop is Wayland without X: install and start XWayland."),
        )
    if "Xvfb" in probes.programs:
        return Check(
            name=later("display"),
            state="limits",
            words=f"{words} {_('The demo starts a virtual one (Xvfb).')}",
            fix=_("Run sessions on a desktop."),
        )
    return Check(
        name=later("display"),
        state="limits",
        words=words,
        fix=_("Run sessions on a desktop; for the demo: {command}").format(
            command="apt-get install xvfb"
        ),
    )


def psychopy(probes: Probes) -> Check:
    """PsychoPy, which draws the targets."""
    if probes.has_module("psychopy"):
        return Check(name="PsychoPy", state="good", words=_("PsychoPy is installed."))
    install = 'pip install "calibkit[screen]"'
    fix = _run(install)
    if probes.python >= (3, 13):
        fix = _("Use Python 3.11 or 3.12, then run: {command}").format(command=install)
    return Check(
        name="PsychoPy",
        state="limits",
        words=_("PsychoPy is not installed: targets cannot be shown; all else works."),
        fix=fix,
    )


def camera(probes: Probes) -> Check:
    """What turns a camera into a tracker: OpenCV, LiteRT, the model files."""
    if not probes.has_module("cv2"):
        words = _("OpenCV is not installed: cameras cannot be read; trackers can.")
        return _camera_lacks(words, _run(INSTALL))
    try:
        lost = models.missing(probes.home())
    except CalibkitError:
        lost = [model.name for model in models.MODELS]
    if lost:
        words = _("Models for a camera's pictures are not there ({names}).")
        return _camera_lacks(words.format(names=", ".join(lost)), _run(models.COMMAND))
    if not probes.has_module("ai_edge_litert"):
        words = _(
            "LiteRT is not installed; OpenCV runs the models, slower or not at all."
        )
        return _camera_lacks(words, _run(INSTALL))
    words = _("OpenCV, LiteRT and the models are there.")
    return Check(name=later("camera"), state="good", words=words)


def _camera_lacks(words: str, fix: str) -> Check:
    return Check(name=later("camera"), state="limits", words=words, fix=fix)


def archive(probes: Probes) -> Check:
    """What reads other recorders' files."""
    if probes.has_module("pyxdf"):
        words = _("pyxdf is installed: XDF files can be read.")
        return Check(name=later("archive"), state="good", words=words)
    return Check(
        name=later("archive"),
        state="limits",
        words=_("pyxdf is not installed: XDF files cannot be read; all else works."),
        fix=_run('pip install "calibkit[archive]"'),
    )


def keyboard(probes: Probes) -> Check:
    """Keys, or switches that send keys."""
    if probes.keyboards is None:
        return Check(
            name=later("keyboard"),
            state="unknown",
            words=_("Whether keys arrive shows only in an open window."),
        )
    if probes.keyboards == 0:
        return Check(
            name=later("keyboard"),
            state="limits",
            words=_("No keyboard or switch is connected."),
            fix=_("Connect one, or let gaze or the timer move targets on (--advance)."),
        )
    words = _("{count} device(s) that send keys.").format(count=probes.keyboards)
    return Check(name=later("keyboard"), state="good", words=words)


def sound(probes: Probes) -> Check:
    """A sound device; silence is fine."""
    if probes.sounds is None:
        return Check(
            name=later("sound"), state="unknown", words=_("It cannot be told.")
        )
    words = _("No device: sessions are silent; every cue is also shown.")
    if probes.sounds:
        words = _("{count} device(s).").format(count=probes.sounds)
    return Check(name=later("sound"), state="good", words=words)


def priority(probes: Probes) -> Check:
    """Whether the publisher goes before other programs when they want a processor."""
    state = probes.priority()
    said = _(PRIORITY[state])
    words = f"{said[:1].upper()}{said[1:]}."
    if state in ("real-time", "nice", "class"):
        return Check(name=later("priority"), state="good", words=words)
    fix = _("Close busy programs while gaze is used.")
    if state == "off":
        fix = _("Unset {variable}, unless that was meant.").format(variable=CHOICE)
    elif probes.system == "Linux":
        command = 'echo "$(id -un) - rtprio 1" | sudo tee '
        command += "/etc/security/limits.d/calibkit.conf"
        fix = _("Run: {command}, then log in anew.").format(command=command)
    return Check(name=later("priority"), state="limits", words=words, fix=fix)


def configuration(probes: Probes) -> Check:
    """Whether a network configuration of the user's own is in use, and readable."""
    named = probes.environment.get("LSLAPICFG", "")
    if not named:
        return Check(
            name=later("LSL configuration"),
            state="good",
            words=_("LSLAPICFG is not set; streams are looked for on this computer."),
        )
    try:
        with Path(named).open("rb") as file:
            file.read(1)
    except OSError as problem:
        return Check(
            name=later("LSL configuration"),
            state="missing",
            words=_("LSLAPICFG names {path}, which cannot be read ({why}).").format(
                path=named, why=problem.strerror or problem
            ),
            fix=_("Correct the path, or unset LSLAPICFG."),
        )
    return Check(
        name=later("LSL configuration"),
        state="good",
        words=_(
            "{path} is in use (LSLAPICFG): it decides which networks are reached."
        ).format(path=named),
    )


def reach(probes: Probes) -> Check:
    """Which ports of streams other machines can reach now, and how to close them."""
    line = ports.close_line(probes.system, probes.programs)
    fix = _("To close them: {command}").format(command=line)
    honest = _(ports.HONEST)
    try:
        open_now = ports.relevant(probes.listeners(), probes.ours)
    except (OSError, ValueError) as problem:
        return Check(
            name=later("reach from outside"),
            state="unknown",
            words=_("The listening ports cannot be listed ({why}).").format(why=problem)
            + f" {honest}",
            fix=fix,
        )
    if not open_now:
        words = _(
            "No stream's port is open to other machines now. A running stream opens "
            "some; no setting of the library keeps its data ports in."
        )
        return Check(
            name=later("reach from outside"),
            state="good",
            words=f"{words} {honest}",
            fix=fix,
        )
    shown = ", ".join(map(_listener, open_now[:8]))
    if len(open_now) > 8:
        shown = _("{shown} and {count} more").format(
            shown=shown, count=len(open_now) - 8
        )
    return Check(
        name=later("reach from outside"),
        state="limits",
        words=_(
            "Open to other machines, unless a firewall is in the way: {shown}."
        ).format(shown=shown)
        + f" {honest}",
        fix=fix,
    )


def _listener(one: ports.Listener) -> str:
    text = f"{one.protocol} {one.address}:{one.port}"
    if not one.process:
        return text
    return _("{port} (process {number})").format(port=text, number=one.process)
