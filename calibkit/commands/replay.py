"""A recording as a live raw gaze stream."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.joined import options
from calibkit.joined.wiring_stop import Stop, stopping

if TYPE_CHECKING:
    from calibkit.streams.lsl import GazeOutlet

SUMMARY = "a recording file as a live stream, with its original channels"
LINGER_S = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    parser.add_argument("recording", metavar="REC", type=Path, help="a recording file")
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--once", action="store_true", help="play it once and end (the default)"
    )
    how.add_argument(
        "--loop", action="store_true", help="play it again and again, until stopped"
    )
    how.add_argument(
        "--fast", action="store_true", help="send all at once, for programs under test"
    )
    parser.add_argument(
        "--wait",
        metavar="S",
        type=options.number(0, 1e9, "s"),
        default=5.0,
        help="wait at most so long for a listener before starting (default 5)",
    )


def run(args: argparse.Namespace) -> int:
    """Play the recording."""
    with stopping() as stop:
        return _run(args, stop)


def _run(args: argparse.Namespace, stop: Stop) -> int:
    import time

    import numpy as np

    from calibkit.errors import InputError
    from calibkit.joined import wiring
    from calibkit.kept.recording import Recording
    from calibkit.streams import lsl

    recording = Recording.load(args.recording)
    if not np.isfinite(recording.time).any():
        raise InputError(f"{args.recording} holds no gaze; choose another recording")
    source_id = wiring.replay_id(recording.source_id)
    outlet = lsl.GazeOutlet(
        source_id.removeprefix("calibkit-raw:"),
        source_id,
        recording.channels,
        recording.nominal_rate,
        setup=wiring.source_setup(recording.setup),
    )
    options.say(f"{source_id} is ready; waiting up to {args.wait:g} s for a listener")
    _await_listener(outlet, args.wait, stop)
    sent = wiring.replay(
        recording.time,
        np.asarray(recording.samples, float),
        outlet,
        clock=lsl.clock,
        sleep=time.sleep,
        stop=stop,
        loop=args.loop,
        fast=args.fast,
    )
    if not stop and outlet.have_consumers():
        time.sleep(LINGER_S)  # what was sent last is still on its way
    outlet.close()
    options.say(f"sent {sent} samples")
    return 0


def _await_listener(outlet: GazeOutlet, wait_s: float, stop: Stop) -> None:
    import time

    from calibkit.streams import lsl

    end_s = lsl.clock() + wait_s
    while not (stop or outlet.have_consumers() or lsl.clock() >= end_s):
        time.sleep(0.02)
