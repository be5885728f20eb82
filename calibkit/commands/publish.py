"""Raw gaze in, calibrated gaze out, live."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.joined.wiring_stop import Stop, stopping

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.wiring_ahead import Streams
    from calibkit.joined.wiring_drift import Beside
    from calibkit.joined.wiring_priority import Priority
    from calibkit.joined.wiring_publish import Edges
    from calibkit.joined.wiring_status import Lines
    from calibkit.joined.wiring_told import Told
    from calibkit.live.publisher_output import Notice
    from calibkit.streams.lsl_found import Found

SUMMARY = "raw gaze in, calibrated gaze out, live, for other programs"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--person", metavar="ID", help="whose mapping to use")
    which.add_argument("--mapping", metavar="FILE", type=Path, help="or a mapping file")
    options.add_stream(parser)
    parser.add_argument(
        "--wait",
        metavar="S",
        type=options.number(0, 1e9, "s"),
        help="give up when no stream has come after so long (default: never)",
    )
    parser.add_argument(
        "--filter",
        nargs="?",
        const="one-euro",
        metavar="NAME",
        help="smooth the gaze: one-euro (where no name follows) or look-mean; each "
        "costs delay (default: none)",
    )
    parser.add_argument(
        "--learn",
        action="store_true",
        help="let selections that programs tell move the gaze, in small steps, each "
        "told and logged; without it they are only watched",
    )
    parser.add_argument(
        "--json", action="store_true", help="tell each state as one line of JSON"
    )


def run(args: argparse.Namespace) -> int:
    """Publish until told to stop."""
    from calibkit.joined import wiring_priority

    with stopping() as stop, wiring_priority.raised(wiring_priority.here()) as first:
        return _run(args, stop, first)


def _run(args: argparse.Namespace, stop: Stop, priority: Priority) -> int:
    import gc

    from calibkit.joined import wiring_again, wiring_early, wiring_told

    gc.disable()  # what is loaded stays; looking through it takes a tenth of a start
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # no array here is worth more
    told = wiring_told.heard()
    if told is not None:
        stop.asked = stop.asked or told.stop
        return _work(args, stop, priority, told)
    plain, home, notice = _kept(args, stop)
    if plain is None:
        return 0

    def known() -> Told:
        return wiring_told.Told(
            head=head, plain=plain, home=home, notice=notice, stop=bool(stop)
        )

    head = os.getpid()
    if wiring_again.possible():
        status = wiring_again.again_and_again(
            options.say,
            lambda ended: priority.aside(lambda: wiring_early.load_all(ended)),
            lambda: wiring_told.hand_over(known()),
        )
        if status is not None:
            return status
    return _work(args, stop, priority, known())


def _work(args: argparse.Namespace, stop: Stop, priority: Priority, told: Told) -> int:
    """Do what the worker does, from its first to its last moment."""
    from calibkit.joined import wiring_ahead, wiring_claim
    from calibkit.joined.wiring_status import Lines

    lines = Lines(args.json)
    try:
        streams = wiring_ahead.Streams(args.stream, told.home, told.head, lines.say)
        kept = dict(told.plain), told.home, told.notice
        if args.person is not None and told.home is not None:
            wiring_claim.use(told.home, args.person, told.head)
        try:
            return _publish(args, stop, lines, streams, priority, kept)
        finally:
            streams.settled()
    finally:
        lines.close()


def _publish(
    args: argparse.Namespace,
    stop: Stop,
    lines: Lines,
    streams: Streams,
    priority: Priority,
    kept: tuple[Any, ...],
) -> int:
    import gc

    from calibkit.errors import InputError
    from calibkit.joined import wiring_drift, wiring_status, wiring_unfit

    mapping, notice, refresh = _newest(args, stop, lines, kept)
    if mapping is None:
        return 0
    edges = _edges(lines, streams, refresh, priority)
    unfit = wiring_unfit.Unfit(edges, stop, _wait_s(args), refresh)
    while True:
        smoothing = _smoothing(args.filter, mapping)
        drift = wiring_drift.Beside(
            mapping, edges, lines.say, kept[1], args.person, learn=args.learn
        )
        streams.settled()
        gc.freeze()
        gc.enable()
        priority.take()  # for all threads there are by now; loading may have cost it
        runs = priority.words
        try:
            return _flow(args, stop, streams, drift, smoothing, notice, runs)
        except InputError as fault:
            if args.person is None and not wiring_status.served():
                raise  # a file that was named is what it is: somebody reads that
            new = unfit.another(fault)
        finally:
            drift.close()
        if new is not None:
            mapping, notice = new, ""


def _flow(
    args: argparse.Namespace,
    stop: Stop,
    streams: Streams,
    drift: Beside,
    smoothing: Any,
    notice: str,
    runs: str,
) -> int:
    """Wait for the stream, and publish it."""
    from calibkit.errors import InputError
    from calibkit.joined import wiring_publish, wiring_status
    from calibkit.live.publisher import Publisher
    from calibkit.live.publisher_output import Notice
    from calibkit.streams import lsl

    publisher, edges = Publisher(drift.watcher.mapping, smoothing), drift.joined()

    def several(seen: Sequence[Found], text: str) -> None:
        streams.unfit(seen[0])
        text += "; no gaze is sent until then, or until only one is left"
        edges.tell(Notice(time_s=lsl.clock(), state="waiting", text=text))

    text = f"waiting for a gaze stream on this computer; {runs}"
    edges.tell(Notice(time_s=lsl.clock(), state="waiting", text=text))
    first = wiring_publish.wait_for_stream(
        edges,
        stop,
        source_id=args.stream,
        wait_s=_wait_s(args),
        known=streams.known,
        made_with=drift.made_with,
        several=several if wiring_status.served() else None,
    )
    if first is not None:
        streams.claim(first)
        if notice:
            publisher.note(notice, lsl.clock())
        try:
            wiring_publish.publish(publisher, first, edges, stop)
        except InputError:
            streams.unfit(first)
            raise
    text = "told to stop; calibrated gaze has ended"
    edges.tell(Notice(time_s=lsl.clock(), state="ended", text=text))
    return 0


def _wait_s(args: argparse.Namespace) -> float:
    return float("inf") if args.wait is None else float(args.wait)


def _edges(
    lines: Lines,
    streams: Streams,
    refresh: Callable[[], Mapping | None],
    priority: Priority,
) -> Edges:
    """Streams, clock, and all that hear what the publisher does."""
    import time

    from calibkit.joined import wiring_publish, wiring_status
    from calibkit.live.publisher_output import Notice
    from calibkit.streams import lsl, lsl_live

    manager = wiring_status.service(os.environ)
    manager("READY=1")

    def tell(notice: Notice) -> None:
        lines.tell(notice)
        manager(f"STATUS=[{notice.state}] {notice.text}")
        for one in streams.status:
            one.push(wiring_status.plain(notice), notice.time_s)

    kind = priority.kind

    def beat(facts: dict[str, object]) -> None:
        nonlocal kind
        manager("WATCHDOG=1")
        if priority.kind != kind:
            kind, state = priority.kind, str(facts["state"])
            tell(Notice(time_s=lsl.clock(), state=state, text=priority.words))
        for one in streams.status:
            one.push(facts | {"priority": kind}, lsl.clock())

    return wiring_publish.Edges(
        found=streams.found,
        connect=streams.connect,
        outlet=streams.outlet,
        clock=lsl_live.clock(),
        sleep=time.sleep,
        tell=tell,
        refresh=refresh,
        beat=beat,
        connected=streams.connected,
    )


def _kept(
    args: argparse.Namespace, stop: Stop
) -> tuple[dict[str, Any] | None, Path | None, str]:
    """A mapping's snapshot, the home folder, and what is wrong with the mapping.

    None instead of a mapping when told to stop before there was one. No numbers yet:
    what these need takes most of a start.
    """
    from calibkit.errors import InputError, StorageError
    from calibkit.joined import wiring_snapshot
    from calibkit.kept import home as home_folder
    from calibkit.kept import profile

    try:
        home = home_folder.resolve(args.home)
    except StorageError as problem:
        if args.person is not None or args.home is not None:
            raise
        options.say(f"calibkit: {problem}; going on without stored settings")
        home = None
    if args.person is None or home is None:
        try:
            return wiring_snapshot.read(args.mapping), home, ""
        except InputError:
            if not stop:
                raise
            return None, home, ""  # who was told to stop may have told the reader too
    try:
        return _active(home, args.person, options.say), home, ""
    except InputError as fault:
        if not profile.versions(home, args.person):
            raise  # nobody of that id
        options.say(f"calibkit: {fault}")
    plain, notice = _own(args, home, stop)
    return plain, home, notice


def _own(
    args: argparse.Namespace, home: Path, stop: Stop
) -> tuple[dict[str, Any] | None, str]:
    """What the tracker says by itself: better than no voice, and told loudly."""
    from calibkit.joined import wiring_own, wiring_status

    manager = wiring_status.service(os.environ)

    def alive() -> None:
        manager("READY=1")
        manager("WATCHDOG=1")

    plain = wiring_own.mapping(
        args.stream,
        home,
        args.person,
        wait_s=_wait_s(args),
        stop=stop,
        tell=lambda text: options.say(f"calibkit: {text}"),
        alive=alive,
    )
    if plain is None:
        return None, ""
    options.say(f"calibkit: {wiring_own.WORDS}")
    return plain, wiring_own.WORDS


def _active(home: Path, person: str, say: Callable[[str], object]) -> dict[str, Any]:
    from calibkit.kept import profile

    found = profile.current(home, person)
    if found.notice:
        say(f"calibkit: {found.notice}")
    return dict(found.mapping)


def _newest(
    args: argparse.Namespace, stop: Stop, lines: Lines, kept: tuple[Any, ...]
) -> tuple[Mapping | None, str, Callable[[], Mapping | None]]:
    """The mapping now, what is wrong with it, and how to look for a newer one.

    A worker that was started again may be days younger than the mapping that it was
    given; where that one's successor cannot be read, it still serves. None when told
    to stop before there was one.
    """
    from calibkit.errors import CalibkitError, InputError
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined import wiring_snapshot
    from calibkit.kept import profile

    plain, home, notice = kept
    if args.person is None or home is None:
        return Mapping.from_snapshot(plain), notice, lambda: None

    def active() -> Mapping:
        return Mapping.from_snapshot(_active(home, args.person, lines.say))

    refresh = wiring_snapshot.changed(
        profile.folder(home, args.person) / "current", active
    )
    try:
        newest = active()
        if newest.channels == tuple(plain.get("channels", ())):
            return newest, "", refresh
    except (CalibkitError, OSError) as fault:
        lines.say(f"calibkit: {fault}; going on with the mapping in memory")
    try:
        return Mapping.from_snapshot(plain), notice, refresh
    except InputError as fault:
        lines.say(f"calibkit: {fault}")
    plain, notice = _own(args, home, stop)
    return Mapping.from_snapshot(plain) if plain else None, notice, refresh


def _smoothing(name: str | None, mapping: Mapping) -> Any:
    if name is None:
        return None
    from calibkit import geometry
    from calibkit.live import filters

    width, height = mapping.setup.screen_px
    local = geometry.px_per_degree(mapping.setup, [[width / 2, height / 2]])
    return filters.named(name, float(local.mean()))
