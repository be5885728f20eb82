"""Each person's mappings: numbered versions that never change, and which one is in use.

    profiles/PERSON/v000001.h5    the whole profile; its name claims the number
    profiles/PERSON/v000001.json  the snapshot that a publisher reads
    profiles/PERSON/v000001.used  empty: it was in use once, so it may be again
    profiles/PERSON/current       "v000001": a tiny file, replaced as a whole

A version counts from the moment its snapshot is there; it is in use from the moment
`current` names it. Whatever is interrupted, the last good one stays in use. What a
tree or a snapshot means is the caller's business.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CallError, InputError, StorageError
from calibkit.kept import disk, snapshot
from calibkit.kept.home import private_folder

if TYPE_CHECKING:
    from calibkit.kept.store import Tree

FORMAT = "calibkit-profile"
VERSION = 1
KEEP = 5
_PERSON = re.compile(r"[a-z0-9-]{1,32}")
_RESERVED = re.compile(r"con|prn|aux|nul|(com|lpt)[0-9]")  # devices on Windows
_NAME = re.compile(r"v([0-9]{6})")


@dataclass(frozen=True, kw_only=True)
class Version:
    """One stored version of a person's mapping.

    Parameters
    ----------
    person, number, created : str, int, ISO 8601 text
    path, snapshot_path : the profile's and the snapshot's file
    current : bool
        Whether it is the one in use.
    fault : str
        Why it cannot be used, or "".
    summary : dict
        What the caller stored to show, such as the validation's figures.
    """

    person: str
    number: int
    path: Path
    snapshot_path: Path
    created: str = ""
    current: bool = False
    fault: str = ""
    summary: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Active:
    """The mapping in use; `notice` says, if need be, why it is not the latest."""

    version: Version
    mapping: Mapping[str, Any]
    notice: str = ""


def check_person(person: str) -> str:
    """Return a person id that we may create, or say what one looks like.

    Raises
    ------
    CallError
        When it does not match [a-z0-9-]{1,32} or is a device name on Windows.
    """
    if not _PERSON.fullmatch(person) or _RESERVED.fullmatch(person):
        raise CallError(
            f"the person id {person[:40]!r} is unusable; use 1 to 32 of a-z, 0-9 "
            "and -, a code that you choose and never a name"
        )
    return person


def folder(home: Path, person: str) -> Path:
    """Return the folder of a person's versions; it need not exist."""
    return home / "profiles" / check_person(person)


def people(home: Path) -> tuple[str, ...]:
    """List the persons of whom any version is stored."""
    place = home / "profiles"
    found = disk.listed(place)
    return tuple(p.name for p in found if _PERSON.fullmatch(p.name) and p.is_dir())


def save(
    home: Path,
    person: str,
    tree: Tree,
    mapping: Mapping[str, Any],
    *,
    created: str,
    summary: Mapping[str, Any] | None = None,
    activate: bool = True,
    system: disk.System = disk.SYSTEM,
) -> Version:
    """Store a new version; when this returns, it is on the medium and in use.

    Parameters
    ----------
    tree : Tree
        The whole profile, kept as HDF5.
    mapping : dict
        What a publisher needs, plain JSON, finite, at most 64 KB.
    created : ISO 8601 text
    summary : dict, optional
        Figures to show in lists.
    activate : bool
        False keeps the version in use as it is.

    Returns
    -------
    Version

    Raises
    ------
    CallError, InputError
        When the person id is unusable, or the mapping not finite or too large.
    StorageError
        When it cannot be written; the version in use then stays in use.
    """
    place = folder(home, person)
    content = {
        "person": person,
        "created": created,
        "summary": dict(summary or {}),
        "mapping": dict(mapping),
    }
    # Refuse before anything is written.
    snapshot.encode({"version": 999_999, **content})
    number = _store(place, tree, content, system)
    if activate:
        _point(place, number, system)
        retain(home, person)
    return _version(place, number, number if activate else _pointed(place))


def versions(home: Path, person: str) -> tuple[Version, ...]:
    """List a person's versions, oldest first, each checked."""
    place = folder(home, person)
    pointed = _pointed(place)
    return tuple(_version(place, n, pointed) for n in _numbers(place))


def current(home: Path, person: str) -> Active:
    """Find the mapping in use without the HDF5 library.

    A damaged one is replaced by the newest good version before it, else by the newest
    good one, and the notice says so.

    Parameters
    ----------
    home : path
    person : str

    Returns
    -------
    Active

    Raises
    ------
    CallError
        When the person id is unusable.
    InputError
        When no version can be used.
    """
    place = folder(home, person)
    pointed = _pointed(place)
    faults: list[str] = []
    for number in _by_preference(place, pointed):
        version, mapping = _look(place, number, pointed)
        if number != pointed and not _was_used(version):
            continue
        if not version.fault:
            notice = "" if number == pointed else _notice(version, pointed, faults)
            return Active(version=version, mapping=mapping, notice=notice)
        faults.append(version.fault)
    if not faults:
        raise InputError(
            f"no mapping is stored for {person} in {home}; run calibkit calibrate "
            f"--person {person}"
        )
    raise InputError(
        f"no stored mapping of {person} can be used ({faults[0]}); calibrate again"
    )


def activate(
    home: Path, person: str, number: int, *, system: disk.System = disk.SYSTEM
) -> Version:
    """Put a stored version into use.

    Raises
    ------
    InputError
        When there is no such version, or it is damaged; nothing changes then.
    StorageError
        When the change cannot be written; nothing changes then.
    """
    place = folder(home, person)
    if number not in _numbers(place):
        known = ", ".join(map(str, _numbers(place))) or "none"
        raise InputError(f"{person} has no version {number}; there are: {known}")
    version = _version(place, number, number)
    if version.fault:
        raise InputError(f"version {number} of {person} is unusable: {version.fault}")
    _point(place, number, system)
    return version


def rollback(home: Path, person: str, *, system: disk.System = disk.SYSTEM) -> Version:
    """Put the newest good version before the one in use into use again.

    Raises
    ------
    InputError
        When there is none; nothing changes then.
    """
    place = folder(home, person)
    pointed = _pointed(place)
    for number in reversed(_numbers(place)):
        version = _version(place, number, pointed)
        earlier = pointed is None or number < pointed
        if earlier and not version.fault and _was_used(version):
            return activate(home, person, number, system=system)
    raise InputError(
        f"{person} has no good version before the one in use; nothing was changed"
    )


def load_tree(home: Path, person: str, number: int | None = None) -> Tree:
    """Read the whole profile of a version, by default of the one in use."""
    from calibkit.kept import store

    if number is None:
        number = current(home, person).version.number
    return store.read(
        _path(folder(home, person), number, "h5"),
        format=FORMAT,
        max_version=VERSION,
        limit_bytes=store.MAPPING_LIMIT_BYTES,
    )


def retain(home: Path, person: str, keep: int = KEEP) -> tuple[Path, ...]:
    """Remove old versions, never the one in use nor any of the last `keep` good ones.

    Returns
    -------
    tuple of Path
        What is gone.
    """
    place = folder(home, person)
    pointed = _pointed(place)
    good = [v.number for v in versions(home, person) if not v.fault][-keep:]
    gone = []
    for number in _numbers(place):
        if pointed in (None, number) or number >= min(good, default=0):
            continue
        for ending in ("used", "json", "h5"):
            path = _path(place, number, ending)
            with contextlib.suppress(OSError):
                path.unlink()
                gone.append(path)
    return tuple(gone)


def _path(place: Path, number: int, ending: str) -> Path:
    return place / f"v{number:06d}.{ending}"


def _numbers(place: Path) -> list[int]:
    """Numbers that are claimed, finished or not."""
    found = {_NAME.fullmatch(p.stem) for p in disk.listed(place, "v*.h5")}
    return sorted(int(match.group(1)) for match in found if match)


def _store(
    place: Path, tree: Tree, content: dict[str, Any], system: disk.System
) -> int:
    """Write both files of a new version; the first one's name claims the number."""
    from calibkit.kept import store

    private_folder(place.parent)
    private_folder(place)
    disk.sweep(place)
    data, number = store.dump(tree, FORMAT, VERSION), max([0, *_numbers(place)])
    while number < 999_999:
        number += 1
        try:
            disk.write_bytes(_path(place, number, "h5"), data, system=system)
        except disk.ExistsError:
            continue
        made = snapshot.encode({"version": number, **content})
        disk.write_bytes(_path(place, number, "json"), made, system=system)
        return number
    raise StorageError(f"{place} has no number left for a version; remove old ones")


def _point(place: Path, number: int, system: disk.System) -> None:
    used = _path(place, number, "used")
    if not used.exists():
        disk.write_bytes(used, b"", overwrite=True, system=system)
    text = f"v{number:06d}\n".encode()
    disk.write_bytes(place / "current", text, overwrite=True, system=system)


def _pointed(place: Path) -> int | None:
    path = place / "current"
    try:
        text = "" if path.is_symlink() else disk.read_regular(path, 64).decode()
    except (InputError, UnicodeDecodeError):
        return None
    match = _NAME.fullmatch(text.strip())
    return int(match.group(1)) if match else None


def _version(place: Path, number: int, pointed: int | None) -> Version:
    return _look(place, number, pointed)[0]


def _look(
    place: Path, number: int, pointed: int | None
) -> tuple[Version, dict[str, Any]]:
    """Read and check a version's snapshot, once."""
    plain = Version(
        person=place.name,
        number=number,
        path=_path(place, number, "h5"),
        snapshot_path=_path(place, number, "json"),
        current=number == pointed,
    )
    try:
        content = snapshot.read(plain.snapshot_path)
    except InputError as error:
        return replace(plain, fault=str(error)), {}
    mapping, summary = content.get("mapping"), content.get("summary")
    owner = (content.get("person"), content.get("version"))
    if owner != (place.name, number) or not isinstance(mapping, dict):
        fault = f"{plain.snapshot_path} belongs to another person or version"
        return replace(plain, fault=fault), {}
    seen = replace(
        plain,
        created=str(content.get("created", "")),
        summary=summary if isinstance(summary, dict) else {},
    )
    return seen, mapping


def _was_used(version: Version) -> bool:
    return version.path.with_suffix(".used").exists()


def _by_preference(place: Path, pointed: int | None) -> list[int]:
    """Order what to try: the one in use, those before it newest first, then the rest.

    What comes after it was taken out of use by a rollback.
    """
    numbers = _numbers(place)[::-1]
    if pointed is None:
        return numbers
    before = [n for n in numbers if n < pointed]
    return [pointed, *before, *(n for n in numbers if n > pointed)]


def _notice(version: Version, pointed: int | None, faults: list[str]) -> str:
    why = faults[0] if faults else "the note of which version is in use is unreadable"
    which = f"version {version.number} of {version.created} is used instead"
    lost = "" if pointed is None else f" (of version {pointed})"
    return f"the mapping in use of {version.person}{lost} is unusable: {why}; {which}"
