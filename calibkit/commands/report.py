"""calibkit report: one page that says what a person can use, and how sure that is."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.language import SOURCE, _, speaking

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.judged.assess_figures import Assessment
    from calibkit.judged.keys import UsableKeys
    from calibkit.kept.recording import Recording
    from calibkit.report.data import Report

SUMMARY = "a page of text and plots: usable keys, where gaze fell, numbers, method"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit report`."""
    parser.add_argument(
        "recordings",
        nargs="*",
        type=Path,
        metavar="REC",
        help="recordings to judge; the last one with check targets is shown in full",
    )
    parser.add_argument(
        "--person",
        metavar="ID",
        help="use this person's mapping, recordings and history",
    )
    options.add_output(
        parser,
        "PAGE",
        "the page to write (.html); text alone without it",
        required=False,
    )
    parser.add_argument(
        "--large-print", action="store_true", help="letters of 16 points instead of 12"
    )
    options.add_json(parser)


@dataclass(kw_only=True)
class _Found:
    """What there is to report on."""

    mapping: Mapping | None = None
    rec: Recording | None = None
    path: Path | None = None
    result: Assessment | None = None
    keys: UsableKeys | None = None
    history: list[dict[str, Any]] = field(default_factory=list)
    person: str = ""
    troubles: list[str] = field(default_factory=list)


def run(args: argparse.Namespace) -> int:
    """Gather, judge, write the page, say the same in text or JSON."""
    from calibkit.errors import CallError
    from calibkit.report import page, terminal

    if not args.person and not args.recordings:
        raise CallError("nothing to report on; name a person (--person) or a recording")
    if args.output:
        options.check_output(args.output, force=args.force)
        options.spare(args.output, *args.recordings)
    found = _gathered(args)
    report = _report(found)
    if args.output:
        from calibkit.kept.store import write_bytes

        text = page.render(report, large=args.large_print)
        write_bytes(args.output, text.encode(), args.force)
    if args.json:
        with speaking(SOURCE):
            options.emit_json(terminal.plain(_report(found)))
    else:
        options.emit(terminal.text(report).rstrip())
    if args.output:
        options.say(_("The page is {path}").format(path=args.output))
    return 0


def _gathered(args: argparse.Namespace) -> _Found:
    found = _of_person(args) if args.person else _Found()
    paths = args.recordings
    if args.person and not paths:
        paths = _own_recordings(args)[-1:]
    for path in paths:
        _judge(found, path, own=not args.person)
    return found


def _of_person(args: argparse.Namespace) -> _Found:
    from calibkit.errors import InputError
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept import home, profile, records

    place = home.resolve(args.home, create=False)
    person = profile.check_person(args.person)
    if person not in records.everybody(place):
        raise InputError(
            f"nothing is stored of {person} in {place}; calibrate first, or see "
            "calibkit profiles list"
        )
    found = _Found(person=person, history=list(records.history(place, person)))
    if profile.versions(place, person):
        active = profile.current(place, person)
        found.mapping = Mapping.from_snapshot(dict(active.mapping))
        found.troubles += [active.notice] if active.notice else []
    return found


def _own_recordings(args: argparse.Namespace) -> list[Path]:
    """The person's recordings with check targets, oldest first."""
    from calibkit.errors import InputError
    from calibkit.kept import home, records
    from calibkit.kept.recording import Recording

    checked = []
    for path in records.recordings(home.resolve(args.home, create=False), args.person):
        try:
            rec = Recording.load(path)
        except InputError as error:
            options.say(f"calibkit: {error}")
            continue
        if (rec.targets["role"] == "validation").any():
            checked.append((rec.created, rec.attempt, path.name, path))
    return [entry[-1] for entry in sorted(checked)]


def _judge(found: _Found, path: Path, *, own: bool) -> None:
    """Judge one recording; the one before becomes a line of the history."""
    from calibkit.errors import CalibkitError
    from calibkit.fitted.fitting import fit
    from calibkit.judged.assess_targets import assess
    from calibkit.judged.keys import usable_keys
    from calibkit.kept.recording import Recording

    rec = Recording.load(path)
    if found.result is not None and found.rec is not None:
        found.history.append(_as_history(found, found.rec))
    found.rec, found.path = rec, path
    found.result = found.keys = None
    try:
        if own:
            found.mapping = None
            found.mapping = fit(rec)
        if found.mapping is None:
            return
        found.mapping.check(rec)
        found.result = assess(found.mapping, rec)
        found.keys = usable_keys(found.result, setup=rec.setup)
    except CalibkitError as error:
        found.troubles.append(f"{path.name}: {error}.")


def _as_history(found: _Found, rec: Recording) -> dict[str, Any]:
    return {
        "created": rec.created,
        "kind": found.path.name if found.path else "",
        "accuracy_deg": found.result.accuracy_deg if found.result else None,
        "loss": found.result.loss if found.result else None,
        "rows": found.keys.rows if found.keys else None,
        "columns": found.keys.columns if found.keys else None,
    }


def _report(found: _Found) -> Report:
    import time

    import calibkit
    from calibkit.report.build import build

    rec = found.rec
    about = [
        (_("Person"), found.person or (rec.person if rec else "")),
        (_("Recorded"), rec.created[:16].replace("T", " ") if rec else ""),
        (_("Attempt"), str(rec.attempt) if rec and rec.created else ""),
        (_("Tracker"), rec.name if rec else ""),
    ]
    stamp = time.strftime("%Y-%m-%d %H:%M", time.gmtime())
    made = _("{time} UTC with calibkit {version}")
    return build(
        title=_("Gaze calibration report"),
        made=made.format(time=stamp, version=calibkit.__version__),
        mapping=found.mapping,
        result=found.result,
        keys=found.keys,
        about=[(label, text) for label, text in about if text],
        technical=_provenance(found),
        history=found.history,
        troubles=found.troubles,
    )


def _provenance(found: _Found) -> list[tuple[str, str]]:
    from calibkit.kept.store import sha256_of

    if found.path is None or found.rec is None:
        return []
    return [
        (_("Recording"), found.path.name),
        (_("Its SHA-256"), sha256_of(found.path)),
        (_("Recorded with"), found.rec.software or _("not known")),
        (_("Stream"), found.rec.source_id or _("not known")),
    ]
