"""Raw gaze in, calibrated gaze out, live."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.joined.wiring_stop import Stop, stopping

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.wiring_drift import Beside
    from calibkit.joined.wiring_publish import Edges
    from calibkit.joined.wiring_status import Lines
    from calibkit.live.publisher import Notice
    from calibkit.streams.lsl import Watch
    from calibkit.streams.lsl_found import Found
    from calibkit.streams.lsl_xml import ChannelMap

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
        metavar="NAME",
        help="smooth the gaze: one-euro or look-mean; each costs delay (default: none)",
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
    with stopping() as stop:
        return _run(args, stop)


def _run(args: argparse.Namespace, stop: Stop) -> int:
    from calibkit.joined import wiring_again
    from calibkit.joined.wiring_status import Lines

    mapping, home, notice = _mapping(args, stop)
    if mapping is None:
        return 0
    smoothing, head = _smoothing(args.filter, mapping), os.getpid()
    if wiring_again.possible():
        _load()
        status = wiring_again.again_and_again(options.say)
        if status is not None:
            return status
    lines = Lines(args.json)
    try:
        return _publish(args, stop, lines, (mapping, home, smoothing, head, notice))
    finally:
        lines.close()


def _load() -> None:
    """Import what a worker needs, so that the next one is ready at once."""
    from calibkit.joined import wiring_drift, wiring_publish, wiring_status
    from calibkit.streams import lsl_live

    del wiring_drift, wiring_publish, wiring_status
    lsl_live.load()


def _publish(
    args: argparse.Namespace, stop: Stop, lines: Lines, known: tuple[Any, ...]
) -> int:
    from calibkit.joined import wiring_drift
    from calibkit.streams import lsl

    first, home, smoothing, head, notice = known
    mapping, refresh = _newest(args, first, home, lines)
    notice = notice if mapping is first else ""
    edges = _edges(lines, home, lsl.Watch("Gaze", args.stream), refresh)
    drift = wiring_drift.Beside(
        mapping, edges, lines.say, home, args.person, learn=args.learn
    )
    try:
        return _flow(args, stop, lines, drift, (home, smoothing, head, notice))
    finally:
        drift.close()


def _flow(
    args: argparse.Namespace,
    stop: Stop,
    lines: Lines,
    drift: Beside,
    known: tuple[Any, ...],
) -> int:
    """Wait for the stream, and publish it."""
    from calibkit.joined import wiring_publish
    from calibkit.live.publisher import Notice, Publisher
    from calibkit.streams import lsl

    home, smoothing, head, notice = known
    publisher, edges = Publisher(drift.watcher.mapping, smoothing), drift.joined()
    text = "waiting for a gaze stream on this computer"
    edges.tell(Notice(time_s=lsl.clock(), state="waiting", text=text))
    wait_s = float("inf") if args.wait is None else args.wait
    first = wiring_publish.wait_for_stream(
        edges,
        stop,
        source_id=args.stream,
        wait_s=wait_s,
        known=lambda found: home is not None and wiring_publish.was_read(home, found),
    )
    if first is not None:
        handle = _claim(home, first, head, lines)
        edges = replace(edges, connected=_remembering(edges, handle, head))
        if notice:
            publisher.note(notice, lsl.clock())
        wiring_publish.publish(publisher, first, edges, stop)
    text = "told to stop; calibrated gaze has ended"
    edges.tell(Notice(time_s=lsl.clock(), state="ended", text=text))
    return 0


def _edges(
    lines: Lines,
    home: Path | None,
    watch: Watch,
    refresh: Callable[[], Mapping | None],
) -> Edges:
    """Streams, clock, and all that hear what the publisher does."""
    import time

    from calibkit.joined import wiring_publish, wiring_status
    from calibkit.live.publisher import OUTPUT
    from calibkit.streams import lsl, lsl_live

    status: list[lsl_live.StatusOutlet] = []
    manager = wiring_status.service(os.environ)
    manager("READY=1")

    def outlet(found: Found) -> lsl_live.LiveOutlet:
        status.append(lsl_live.StatusOutlet(found))
        return lsl_live.LiveOutlet(
            f"{found.name}-calibrated",
            wiring_publish.output_id(found.source_id),
            OUTPUT,
            found.rate,
        )

    def tell(notice: Notice) -> None:
        lines.tell(notice)
        manager(f"STATUS=[{notice.state}] {notice.text}")
        for one in status:
            one.push(wiring_status.plain(notice), notice.time_s)

    def beat(facts: dict[str, object]) -> None:
        manager("WATCHDOG=1")
        for one in status:
            one.push(facts, lsl.clock())

    return wiring_publish.Edges(
        found=watch.found,
        connect=lambda found: lsl_live.LiveInlet(
            found, channel_map=_names(home, found, lines), buffer_s=5, chunk=1
        ),
        outlet=outlet,
        clock=lsl_live.clock(),
        sleep=time.sleep,
        tell=tell,
        refresh=refresh,
        beat=beat,
        connected=lambda found: watch.close(),
    )


def _claim(home: Path | None, found: Found, head: int, lines: Lines) -> int | None:
    """Be the only one; the lock goes with the process, and no disk stops the gaze."""
    from calibkit.joined import wiring_publish

    if home is None:
        return None
    try:
        return wiring_publish.claim(home, found, head)
    except OSError as problem:
        lines.say(f"calibkit: no lock in {home} ({problem.strerror}); going on")
        return None


def _remembering(
    edges: Edges, handle: int | None, head: int
) -> Callable[[Found], None]:
    from calibkit.joined import wiring_publish

    def connected(found: Found) -> None:
        edges.connected(found)
        if handle is not None:
            wiring_publish.remember(handle, found, head)

    return connected


def _mapping(
    args: argparse.Namespace, stop: Stop
) -> tuple[Mapping | None, Path | None, str]:
    """The mapping to begin with, the home folder, and what is wrong with the mapping.

    None instead of a mapping when told to stop before there was one.
    """
    from calibkit.errors import InputError, StorageError
    from calibkit.fitted.mapping import Mapping
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
        return Mapping.from_snapshot(wiring_snapshot.read(args.mapping)), home, ""
    try:
        return _active(home, args.person, options.say), home, ""
    except InputError as fault:
        if not profile.versions(home, args.person):
            raise  # nobody of that id
        options.say(f"calibkit: {fault}")
    mapping, notice = _own(args, home, stop)
    return mapping, home, notice


def _own(
    args: argparse.Namespace, home: Path, stop: Stop
) -> tuple[Mapping | None, str]:
    """What the tracker says by itself: better than no voice, and told loudly."""
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined import wiring_own, wiring_status

    manager = wiring_status.service(os.environ)

    def alive() -> None:
        manager("READY=1")
        manager("WATCHDOG=1")

    plain = wiring_own.mapping(
        args.stream,
        home,
        args.person,
        wait_s=float("inf") if args.wait is None else args.wait,
        stop=stop,
        tell=lambda text: options.say(f"calibkit: {text}"),
        alive=alive,
    )
    if plain is None:
        return None, ""
    options.say(f"calibkit: {wiring_own.WORDS}")
    return Mapping.from_snapshot(plain), wiring_own.WORDS


def _active(home: Path, person: str, say: Callable[[str], object]) -> Mapping:
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept import profile

    found = profile.current(home, person)
    if found.notice:
        say(f"calibkit: {found.notice}")
    return Mapping.from_snapshot(dict(found.mapping))


def _newest(
    args: argparse.Namespace, mapping: Mapping, home: Path | None, lines: Lines
) -> tuple[Mapping, Callable[[], Mapping | None]]:
    """The mapping now, and a way to look for a newer one.

    A worker that was started again may be days younger than the mapping that it was
    given; where that one's successor cannot be read, it still serves.
    """
    from calibkit.errors import CalibkitError
    from calibkit.kept import profile

    if args.person is None or home is None:
        return mapping, lambda: None
    refresh = changed(
        profile.folder(home, args.person) / "current",
        lambda: _active(home, args.person, lines.say),
    )
    try:
        newest = _active(home, args.person, lines.say)
    except (CalibkitError, OSError) as fault:
        lines.say(f"calibkit: {fault}; going on with the mapping in memory")
        return mapping, refresh
    fits = list(newest.channels) == list(mapping.channels)
    return newest if fits else mapping, refresh


def changed(
    pointer: Path, active: Callable[[], Mapping]
) -> Callable[[], Mapping | None]:
    """Return a function that loads the mapping again when the pointer was replaced."""

    def mark() -> tuple[int, int] | None:
        try:
            found = pointer.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    last = mark()

    def refresh() -> Mapping | None:
        nonlocal last
        now = mark()
        if now is None or now == last:
            return None
        last = now
        return active()

    return refresh


def _smoothing(name: str | None, mapping: Mapping) -> Any:
    from calibkit import geometry
    from calibkit.live import filters

    if name is None:
        return None
    width, height = mapping.setup.screen_px
    local = geometry.px_per_degree(mapping.setup, [[width / 2, height / 2]])
    return filters.named(name, float(local.mean()))


def _names(home: Path | None, found: Found, lines: Lines) -> ChannelMap | None:
    """The user's names for a stream's channels; a damaged file costs only these."""
    from calibkit.errors import CalibkitError
    from calibkit.kept import settings

    if home is None:
        return None
    try:
        return settings.load(home).names(found.key)
    except CalibkitError as problem:
        lines.say(f"calibkit: {problem}; going on without stored channel names")
        return None
