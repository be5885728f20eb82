"""A gaze stream, with the markers of any session, to a recording file."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.joined.wiring_stop import Stop, stopping

if TYPE_CHECKING:
    from pathlib import Path

    from calibkit.streams.lsl import GazeInlet, Watch
    from calibkit.streams.lsl_found import Found

SUMMARY = "a gaze stream, and a session's markers, to a recording file"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    options.add_stream(parser)
    options.add_output(parser, "REC", "the recording to write, ending in .h5")
    options.add_for(
        parser,
        0.1,
        1e6,
        "end after so many seconds (default: Ctrl-C or SIGTERM)",
    )
    parser.add_argument(
        "--wait",
        metavar="S",
        type=options.number(0, 1e9, "s"),
        default=10.0,
        help="give up when no stream has come after so long (default %(default)s)",
    )
    options.add_whose(parser, "stream")


def run(args: argparse.Namespace) -> int:
    """Record until told to stop."""
    with stopping() as stop:
        return _run(args, stop)


def _run(args: argparse.Namespace, stop: Stop) -> int:
    from calibkit.errors import CallError, DeviceError
    from calibkit.kept import journal, journal_elsewhere, settings
    from calibkit.kept.home import resolve
    from calibkit.kept.profile import check_person
    from calibkit.streams import lsl

    options.check_output(args.output, force=args.force)
    if args.output.suffix != ".h5":
        raise CallError(f"{args.output} does not end in .h5; name the recording so")
    if args.person:
        check_person(args.person)
    home = resolve(args.home, create=False)
    stored = settings.load(home)
    watch = lsl.Watch("Gaze", args.stream)
    found = _first(args, watch, stop)
    if found is None:
        return 0
    inlet = _connect(found, stored)
    setup = _setup(args, stored, inlet)
    path = args.output.with_suffix(journal.SUFFIX)
    _take_up(home, path)
    writer = journal.Writer(path, _header(args, inlet, setup))
    try:
        count = _loop(args, stop, watch, inlet, found, stored, writer)
    finally:
        writer.close()
        made = journal.finish(path)
        if made != args.output:
            made.replace(args.output)
        journal_elsewhere.forget(home, path)
    options.say(f"wrote {count} samples to {args.output}")
    if not count:
        raise DeviceError(
            f"stream {found.label} sent nothing, so {args.output} holds no gaze; start "
            "the tracker's measurement"
        )
    return 0


def _take_up(home: Path, path: Path) -> None:
    """Finish what a crash left, here and elsewhere; note where this one will lie."""
    from calibkit.errors import StorageError
    from calibkit.kept import journal, journal_elsewhere

    # First what is in the way: it must not take the new recording's name.
    in_the_way = journal.rescue(path)
    others = journal_elsewhere.recover(home)
    for kept in [*([in_the_way] if in_the_way else []), *others]:
        options.say(f"calibkit: {kept.text}")
    try:
        journal_elsewhere.note(home, path)
    except StorageError as error:
        options.say(
            f"calibkit: should this break off, calibkit import journal {path} makes a "
            f"recording of what came, but nothing finds it by itself: {error}"
        )


def _first(args: argparse.Namespace, watch: Watch, stop: Stop) -> Found | None:
    import time

    from calibkit.joined import wiring_publish
    from calibkit.streams import lsl

    edges = wiring_publish.Looking(found=watch.found, clock=lsl.clock, sleep=time.sleep)
    return wiring_publish.wait_for_stream(
        edges, stop, source_id=args.stream, wait_s=args.wait
    )


def _connect(found: Found, stored: Any) -> GazeInlet:
    from calibkit.streams import lsl

    return lsl.open_gaze(found, stored.names(found.key))


def _setup(args: argparse.Namespace, stored: Any, inlet: GazeInlet) -> Any:
    from calibkit.errors import CallError
    from calibkit.geometry import Setup

    known: dict[str, Any] = {
        name: getattr(args, name) or stored.setup.get(name) or inlet.setup.get(name)
        for name in ("screen_px", "screen_mm", "distance_mm")
    }
    absent = [name for name, value in known.items() if value is None]
    if absent:
        flags = ", ".join("--" + name.replace("_", "-") for name in absent)
        raise CallError(
            f"not known: {', '.join(absent)}; give them once for all commands with "
            f"calibkit streams, or here, by {flags}"
        )
    if isinstance(known["distance_mm"], tuple):
        known["distance_mm"] = known["distance_mm"][0]
    return Setup(**known)


def _header(args: argparse.Namespace, inlet: GazeInlet, setup: Any) -> dict[str, Any]:
    import secrets
    from datetime import UTC, datetime

    import calibkit

    return {
        "person": args.person,
        "session": f"record-{secrets.token_hex(4)}",
        "attempt": 1,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "software": f"calibkit {calibkit.__version__}",
        "setup": setup,
        "channels": inlet.channels,
        "name": inlet.name,
        "source_id": inlet.source_id,
        "nominal_rate": inlet.nominal_rate,
        "protocol": "",
    }


def _loop(
    args: argparse.Namespace,
    stop: Stop,
    watch: Watch,
    inlet: GazeInlet,
    found: Found,
    stored: Any,
    writer: Any,
) -> int:
    import time

    from calibkit.joined import wiring, wiring_record, wiring_source
    from calibkit.streams import lsl

    source = wiring_source.Steady(
        inlet,
        found,
        found=watch.found,
        connect=lambda again: _connect(again, stored),
        clock=lsl.clock,
    )
    markers = lsl.Watch("Markers")
    ears = wiring.Ears(markers.found, lambda one: lsl.MarkerInlet(one, wait_s=1.0))
    options.say(f"recording {found.label} to {args.output}")
    until_s = float("inf") if args.for_s is None else lsl.clock() + args.for_s
    try:
        return wiring_record.record(
            source,
            ears,
            writer,
            clock=lsl.clock,
            sleep=time.sleep,
            stop=stop,
            until_s=until_s,
        )
    finally:
        source.close()
        ears.close()
