"""A simulated person as a raw gaze stream."""

from __future__ import annotations

import argparse

from calibkit.joined import options
from calibkit.joined.wiring_stop import Stop, stopping

SUMMARY = "a simulated person as a raw gaze stream, who looks at a session's targets"
TRACKERS = ("pupil-reflex", "screen", "webcam")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    from calibkit.simulation.kinds import KINDS

    parser.add_argument(
        "--tracker",
        choices=TRACKERS,
        default="pupil-reflex",
        help="what the simulated tracker measures (default %(default)s)",
    )
    parser.add_argument(
        "--seed",
        type=options.number(0, 2**31 - 1, whole=True),
        default=1,
        help="which person; the same number gives the same one (default %(default)s)",
    )
    parser.add_argument(
        "--kind",
        default="steady",
        help=f"how the person behaves: {', '.join(KINDS)} (default %(default)s)",
    )
    parser.add_argument(
        "--rate",
        metavar="HZ",
        type=options.number(1, 2000, "Hz"),
        help="samples a second (default: 250, 60 or 30 by tracker)",
    )
    options.add_for(
        parser,
        0,
        1e9,
        "end after so many seconds (default: when told to stop)",
    )
    _add_desk(parser)


def _add_desk(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--screen-px",
        metavar="WxH",
        type=options.size(1, 100_000, whole=True),
        default=(1920, 1080),
        help="the screen that the person looks at (default 1920x1080)",
    )
    parser.add_argument(
        "--screen-mm",
        metavar="WxH",
        type=options.size(10, 20_000),
        default=(527.0, 296.0),
        help="its picture's size in millimetres (default 527x296)",
    )
    parser.add_argument(
        "--distance-mm",
        metavar="D",
        type=options.number(10, 20_000, "mm"),
        default=600.0,
        help="from the eyes to the screen (default 600)",
    )


def run(args: argparse.Namespace) -> int:
    """Stream until told to stop."""
    with stopping() as stop:
        return _run(args, stop)


def _run(args: argparse.Namespace, stop: Stop) -> int:
    import time

    from calibkit import simulation
    from calibkit.geometry import Setup
    from calibkit.joined import wiring
    from calibkit.streams import lsl
    from calibkit.streams.lsl_found import RAW

    setup = Setup(
        screen_px=args.screen_px, screen_mm=args.screen_mm, distance_mm=args.distance_mm
    )
    person = simulation.person(
        tracker=args.tracker,
        kind=args.kind,
        seed=args.seed,
        setup=setup,
        rate_hz=args.rate,
    )
    name = f"simulate-{args.tracker}-{args.seed}"
    outlet = lsl.GazeOutlet(
        name,
        RAW + name,
        person.channels,
        person.nominal_rate,
        setup=wiring.source_setup(setup),
    )
    watch = lsl.Watch("Markers")
    ears = wiring.Ears(watch.found, lambda found: lsl.MarkerInlet(found, wait_s=1.0))
    options.say(f"streaming {RAW}{name}; it looks at the targets of any session here")
    start_s = lsl.clock()
    until_s = float("inf") if args.for_s is None else start_s + args.for_s
    wiring.simulate(
        person.begin(start_s, remember=False),
        outlet,
        ears,
        rate_hz=person.rate_hz,
        clock=lsl.clock,
        sleep=time.sleep,
        stop=stop,
        until_s=until_s,
    )
    ears.close()
    outlet.close()
    return 0
