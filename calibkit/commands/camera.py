"""A camera or a video file as a raw gaze stream."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.joined import options
from calibkit.joined.wiring_stop import Stop, stopping

if TYPE_CHECKING:
    from calibkit.camera.loop import Camera, Tally
    from calibkit.camera.preview import Preview
    from calibkit.camera.preview_words import Told
    from calibkit.camera.sources import Source
    from calibkit.streams.lsl import GazeOutlet

SUMMARY = "a camera or video file as a raw gaze stream"
WAIT_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    add = parser.add_argument
    add(
        "source",
        nargs="?",
        default="0",
        metavar="CAMERA|VIDEO",
        help="a camera's number or a video file (default: camera 0)",
    )
    add(
        "--preview",
        action="store_true",
        help="no stream: say each second whether face, light and distance will do",
    )
    _add_timing(parser)
    _add_camera(parser)
    _add_models(parser)
    options.add_json(parser)


def _add_timing(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "--latency-s",
        metavar="S",
        type=options.number(0, 2, "s"),
        default=0.0,
        help="from light to arrival, as far as known; taken off the stamps (default 0)",
    )
    options.add_for(
        parser,
        0.1,
        1e9,
        "end after so many seconds (default: at the file's end, or when stopped)",
    )
    add(
        "--wait",
        metavar="S",
        type=options.number(0, 1e9, "s"),
        default=WAIT_S,
        help="a video file begins when somebody reads the stream, at the latest after "
        "so long (default %(default)s)",
    )


def _add_camera(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "--size",
        metavar="WxH",
        type=options.size(32, 10_000, whole=True),
        help="ask the camera for pictures of this size, such as 1280x720",
    )
    add(
        "--fps",
        metavar="HZ",
        type=options.number(1, 1000, "Hz"),
        help="ask the camera for so many pictures a second",
    )
    add(
        "--view-deg",
        metavar="DEG",
        type=options.number(10, 170, "degrees"),
        help="how wide the camera sees, from its data sheet (across); gives distances",
    )
    add(
        "--mirrored",
        action="store_true",
        help="the camera mirrors its pictures itself, as some drivers do",
    )


def _add_models(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "--looks",
        type=options.number(2, 5, whole=True),
        default=3,
        help="at each eye in each picture; fewer are faster and less steady (default "
        "%(default)s)",
    )
    add(
        "--runtime",
        choices=("litert", "opencv"),
        help="what runs the models (default: LiteRT where it is installed)",
    )
    add(
        "--get-models",
        action="store_true",
        help="once: have pip download the package with the three models (35 MB), keep "
        "those (4 MB) and end",
    )
    add(
        "--models-from",
        metavar="WHEEL",
        type=Path,
        help="once, without a network: take the models out of this file and end",
    )


def run(args: argparse.Namespace) -> int:
    """Stream, or look, until told to stop."""
    if args.get_models or args.models_from is not None:
        return _get_models(args)
    with stopping() as stop:
        return _run(args, stop)


def _get_models(args: argparse.Namespace) -> int:
    from calibkit.camera import models
    from calibkit.kept.home import resolve

    home = resolve(args.home)
    if args.models_from is not None:
        place = models.take(args.models_from, home)
    else:
        options.say("downloading the package with the models (35 MB)")
        place = models.fetch(home)
    options.say(f"kept {len(models.MODELS)} models in {place}")
    return 0


def _run(args: argparse.Namespace, stop: Stop) -> int:
    from calibkit.camera import loop, preview_words
    from calibkit.streams import lsl

    camera = _camera(args)
    outlet = None
    told = preview_words.Told()
    try:
        if not args.preview:
            outlet = _outlet(args, camera)
            _await_reader(args, outlet, stop)
        camera.queue.start()
        until_s = float("inf") if args.for_s is None else lsl.clock() + args.for_s
        tally = loop.run(
            camera,
            outlet,
            clock=lsl.clock,
            stop=lambda: stop.asked,
            tell=lambda seen: _tell(args, told, seen),
            until_s=until_s,
        )
    finally:
        camera.queue.close()
        if outlet is not None:
            outlet.close()
    _say_tally(tally)
    return 0


def _camera(args: argparse.Namespace) -> Camera:
    """Open everything, so that what is missing is said before anything streams."""
    from calibkit.camera import models, sources
    from calibkit.camera.face import Reader
    from calibkit.camera.loop import Camera
    from calibkit.kept.home import resolve

    source = _source(args)
    try:
        contents = models.load(resolve(args.home, create=False))
        eyes = Reader(contents, args.runtime, args.looks)
    except BaseException:
        source.close()
        raise
    return Camera(
        queue=sources.Newest(source),
        eyes=eyes,
        view_deg=args.view_deg,
        mirrored=args.mirrored,
        latency_s=args.latency_s,
    )


def _source(args: argparse.Namespace) -> Source:
    import time

    from calibkit.camera import sources
    from calibkit.streams import lsl

    if args.source.isdecimal():
        number = int(args.source)
        return sources.Camera(number, lsl.clock, args.size, args.fps)
    return sources.VideoFile(Path(args.source), lsl.clock, time.sleep)


def _outlet(args: argparse.Namespace, camera: Camera) -> GazeOutlet:
    import re

    from calibkit.camera import rows
    from calibkit.streams import lsl
    from calibkit.streams.lsl_found import RAW

    source = camera.queue.source
    plain = re.sub(r"[^a-z0-9]+", "-", Path(source.name).stem.lower()).strip("-")
    name = plain if plain.startswith("camera") else f"camera-{plain or 'file'}"
    about = {
        # Source: XDF "Synchronization" meta-data page. Its offset is what a reader
        # still has to subtract: nothing, as the latency is off the stamps already.
        "synchronization": {"offset_mean": "0", "can_drop_samples": "true"},
        "camera": {
            "source": source.name,
            "expected_fps": f"{source.fps:g}",
            "latency_s": f"{args.latency_s:g}",
            "latency_subtracted": "true",
        },
    }
    channels = rows.channels(args.view_deg)
    options.say(f"streaming {RAW}{name} from {source.name}")
    return lsl.GazeOutlet(name, RAW + name, channels, 0.0, about=about)


def _await_reader(args: argparse.Namespace, outlet: GazeOutlet, stop: Stop) -> None:
    """Let a file wait for whoever wants to see its beginning."""
    import time

    from calibkit.streams import lsl

    end_s = lsl.clock() + (0.0 if args.source.isdecimal() else args.wait)
    while lsl.clock() < end_s and not stop and not outlet.have_consumers():
        time.sleep(0.05)


def _tell(args: argparse.Namespace, told: Told, seen: Preview) -> None:
    """Say what is wrong, and each second all there is in a preview."""
    import json
    from dataclasses import asdict

    from calibkit.camera import preview_words

    found = preview_words.judge(seen)
    if args.json:
        facts = {
            "version": 1,
            **asdict(seen),
            "advice": [asdict(one) for one in found],
        }
        options.emit(json.dumps(options.plain(facts)))
    elif args.preview:
        options.emit(preview_words.lines(seen, found))
    else:
        for text in told.news(found):
            options.say(text)


def _say_tally(tally: Tally) -> None:
    import statistics

    from calibkit.errors import DeviceError

    if not tally.frames:
        raise DeviceError(
            "no picture came; check the camera, or name another video file"
        )
    late_ms = 1000 * statistics.median(tally.late_s)
    options.say(
        f"{tally.frames} frames read, {tally.dropped} dropped, {tally.faceless} with no"
        f" face; {late_ms:.1f} ms from arrival to sample (median)"
    )
