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
from calibkit.language import _

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
        raise CallError(
            f"{len(given) or 'no'} persons are named; write calibkit profiles "
            f"{args.action} PERSON"
        )
    return profile.check_person(given.pop())


def _list(home: Path, args: argparse.Namespace) -> int:
    from calibkit.kept import records
    from calibkit.report import stored_words

    rows = [_row(home, person) for person in records.everybody(home)]
    if args.json:
        options.emit_json({"home": home, "persons": rows})
        return 0
    for row in rows:
        options.emit(stored_words.person(row))
    if not rows:
        options.say(_("Nothing is stored in {home}.").format(home=home))
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


def _show(home: Path, person: str, args: argparse.Namespace) -> int:
    from calibkit.kept import profile, records
    from calibkit.report import stored_words

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
    options.emit(stored_words.person(_row(home, person)))
    told = [stored_words.version(version) for version in found["versions"]]
    told += [stored_words.entry(entry) for entry in found["history"]]
    told += [str(path) for path in found["recordings"]]
    for number in found["history_faults"]:
        fault = _(
            "history: line {number} does not follow from the line before; one was "
            "changed or taken out"
        )
        told.append(fault.format(number=number))
    for line in told:
        options.emit(f"  {line}")
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


def _rollback(home: Path, person: str, args: argparse.Namespace) -> int:
    from calibkit.kept import profile
    from calibkit.report import stored_words

    if args.to is None:
        version = profile.rollback(home, person)
    else:
        version = profile.activate(home, person, args.to)
    options.say(stored_words.in_use(version.number, version.created, person))
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
    said = _("{count} files of {person} are in {folder}.")
    options.say(said.format(count=len(copies), person=person, folder=args.output))
    return 0


def _tables(path: Path) -> list[Path]:
    """Write a recording's gaze and targets as CSV beside it."""
    from calibkit.kept.recording import Recording

    try:
        rec = Recording.load(path)
    except InputError as error:
        options.say(_("No tables were made: {error}").format(error=error))
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
    from calibkit.joined.wiring_claim import check_unused
    from calibkit.kept import records

    paths = records.all_paths(home, person)
    check_unused(home, person)
    if paths and not args.yes:
        if sys.stdin is None or not sys.stdin.isatty():
            raise CallError(f"deleting {len(paths)} files needs a yes; add --yes")
        options.say("\n".join(map(str, paths)))
        answer = options.ask(
            _("To delete these {count} files, type {person}").format(
                count=len(paths), person=person
            ),
            "--yes",
        )
        if answer != person:
            raise CallError(f"{answer!r} is not {person}; nothing was deleted")
    gone = records.delete(home, person)
    if args.json:
        options.emit_json({"person": person, "deleted": gone})
    said = _(
        "{count} files of {person} are deleted. Backups, and parts of the medium "
        "itself, may still hold copies, and so may files made elsewhere: exported "
        "folders, tables, and shared mappings learned from these recordings."
    )
    options.say(said.format(count=len(gone), person=person))
    return 0


_ACTIONS: dict[str, Callable[[Path, str, argparse.Namespace], int]] = {
    "show": _show,
    "rollback": _rollback,
    "export": _export,
    "delete": _delete,
}
