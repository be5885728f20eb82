"""The gaze streams in reach, what would be read from them, what they do wrong."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.language import _, later

if TYPE_CHECKING:
    from calibkit.streams.lsl import GazeInlet
    from calibkit.streams.lsl_found import Found
    from calibkit.streams.rules import Finding
    from calibkit.streams.sight import Sight

SUMMARY = "the gaze streams in reach, and what would be read from them"
LOOK_S, CHECK_S, STEP_S = 1.0, 5.0, 0.002


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
    options.add_for(
        parser,
        0.5,
        3600,
        f"watch for so long (default {LOOK_S:g}, with --check {CHECK_S:g}); "
        "longer finds rarer faults",
    )
    parser.add_argument(
        "--names",
        metavar="FILE",
        type=Path,
        help="keep the names of the stream's channels, from a TOML file",
    )
    parser.add_argument(
        "--draft",
        metavar="FILE",
        type=Path,
        help="write such a file to be corrected by hand, from the labels and what the "
        "channels send",
    )
    options.add_force(parser)
    _add_setup(parser)
    options.add_json(parser)


def _add_setup(parser: argparse.ArgumentParser) -> None:
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


def run(args: argparse.Namespace) -> int:
    """List the streams."""
    from calibkit import language
    from calibkit.kept import settings
    from calibkit.kept.home import resolve
    from calibkit.streams import lsl, lsl_report

    if args.json:  # what programs read is the same in every language
        language.choose(language.SOURCE)
    if args.draft is not None:
        options.check_output(args.draft, force=args.force)
    home = resolve(args.home, create=False)
    found = lsl.find("Gaze", args.stream, args.wait)
    if not found:
        if args.json:
            options.emit_json({"version": 1, "streams": []})
        lsl.choose(found, args.stream)
    if args.names is not None or args.draft is not None:
        chosen = lsl.choose(found, args.stream)
        if args.names is not None:
            _keep_names(resolve(args.home), chosen, args.names)
    _keep_setup(args)
    stored = settings.load(home)
    watched_s = args.for_s or (CHECK_S if args.check else LOOK_S)
    seen, refused = _watch(found, stored, watched_s)
    rows = [lsl_report.facts(sight) for sight in seen]
    if args.draft is not None and rows:
        _write_draft(args.draft, rows[0])
    checks = [lsl_report.findings(sight, found) for sight in seen]
    _tell(args, rows, checks, refused)
    if not args.json and not args.check and args.draft is None:
        _complete(args, seen, rows)
    return 0


def _tell(
    args: argparse.Namespace,
    rows: Sequence[dict[str, Any]],
    checks: Sequence[Sequence[Finding]],
    refused: Sequence[tuple[Found, str]],
) -> None:
    """Say what was seen, with `--check` also what is wrong."""
    from calibkit.streams import lsl_report

    for row, check in zip(rows, checks, strict=True):
        if args.check:
            row["check"] = [asdict(finding) for finding in check]
        if not args.json:
            options.emit(lsl_report.text(row, check if args.check else None))
    for _one, text in refused:
        options.say(f"calibkit: {text}")
    document = {"version": 1, "streams": rows, "refused": [t for _, t in refused]}
    if args.check:
        document["unusable"] = [_unusable(args, one) for one, _ in refused]
    if args.json:
        options.emit_json(document)


def _unusable(args: argparse.Namespace, one: Found) -> dict[str, Any]:
    from calibkit.streams import lsl_report, rules_said

    check = rules_said.refused(one)
    if not args.json and check:
        options.emit("\n".join([one.label, *lsl_report.finding_lines(check)]))
    rows = [asdict(finding) for finding in check]
    return {"name": one.name, "source_id": one.source_id, "check": rows}


def _keep_names(home: Path, found: Found, path: Path) -> None:
    from calibkit.kept import settings

    names = settings.read_channel_map(path).fitted(found.channel_count)
    where = settings.store_channels(home, found.key, names)
    if names.setup:
        settings.store_setup(home, names.setup)
    _say_kept(len(names.channels), where)
    if found.key != found.source_id:
        words = _(
            "they are kept under the stream's name, {name}: it has no source_id that "
            "stays"
        )
        options.say(words.format(name=found.name))


def _say_kept(count: int, where: Path) -> None:
    words = _("kept the names of the {count} channels in {path}")
    options.say(words.format(count=count, path=where))


def _write_draft(path: Path, row: dict[str, Any]) -> None:
    from calibkit.joined import naming
    from calibkit.kept import disk

    labels = [channel["label"] for channel in row["channels"]]
    ranges = [channel["sends"] for channel in row["channels"]]
    text = naming.draft(labels, ranges)
    disk.write_bytes(path, text.encode(), overwrite=True)
    words = _("wrote {path}; correct it, then: {command}")
    options.say(words.format(path=path, command=f"calibkit streams --names {path}"))


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
        words = _("kept {names} in {path}")
        options.say(words.format(names=", ".join(given), path=where))


def _watch(
    found: Sequence[Found], stored: Any, watched_s: float
) -> tuple[list[Sight], list[tuple[Found, str]]]:
    """Read all streams side by side for a while; what cannot be read says why."""
    import time

    from calibkit.errors import CalibkitError
    from calibkit.streams import lsl

    inlets: list[GazeInlet] = []
    refused: list[tuple[Found, str]] = []
    for one in found:
        try:
            inlets.append(lsl.open_gaze(one, stored.names(one.key)))
        except CalibkitError as problem:
            refused.append((one, str(problem)))
    chunks: list[list[tuple[Any, Any, float]]] = [[] for _ in inlets]
    start_s = lsl.clock()
    while inlets and lsl.clock() - start_s < watched_s:
        time.sleep(STEP_S)
        for inlet, kept in zip(inlets, chunks, strict=True):
            try:
                chunk = inlet.pull()
            except CalibkitError:
                continue  # it went away while being watched: what came is shown
            if len(chunk.time_raw):
                time_s = chunk.time_raw + chunk.correction_s
                kept.append((time_s, chunk.samples, lsl.clock()))
    length_s = lsl.clock() - start_s
    pairs = zip(inlets, chunks, strict=True)
    day_s = time.time() - lsl.clock()
    return [
        _sight(inlet, kept, watched_s=length_s, day_s=day_s, known=stored.setup)
        for inlet, kept in pairs
    ], refused


def _sight(
    inlet: GazeInlet, kept: Sequence[tuple[Any, Any, float]], **more: Any
) -> Sight:
    import numpy as np

    from calibkit.streams.sight import Sight

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
        listed=inlet.said.listed,
        delay_s=inlet.said.delay_s,
        corrections_s=[correction_s for _, correction_s in inlet.history],
        **more,
    )


def _complete(
    args: argparse.Namespace, seen: Sequence[Sight], rows: Sequence[dict[str, Any]]
) -> None:
    """Ask for what is missing where somebody can answer, else name the flag."""
    for sight, row in zip(seen, rows, strict=True):
        if not row["reads"] and len(rows) == 1 and sys.stdin.isatty():
            _ask_names(args, sight)
        elif not row["reads"]:
            which = sight.found.source_id or sight.found.name
            words = _(
                "name the channels once: calibkit streams --draft FILE --stream "
                "{which} writes a TOML file; correct it, then give it with --names "
                "FILE --stream {which}"
            )
            options.say(words.format(which=which))
    missing = [n for n in _QUESTIONS if any(n in row["missing"] for row in rows)]
    if not missing:
        return
    flags = {name: "--" + name.replace("_", "-") for name in missing}
    if not sys.stdin.isatty() or len(rows) != 1:
        words = _("keep what is not known with {flags}")
        options.say(words.format(flags=", ".join(flags.values())))
        return
    _ask(args, flags)


def _ask_names(args: argparse.Namespace, sight: Sight) -> None:
    from calibkit.joined import naming
    from calibkit.kept import settings
    from calibkit.kept.home import resolve

    labels = [c.label or f"channel {k}" for k, c in enumerate(sight.channels, 1)]
    channels = naming.ask_channels(labels)
    where = settings.store_channels(resolve(args.home), sight.found.key, channels)
    _say_kept(len(channels), where)


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
            words = _("{problem}; nothing was kept").format(problem=problem)
            options.say(f"calibkit: {words}")
            return
    _keep_setup(args)


_QUESTIONS = {
    "screen_px": later("The screen's size in pixels, such as 1920x1080"),
    "screen_mm": later("The picture's width and height in mm, such as 527x296"),
    "distance_mm": later("The distance from the eyes to the screen in mm"),
}
