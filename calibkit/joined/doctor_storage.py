"""The doctor's checks of what is stored: home folder, privacy, room, torn sessions."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

from calibkit.errors import CalibkitError
from calibkit.joined.doctor_facts import Check, Probes
from calibkit.kept import journal_elsewhere

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
                name="home folder",
                state="missing",
                words=f"Nothing can be stored: {problem}.",
                fix="Name a folder of your own with --home DIR or CALIBKIT_HOME.",
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
            name="home folder",
            state="missing",
            words=f"{place} cannot be written to.",
            fix="Name another folder with --home DIR or CALIBKIT_HOME.",
        )
    mode = probes.mode(home)
    if place == home and mode is not None and mode & 0o077:
        return Check(
            name="home folder",
            state="limits",
            words=f"Others on this computer can look into {home} (mode {mode:03o}).",
            fix=f"Run: chmod 700 '{home}'",
        )
    new = "" if place == home else " (made when first needed)"
    return Check(name="home folder", state="good", words=f"{home}{new}.")


def _room(probes: Probes, home: Path) -> Check:
    place = _existing(home, probes.mode)
    try:
        free = probes.free_bytes(place)
    except OSError as problem:
        return Check(
            name="disk space", state="unknown", words=f"It cannot be told: {problem}."
        )
    hours = free / 86e6
    words = f"{free / 1e9:.1f} GB free, some {hours:,.0f} hours of recording."
    if free >= COMFORT_BYTES:
        return Check(name="disk space", state="good", words=words)
    state = "limits" if free >= NEEDED_BYTES else "missing"
    return Check(
        name="disk space",
        state=state,
        words=words,
        fix="Free some space, or name a folder on another disk with --home DIR.",
    )


def _privacy(probes: Probes, home: Path) -> Iterator[Check]:
    """What lies open in the home folder: other people's health data."""
    opened = [path for path in islice(_inside(home), MOST_FILES) if _open(probes, path)]
    if opened:
        yield Check(
            name="stored files",
            state="limits",
            words=f"Others on this computer may read or change {len(opened)} stored "
            f"file(s) or folder(s), such as {opened[0]}.",
            fix=f"Run: chmod -R go= '{home}'",
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
            name="unfinished recordings",
            state="limits",
            words=f"{len(left)} session(s) did not end properly: {places}.",
            fix="The next calibkit calibrate, validate, pointing or record makes "
            "recordings of them; now: calibkit import journal FILE -o REC",
        )
