"""calibkit import: a recording from another program's file, or a torn session."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options

if TYPE_CHECKING:
    from calibkit.archive.imported import Imported
    from calibkit.archive.xdf import XdfStream
    from calibkit.geometry import Setup
    from calibkit.kept.recording import Recording
    from calibkit.kept.stream_names import StreamNames

SUMMARY = "a recording from any LSL recorder's XDF file, or from a torn session"
_ASKED = {
    "screen_px": ("the screen's width and height in pixels", "--screen-px WxH"),
    "screen_mm": ("the picture's width and height in millimetres", "--screen-mm WxH"),
    "distance_mm": ("the distance from eyes to screen in mm", "--distance-mm D"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit import`."""
    parser.add_argument(
        "kind",
        choices=("xdf", "journal"),
        help="what it is; journal: what calibkit itself wrote of a session "
        "that did not end properly, to which no other flag applies",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="the file to read")
    options.add_output(parser, "REC", "the recording to write, ending in .h5")
    parser.add_argument(
        "--stream",
        metavar="SOURCE_ID",
        help="which gaze stream, where the file holds several: its source_id, its "
        "name, or its number in the file, such as #3",
    )
    parser.add_argument(
        "--names",
        metavar="FILE",
        type=Path,
        help="what the stream's channels are, from a TOML file, as `calibkit streams` "
        "takes it",
    )
    parser.add_argument(
        "--targets",
        metavar="FILE",
        type=Path,
        help="the targets that other programs showed: a TOML file that says which "
        "markers mean one, or a table (.csv, .tsv) of time, x, y, role",
    )
    parser.add_argument(
        "--session",
        metavar="N",
        type=options.number(1, 10_000, whole=True),
        help="only the N-th of calibkit's own sessions in the file",
    )
    options.add_whose(parser, "file")
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Read, choose, write, say what came of it."""
    from calibkit.errors import CallError
    from calibkit.kept.profile import check_person

    options.check_output(args.output, force=args.force)
    options.spare(args.output, args.file, args.names, args.targets)
    if args.output.suffix != ".h5":
        raise CallError(f"{args.output} does not end in .h5; name the recording so")
    if args.kind == "journal":
        return _journal(args)
    if args.person:
        check_person(args.person)
    made = _import(args)
    made.recording.save(args.output, overwrite=args.force)
    for note in made.notes:
        options.say(f"note: {note}")
    facts = _facts(args, made)
    if args.json:
        options.emit_json(facts)
    options.say(_sum(args, facts))
    return 0


def _journal(args: argparse.Namespace) -> int:
    from calibkit.kept import journal_contents, recording_file
    from calibkit.kept.recording import Recording

    contents = journal_contents.read(args.file)
    parts = journal_contents.fields_of(contents)
    recording_file.write(args.output, parts, overwrite=args.force)
    rec = Recording.load(args.output)
    for fault in contents.faults:
        options.say(f"note: {fault}")
    facts = _counts(args, rec) | {"notes": contents.faults}
    if args.json:
        options.emit_json(facts)
    options.say(_sum(args, facts))
    return 0


def _import(args: argparse.Namespace) -> Imported:
    from calibkit.archive import imported, marker_targets, xdf
    from calibkit.kept import settings
    from calibkit.kept.store import sha256_of

    given = None if args.names is None else settings.read_channel_map(args.names)
    described = None if args.targets is None else marker_targets.read(args.targets)
    file = xdf.load(args.file, args.stream or "")
    stream = imported.gaze_stream(file, args.stream)
    found = imported.chosen_session(file, args.session)
    flags = {name: getattr(args, name) for name in _ASKED}
    names = _names(args, stream, given)
    return imported.recording_of(
        file,
        stream,
        found,
        setup=_setup(imported.known_setup(flags, found, names, stream)),
        names=names,
        person=args.person,
        described=described,
        session=f"xdf-{sha256_of(args.file)[:12]}",
    )


def _setup(known: dict[str, Any]) -> Setup:
    """Make the set-up; what is not known is asked for on a terminal, never guessed."""
    from calibkit.errors import CallError
    from calibkit.geometry import Setup

    for name, (question, flag) in _ASKED.items():
        if name not in known:
            text = options.ask(question, flag)
            parse = options.size(1, 1e5) if "W" in flag else options.number(10, 2e4)
            try:
                known[name] = parse(text)
            except argparse.ArgumentTypeError as error:
                raise CallError(f"{flag}: {error}") from None
    return Setup(**known)


def _names(
    args: argparse.Namespace, stream: XdfStream, given: StreamNames | None
) -> StreamNames:
    """Return what the channels are: by the flag, the home, the stream, a question."""
    import sys

    from calibkit.archive import imported
    from calibkit.channels import feature_sources
    from calibkit.errors import CallError
    from calibkit.joined import naming
    from calibkit.kept import settings
    from calibkit.kept.home import resolve
    from calibkit.kept.stream_names import StreamNames

    if given is None:
        stored = settings.load(resolve(args.home, create=False))
        known = stored.streams
        given = known.get(stream.source_id) or known.get(stream.name)
    names = imported.named(stream, given)
    if feature_sources(names.channels):
        return names
    if given is None and sys.stdin is not None and sys.stdin.isatty():
        labels = [channel.label for channel in names.channels]
        return StreamNames(channels=naming.ask_channels(labels))
    labels = [f"{c.label} ({c.eye} {c.type})" for c in names.channels[:20]]
    raise CallError(
        f"no gaze can be read from {stream.label}: its channels are "
        f"{', '.join(labels)}; say what they are in a TOML file and give it with "
        "--names"
    )


def _sum(args: argparse.Namespace, facts: dict[str, Any]) -> str:
    return (
        f"{args.output}: {facts['samples']} samples in {facts['seconds']:.1f} s, "
        f"{facts['targets']} targets, {facts['events']} events"
    )


def _facts(args: argparse.Namespace, made: Imported) -> dict[str, Any]:
    return {
        **_counts(args, made.recording),
        "stream": made.stream.source_id or made.stream.name,
        "notes": list(made.notes),
    }


def _counts(args: argparse.Namespace, rec: Recording) -> dict[str, Any]:
    return {
        "version": 1,
        "recording": str(args.output),
        "stream": rec.source_id or rec.name,
        "samples": len(rec.time),
        "seconds": float(rec.time[-1] - rec.time[0]) if len(rec.time) else 0.0,
        "rate_hz": rec.rate_hz(),
        "targets": len(rec.targets),
        "events": len(rec.events),
        "screen_px": rec.setup.screen_px,
        "screen_mm": rec.setup.screen_mm,
        "distance_mm": rec.setup.distance_mm,
    }
