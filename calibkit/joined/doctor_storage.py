"""The doctor's checks of what is stored: home folder, privacy, room, torn sessions."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

from calibkit.errors import CalibkitError
from calibkit.joined.doctor_facts import Check, Probes
from calibkit.kept import journal_elsewhere
from calibkit.language import _, later

NEEDED_BYTES = 100_000_000
# An hour of 12 channels at 250 Hz takes 86 MB (measured).
COMFORT_BYTES = 1_000_000_000
MOST_FILES = 20_000  # looked at; a doctor has no hours


def storage(probes: Probes) -> list[Check]:
    """The home folder: usable, private, with room."""
    try:
        home = probes.home()
    except CalibkitError as problem:
        return [
            Check(
                name=later("home folder"),
                state="missing",
                words=_("Nothing can be stored: {why}.").format(why=problem),
                fix=_("Name a folder of your own with --home DIR or CALIBKIT_HOME."),
            )
        ]
    return [
        _folder(probes, home),
        *_privacy(probes, home),
        *_unfinished(home),
        _room(probes, home),
    ]


def _existing(path: Path, there: Callable[[Path], int | None]) -> Path:
    for place in (path, *path.parents):
        if there(place) is not None or place.exists():
            return place
    return path


def _folder(probes: Probes, home: Path) -> Check:
    place = _existing(home, probes.mode)
    if not (probes.writable(place) and place.is_dir()):
        return Check(
            name=later("home folder"),
            state="missing",
            words=_("{path} cannot be written to.").format(path=place),
            fix=_("Name another folder with --home DIR or CALIBKIT_HOME."),
        )
    mode = probes.mode(home)
    if place == home and mode is not None and mode & 0o077:
        return Check(
            name=later("home folder"),
            state="limits",
            words=_(
                "Others on this computer can look into {path} (mode {mode:03o})."
            ).format(path=home, mode=mode),
            fix=_("Run: {command}").format(command=f"chmod 700 '{home}'"),
        )
    words = f"{home}."
    if place != home:
        words = _("{path} (made when first needed).").format(path=home)
    return Check(name=later("home folder"), state="good", words=words)


def _room(probes: Probes, home: Path) -> Check:
    place = _existing(home, probes.mode)
    try:
        free = probes.free_bytes(place)
    except OSError as problem:
        return Check(
            name=later("disk space"),
            state="unknown",
            words=_("It cannot be told: {why}.").format(why=problem),
        )
    # Translators: the mark between thousands and hundreds of a number.
    hours = f"{free / 86e6:,.0f}".replace(",", _(","))
    words = _("{free:.1f} GB free, some {hours} hours of recording.").format(
        free=free / 1e9, hours=hours
    )
    if free >= COMFORT_BYTES:
        return Check(name=later("disk space"), state="good", words=words)
    state = "limits" if free >= NEEDED_BYTES else "missing"
    return Check(
        name=later("disk space"),
        state=state,
        words=words,
        fix=_("Free some space, or name a folder on another disk with --home DIR."),
    )


def _privacy(probes: Probes, home: Path) -> Iterator[Check]:
    """What lies open in the home folder: other people's health data."""
    opened = [path for path in islice(_inside(home), MOST_FILES) if _open(probes, path)]
    if opened:
        yield Check(
            name=later("stored files"),
            state="limits",
            words=_(
                "Others on this computer may read or change {count} stored file(s) or "
                "folder(s), such as {first}."
            ).format(count=len(opened), first=opened[0]),
            fix=_("Run: {command}").format(command=f"chmod -R go= '{home}'"),
        )


def _inside(home: Path) -> Iterator[Path]:
    for place, folders, files in os.walk(home):
        yield from (Path(place) / name for name in [*folders, *files])


def _open(probes: Probes, path: Path) -> bool:
    mode = None if path.is_symlink() else probes.mode(path)
    return mode is not None and bool(mode & 0o077)


def _unfinished(home: Path) -> Iterator[Check]:
    """Sessions that a crash tore off, which the next one takes up."""
    left = journal_elsewhere.left(home)
    if left:
        places = ", ".join(map(str, left[:3])) + (", ..." if left[3:] else "")
        yield Check(
            name=later("unfinished recordings"),
            state="limits",
            words=_("{count} session(s) did not end properly: {places}.").format(
                count=len(left), places=places
            ),
            fix=_(
                "The next calibkit calibrate, validate, pointing or record makes "
                "recordings of them; now: {command}"
            ).format(command="calibkit import journal FILE -o REC"),
        )
