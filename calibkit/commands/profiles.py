"""`calibkit profiles`: what is stored, an earlier mapping again, and how it leaves."""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from calibkit.errors import CallError, InputError
from calibkit.joined import options

SUMMARY = "list, show, roll back, export or delete what is stored of a person"
ACTIONS = ("list", "show", "rollback", "export", "delete")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "action",
        choices=ACTIONS,
        help="list: all persons; show: one person's mappings, recordings and results; "
        "rollback: use an earlier mapping; export: copy everything of a person; "
        "delete: remove everything of a person",
    )
    parser.add_argument("who", nargs="?", metavar="PERSON", help="the person's id")
    parser.add_argument("--person", metavar="ID", help="the same as PERSON")
    parser.add_argument(
        "--to",
        type=options.number(1, 999_999, whole=True),
        metavar="VERSION",
        help="rollback: which version, by default the good one before",
    )
    parser.add_argument(
        "-o", "--output", type=Path, metavar="DIR", help="export: a new folder"
    )
    parser.add_argument(
        "--yes", action="store_true", help="delete: without asking for the id again"
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    from calibkit.kept import home

    _check_flags(args)
    place = home.resolve(args.home, create=False)
    if args.action == "list":
        return _list(place, args)
    return _ACTIONS[args.action](place, _person(args), args)


def _check_flags(args: argparse.Namespace) -> None:
    """Refuse a flag that would do nothing: somebody meant another action."""
    whose = {"--to": "rollback", "-o": "export", "--yes": "delete"}
    given = {"--to": args.to, "-o": args.output, "--yes": args.yes or None}
    for flag, action in whose.items():
        if given[flag] is not None and args.action != action:
            raise CallError(f"{flag} is for calibkit profiles {action}; leave it out")
    if args.action == "list" and (args.who or args.person):
        raise CallError(
            "list tells of all persons; for one write calibkit profiles show PERSON"
        )


def _person(args: argparse.Namespace) -> str:
    from calibkit.kept import profile

    given = {p for p in (args.who, args.person) if p is not None}
    if len(given) != 1:
        what = "two persons are" if given else "no person is"
        raise CallError(f"{what} named; write calibkit profiles {args.action} PERSON")
    return profile.check_person(given.pop())


def _list(home: Path, args: argparse.Namespace) -> int:
    from calibkit.kept import records

    rows = [_row(home, person) for person in records.everybody(home)]
    if args.json:
        options.emit_json({"home": home, "persons": rows})
        return 0
    for row in rows:
        options.emit(_line(row))
    if not rows:
        options.say(f"Nothing is stored in {home}.")
    return 0


def _row(home: Path, person: str) -> dict[str, Any]:
    from calibkit.kept import profile, records

    row = {
        "person": person,
        "version": None,
        "created": "",
        "versions": len(profile.versions(home, person)),
        "recordings": len(records.recordings(home, person)),
        "notice": "",
    }
    try:
        active = profile.current(home, person)
    except InputError as error:
        return row | {"notice": str(error)}
    return row | {
        "version": active.version.number,
        "created": active.version.created,
        "notice": active.notice,
    }


def _line(row: dict[str, Any]) -> str:
    used = f"version {row['version']} of {row['created']}" if row["version"] else "none"
    text = (
        f"{row['person']:<20} in use: {used}; {row['versions']} versions, "
        f"{row['recordings']} recordings"
    )
    return f"{text}\n  {row['notice']}" if row["notice"] else text


def _show(home: Path, person: str, args: argparse.Namespace) -> int:
    from calibkit.kept import profile, records

    paths = records.all_paths(home, person)
    if not paths:
        raise InputError(
            f"nothing is stored of {person} in {home}; see calibkit profiles list"
        )
    found = {
        **_row(home, person),
        "versions": [_plain(v) for v in profile.versions(home, person)],
        "recordings": list(records.recordings(home, person)),
        "history": list(records.history(home, person)),
        "history_faults": list(records.history_faults(home, person)),
        "files": list(paths),
    }
    if args.json:
        options.emit_json(found)
        return 0
    options.emit(_line(_row(home, person)))
    for version in found["versions"]:
        options.emit(_version_line(version))
    for kind in ("history", "recordings"):
        for entry in found[kind]:
            options.emit(f"  {kind}: {_words(entry)}")
    for number in found["history_faults"]:
        options.emit(
            f"  history: line {number} does not follow from the line before; one was "
            "changed or taken out"
        )
    return 0


def _plain(version: Any) -> dict[str, Any]:
    return {
        "version": version.number,
        "created": version.created,
        "in_use": version.current,
        "fault": version.fault,
        "summary": dict(version.summary),
        "path": version.path,
    }


def _version_line(row: dict[str, Any]) -> str:
    state = row["fault"] or ("in use" if row["in_use"] else "kept")
    return f"  version {row['version']}, {row['created']}, {state}: " + (
        _words(row["summary"]) or "no figures stored"
    )


def _words(entry: Any) -> str:
    """Write an entry for reading; `--json` has every digit of it."""
    if isinstance(entry, dict):
        return ", ".join(f"{key} {_short(v)}" for key, v in entry.items() if v != [])
    return str(entry)


def _short(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.3g}"
    if isinstance(value, list):
        return " ".join(map(_short, value))
    text = str(value)
    checksum = len(text) == 64 and not set(text) - set("0123456789abcdef")
    return f"{text[:12]}..." if checksum else text


def _rollback(home: Path, person: str, args: argparse.Namespace) -> int:
    from calibkit.kept import profile

    if args.to is None:
        version = profile.rollback(home, person)
    else:
        version = profile.activate(home, person, args.to)
    options.say(
        f"Version {version.number} of {version.created} is in use for {person}."
    )
    if args.json:
        options.emit_json(_plain(version))
    return 0


def _export(home: Path, person: str, args: argparse.Namespace) -> int:
    from calibkit.kept import records

    if args.output is None:
        raise CallError("no folder is named to export to; add -o DIR")
    copies = list(records.export(home, person, args.output))
    for path in [p for p in copies if p.parts[-3:-2] == ("recordings",)]:
        if path.suffix == ".h5":
            copies += _tables(path)
    if args.json:
        options.emit_json({"person": person, "files": copies})
    options.say(f"{len(copies)} files of {person} are in {args.output}.")
    return 0


def _tables(path: Path) -> list[Path]:
    """Write a recording's gaze and targets as CSV beside it."""
    from calibkit.kept.recording import Recording

    try:
        rec = Recording.load(path)
    except InputError as error:
        options.say(f"No tables were made: {error}")
        return []
    gaze, targets = (
        path.with_name(f"{path.stem}-{what}.csv") for what in ("gaze", "targets")
    )
    labels = [c.label or c.type for c in rec.channels]
    rows = zip(rec.time.tolist(), rec.samples.tolist(), strict=True)
    _write(gaze, ["time", *labels], ([t, *row] for t, row in rows))
    _write(targets, rec.targets.dtype.names or (), rec.targets.tolist())
    return [gaze, targets]


def _write(path: Path, head: Any, rows: Any) -> None:
    import io

    from calibkit.kept import disk

    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(head)
    writer.writerows(rows)
    disk.write_bytes(path, text.getvalue().encode())


def _delete(home: Path, person: str, args: argparse.Namespace) -> int:
    from calibkit.kept import records

    paths = records.all_paths(home, person)
    if paths and not args.yes:
        if sys.stdin is None or not sys.stdin.isatty():
            raise CallError(f"deleting {len(paths)} files needs a yes; add --yes")
        options.say("\n".join(map(str, paths)))
        answer = options.ask(
            f"To delete these {len(paths)} files, type {person}", "--yes"
        )
        if answer != person:
            raise CallError(f"{answer!r} is not {person}; nothing was deleted")
    gone = records.delete(home, person)
    if args.json:
        options.emit_json({"person": person, "deleted": gone})
    options.say(
        f"{len(gone)} files of {person} are deleted. Backups, and parts of the medium "
        "itself, may still hold copies, and so may files made elsewhere: exported "
        "folders, tables, and shared mappings learned from these recordings."
    )
    return 0


_ACTIONS: dict[str, Callable[[Path, str, argparse.Namespace], int]] = {
    "show": _show,
    "rollback": _rollback,
    "export": _export,
    "delete": _delete,
}
