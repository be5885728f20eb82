"""The gaze streams in reach, what would be read from them, what they do wrong."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options

if TYPE_CHECKING:
    from calibkit.streams.lsl import GazeInlet
    from calibkit.streams.lsl_found import Found
    from calibkit.streams.lsl_report import Sight

SUMMARY = "the gaze streams in reach, and what would be read from them"
LOOK_S, CHECK_S = 1.0, 4.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    parser.add_argument(
        "--check",
        action="store_true",
        help="also say what each stream does wrong and what that costs",
    )
    options.add_stream(parser)
    parser.add_argument(
        "--wait",
        metavar="S",
        type=options.number(0.1, 3600, "s"),
        default=2.0,
        help="look for streams at most so long (default %(default)s)",
    )
    parser.add_argument(
        "--names",
        metavar="FILE",
        type=Path,
        help="keep the names of the stream's channels, from a TOML file",
    )
    parser.add_argument(
        "--screen-px",
        metavar="WxH",
        type=options.size(1, 100_000, whole=True),
        help="keep the screen's size in pixels",
    )
    parser.add_argument(
        "--screen-mm",
        metavar="WxH",
        type=options.size(10, 20_000),
        help="keep the picture's size in millimetres",
    )
    parser.add_argument(
        "--distance-mm",
        metavar="D",
        type=options.number(10, 20_000, "mm"),
        help="keep the distance from the eyes to the screen",
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List the streams."""
    from calibkit.kept import settings
    from calibkit.kept.home import resolve
    from calibkit.streams import lsl, lsl_report

    home = resolve(args.home, create=False)
    found = lsl.find("Gaze", args.stream, args.wait)
    if not found:
        if args.json:
            options.emit_json({"version": 1, "streams": []})
        lsl.choose(found, args.stream)
    if args.names is not None:
        chosen = lsl.choose(found, args.stream)
        _keep_names(resolve(args.home), chosen, args.names)
    _keep_setup(args)
    stored = settings.load(home)
    watched_s = CHECK_S if args.check else LOOK_S
    seen, refused = _watch(found, stored, watched_s)
    rows: list[dict[str, Any]] = []
    for sight in seen:
        row = lsl_report.facts(sight, tuple(stored.setup))
        faults = lsl_report.faults(sight) if args.check else None
        if faults is not None:
            row["check"] = [asdict(fault) for fault in faults]
        rows.append(row)
        if not args.json:
            options.emit(lsl_report.text(row, faults))
    for text in refused:
        options.say(f"calibkit: {text}")
    if args.json:
        options.emit_json({"version": 1, "streams": rows, "refused": refused})
    elif not args.check:
        _complete(args, seen, rows)
    return 0


def _keep_names(home: Path, found: Found, path: Path) -> None:
    from calibkit.kept import settings
    from calibkit.streams import lsl_xml

    channels, origin = settings.read_channel_map(path)
    lsl_xml.named(lsl_xml.unnamed(found.channel_count), lsl_xml.channel_map(channels))
    name = found.source_id or found.name
    where = settings.store_channels(home, name, channels, origin)
    options.say(f"kept the names of the {len(channels)} channels in {where}")


def _keep_setup(args: argparse.Namespace) -> None:
    from calibkit.kept import settings
    from calibkit.kept.home import resolve

    given = {
        name: getattr(args, name)
        for name in ("screen_px", "screen_mm", "distance_mm")
        if getattr(args, name) is not None
    }
    if given:
        where = settings.store_setup(resolve(args.home), given)
        options.say(f"kept {', '.join(given)} in {where}")


def _watch(
    found: Sequence[Found], stored: Any, watched_s: float
) -> tuple[list[Sight], list[str]]:
    """Read all streams side by side for a while; what cannot be read says why."""
    import time

    from calibkit.errors import CalibkitError
    from calibkit.streams import lsl

    inlets: list[GazeInlet] = []
    refused = []
    for one in found:
        try:
            names = stored.names(one.source_id or one.name)
            inlets.append(lsl.open_gaze(one, names))
        except CalibkitError as problem:
            refused.append(str(problem))
    chunks: list[list[tuple[Any, Any, float]]] = [[] for _ in inlets]
    start_s = lsl.clock()
    while inlets and lsl.clock() - start_s < watched_s:
        time.sleep(0.005)
        for inlet, kept in zip(inlets, chunks, strict=True):
            try:
                chunk = inlet.pull()
            except CalibkitError:
                continue  # it went away while being watched: what came is shown
            if len(chunk.time_raw):
                kept.append((chunk.time, chunk.samples, lsl.clock()))
    length_s = lsl.clock() - start_s
    pairs = zip(inlets, chunks, strict=True)
    return [_sight(inlet, kept, length_s) for inlet, kept in pairs], refused


def _sight(
    inlet: GazeInlet, kept: Sequence[tuple[Any, Any, float]], length_s: float
) -> Sight:
    import numpy as np

    from calibkit.streams.lsl_report import Sight

    nothing = np.empty((0, len(inlet.channels)))
    return Sight(
        found=inlet.found,
        channels=inlet.channels,
        setup=inlet.setup,
        described=inlet.described,
        time=np.concatenate([np.empty(0), *[times for times, _, _ in kept]]),
        samples=np.concatenate([nothing, *[samples for _, samples, _ in kept]]),
        arrival=np.concatenate(
            [np.empty(0), *[np.full(len(t), now) for t, _, now in kept]]
        ),
        watched_s=length_s,
    )


def _complete(
    args: argparse.Namespace, seen: Sequence[Sight], rows: Sequence[dict[str, Any]]
) -> None:
    """Ask for what is missing where somebody can answer, else name the flag."""
    for sight, row in zip(seen, rows, strict=True):
        if not row["reads"] and len(rows) == 1 and sys.stdin.isatty():
            _ask_names(args, sight)
        elif not row["reads"]:
            options.say(
                "name the channels: write one [[channels]] table each (label, eye, "
                "type, unit) in a TOML file and give it with --names FILE --stream "
                f"{sight.found.source_id or sight.found.name}"
            )
    missing = sorted({name for row in rows for name in row["missing"]})
    if not missing:
        return
    flags = {name: "--" + name.replace("_", "-") for name in missing}
    if not sys.stdin.isatty() or len(rows) != 1:
        options.say(f"keep what is not known with {', '.join(flags.values())}")
        return
    _ask(args, flags)


def _ask_names(args: argparse.Namespace, sight: Sight) -> None:
    from calibkit.joined import naming
    from calibkit.kept import settings
    from calibkit.kept.home import resolve

    labels = [c.label or f"channel {k}" for k, c in enumerate(sight.channels, 1)]
    channels = naming.ask_channels(labels)
    name = sight.found.source_id or sight.found.name
    where = settings.store_channels(resolve(args.home), name, channels)
    options.say(f"kept the names of the {len(channels)} channels in {where}")


def _ask(args: argparse.Namespace, flags: dict[str, str]) -> None:
    parsers = {
        "screen_px": options.size(1, 100_000, whole=True),
        "screen_mm": options.size(10, 20_000),
        "distance_mm": options.number(10, 20_000, "mm"),
    }
    for name, flag in flags.items():
        answer = options.ask(_QUESTIONS[name], flag)
        try:
            setattr(args, name, parsers[name](answer))
        except argparse.ArgumentTypeError as problem:
            options.say(f"calibkit: {problem}; nothing was kept")
            return
    _keep_setup(args)


_QUESTIONS = {
    "screen_px": "The screen's size in pixels, such as 1920x1080",
    "screen_mm": "The picture's width and height in mm, such as 527x296",
    "distance_mm": "The distance from the eyes to the screen in mm",
}
