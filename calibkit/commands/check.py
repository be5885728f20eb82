"""calibkit check: are the eyes seen, how well, and what to move."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.language import _

if TYPE_CHECKING:
    from calibkit.live.signals_facts import Signal

SUMMARY = "the signal check: are the eyes seen, how well, what to move"
FOR_S = 10.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit check`."""
    add = parser.add_argument
    options.add_for(
        parser,
        1,
        86_400,
        "watch for so long (default %(default)g); Ctrl-C ends it sooner",
        default=FOR_S,
    )
    add("--person", metavar="ID", help="compare with this person's calibration")
    options.add_stream(parser)
    add(
        "--headless",
        action="store_true",
        help="no stream: a simulated person on a virtual clock",
    )
    options.add_tracker(parser)
    add(
        "--kind",
        help="what the simulated person is like, with --headless: "
        "steady, head-mover, sleepy, ... (default steady)",
    )
    add(
        "--seed",
        type=options.number(0, 2**31 - 1, whole=True),
        help="which simulated person, with --headless (default 0)",
    )
    options.add_output(
        parser, "PAGE", "also write the last judgement as a page", required=False
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Watch the stream, say what was found; never forbid to go on."""
    from calibkit import language
    from calibkit.errors import CallError
    from calibkit.kept import home, settings
    from calibkit.kept.profile import check_person

    if args.json:  # what programs read is the same in every language
        language.choose(language.SOURCE)
    options.settle_simulated(args, tracker="pupil-reflex", kind="steady", seed=0)
    if args.headless and args.stream:
        raise CallError("--headless reads no stream; leave out --stream or --headless")
    if args.output is not None:
        options.check_output(args.output, force=args.force)
    if args.person is not None:
        check_person(args.person)
    place = home.resolve(args.home, create=False)
    signal, name = (_simulated if args.headless else _live)(
        args, place, settings.load(place)
    )
    _tell(args, signal, name)
    return 0


def _tell(args: argparse.Namespace, signal: Signal, name: str) -> None:
    from calibkit.joined import check as checking
    from calibkit.kept import disk
    from calibkit.live import signals_words
    from calibkit.report import signal_page

    if args.json:
        options.emit_json({"stream": name, **checking.plain(signal)})
    else:
        options.emit("\n".join(signals_words.lines(signal)))
        options.emit(signals_words.summary(signal))
    if args.output is not None:
        text = signal_page.page(signal, name)
        disk.write_bytes(args.output, text.encode(), overwrite=args.force)
        options.say(_("The page is {path}").format(path=args.output))


def _simulated(args: argparse.Namespace, home: Path, stored: Any) -> tuple[Signal, str]:
    from calibkit import simulation
    from calibkit.joined import check as checking
    from calibkit.joined import run_headless
    from calibkit.joined.run_sitting import HEADLESS

    setup = checking.setup_of(stored.setup, HEADLESS)
    person = simulation.person(
        tracker=args.tracker, kind=args.kind, seed=args.seed, setup=setup
    )
    presenter = run_headless.VirtualPresenter()
    life = person.begin(presenter.time_s)
    stream = checking.Stream(
        source=run_headless.SimulatedSource(life, presenter),
        channels=person.channels,
        setup=setup,
        nominal_rate=person.nominal_rate,
        **_calibrated(args, home, person.channels),
    )
    signal = checking.watch(
        stream, lambda: presenter.time_s, lambda: presenter.step(()), args.for_s
    )
    return signal, f"simulated {args.tracker}"


def _live(args: argparse.Namespace, home: Path, stored: Any) -> tuple[Signal, str]:
    import time

    from calibkit.joined import check as checking
    from calibkit.joined import run_live
    from calibkit.streams import lsl

    stream = run_live.open_stream(args.stream, stored)
    try:
        told = checking.Stream(
            source=stream.source,
            channels=stream.source.channels,
            setup=checking.setup_of(stored.setup, stream.inlet.setup),
            nominal_rate=stream.inlet.nominal_rate,
            **_calibrated(args, home, stream.source.channels),
        )
        end = _Until(lsl.clock)
        tell = checking.Teller(plain=args.json)
        signal = checking.watch(
            told, end.clock, end.guard(lambda: time.sleep(0.01)), args.for_s, tell
        )
    finally:
        stream.close()
    return signal, stream.inlet.name or stream.inlet.source_id


class _Until:
    """A clock that Ctrl-C sets to the end, so that the last judgement is shown."""

    def __init__(self, clock: Any) -> None:
        self._clock, self._ended = clock, False

    def clock(self) -> float:
        return float("inf") if self._ended else float(self._clock())

    def guard(self, wait: Any) -> Any:
        def waiting() -> None:
            try:
                wait()
            except KeyboardInterrupt:
                self._ended = True

        return waiting


def _calibrated(args: argparse.Namespace, home: Path, channels: Any) -> dict[str, Any]:
    """What a person's mapping adds: noise in degrees, and where the head was."""
    if args.person is None:
        return {}
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept import profile
    from calibkit.live.drift_reference import Reference

    mapping = Mapping.from_snapshot(dict(profile.current(home, args.person).mapping))
    if mapping.channels != tuple(f"{c.eye} {c.type}" for c in channels):
        options.say(
            _(
                "The mapping in use reads other channels than this stream's. The check "
                "goes on without it."
            )
        )
        return {}
    text = mapping.source.get("reference", "")
    goals = Reference.from_text(text).goals if text else {}
    return {"gaze": lambda samples: mapping.apply(samples).xy, "goals": goals}
