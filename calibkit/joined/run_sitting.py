"""From a command line's flags to a session that can start: person, set-up, ends."""

from __future__ import annotations

import argparse
import secrets
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calibkit.errors import CallError
from calibkit.joined import options
from calibkit.joined.run_attempt import Attempt, Ends
from calibkit.joined.run_setup import Resolved, named, resolve
from calibkit.kept import protocol, records, settings
from calibkit.kept.protocol_model import Protocol
from calibkit.language import _

if TYPE_CHECKING:
    from calibkit.geometry import Setup
    from calibkit.joined.run_live import Stream

# The screen of a simulated person who is given none: a usual 24-inch one.
HEADLESS = {
    "screen_px": (1920, 1080),
    "screen_mm": (527.0, 296.0),
    "distance_mm": 600.0,
}


def prepare(
    args: argparse.Namespace, chosen: Protocol, *, checks_only: bool
) -> tuple[Attempt, Ends]:
    """Check the call, find stream and set-up, open the window.

    Raises
    ------
    CalibkitError
        Whatever is missing or unusable, by its own class.
    """
    from calibkit.kept import home as home_folder
    from calibkit.kept import journal_elsewhere
    from calibkit.kept.profile import check_person

    check_person(args.person)
    options.settle_simulated(args, tracker="pupil-reflex")
    _check_page(args)
    if args.headless:
        _check_headless(args)
    if args.pictures is not None and not args.headless:
        args.pictures.mkdir(parents=True, exist_ok=True)
    for note in protocol.advice(chosen) if not checks_only else ():
        options.say(_("Note: {text}").format(text=note))
    home = home_folder.resolve(args.home)
    for found in journal_elsewhere.recover(home):
        options.say(_("Note: {text}").format(text=found.text))
    make = _headless if args.headless else _live
    return make(args, chosen, home, checks_only)


def _check_page(args: argparse.Namespace) -> None:
    """Refuse an address for a page that nobody asked for; fill in the usual one."""
    if args.page_at is not None and args.operator != "page":
        raise CallError("--page-at is for the operator's page; add --operator page")
    if args.page_at is None:
        args.page_at = "127.0.0.1"


def _check_headless(args: argparse.Namespace) -> None:
    """Refuse what has no sense there."""
    if args.stream:
        raise CallError("--headless reads no stream; leave out --stream or --headless")
    if args.between:
        raise CallError(
            "--between shows an operator words on the one screen, and --headless has "
            "no screen; leave out one of them"
        )


def _flags(args: argparse.Namespace) -> dict[str, Any]:
    return {"screen_mm": args.screen_mm, "distance_mm": args.distance_mm}


def _attempt(
    args: argparse.Namespace,
    chosen: Protocol,
    home: Path,
    found: Resolved,
    checks_only: bool,
    **stream: Any,
) -> Attempt:
    _keep_setup(args, home, found)
    how = {"advance": args.advance, "between": args.between}
    return begun(
        home,
        args.person,
        chosen,
        found.setup,
        seed=args.seed,
        how={**how, "checks_only": checks_only},
        **stream,
    )


def begun(
    home: Path,
    person: str,
    chosen: Protocol,
    setup: Setup,
    *,
    seed: int | None,
    how: dict[str, Any],
    **stream: Any,
) -> Attempt:
    """Make an attempt that starts now; `how` goes to `session_plan.plan`."""
    from calibkit.session.session_plan import plan

    now = datetime.now(UTC)
    rng = np.random.default_rng(secrets.randbits(31) if seed is None else seed)
    return Attempt(
        home=home,
        person=person,
        session=f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(3)}",
        number=len(records.recordings(home, person)) + 1,
        created=now.isoformat(timespec="seconds"),
        protocol=chosen,
        plan=plan(chosen, setup, rng, **how),
        setup=setup,
        **stream,
    )


def _keep_setup(args: argparse.Namespace, home: Path, found: Resolved) -> None:
    """Keep what should not be asked for again, where it belongs."""
    if args.setup is None:
        if found.answers:
            settings.store_setup(home, found.answers)
        return
    kept = named(found, _flags(args))
    if kept:
        settings.store_setup(home, kept, args.person)


def _headless(
    args: argparse.Namespace, chosen: Protocol, home: Path, checks_only: bool
) -> tuple[Attempt, Ends]:
    from calibkit import simulation
    from calibkit.joined import run_headless

    args.seed = secrets.randbits(31) if args.seed is None else args.seed
    found = resolve(
        _flags(args),
        settings.load(home).setup_of(args.person),
        HEADLESS,
        screen_px=args.window,
        background=chosen.targets.background,
    )
    person = simulation.person(tracker=args.tracker, seed=args.seed, setup=found.setup)
    attempt = _attempt(
        args,
        chosen,
        home,
        found,
        checks_only,
        channels=person.channels,
        name=f"simulate-{args.tracker}-{args.seed}",
        source_id=f"calibkit-raw:simulate-{args.tracker}-{args.seed}",
        nominal_rate=person.nominal_rate,
    )
    by_key = (args.advance or chosen.pace.advance) == "key"
    operator = run_headless.Operator(chosen.keys.next, args.seed) if by_key else None
    presenter = run_headless.VirtualPresenter(operator=operator)
    life = person.begin(0.0, session=attempt.number)
    source = run_headless.SimulatedSource(life, presenter)
    markers = run_headless.SimulatedMarkers(life)
    return attempt, Ends(presenter=presenter, source=source, markers=markers)


def _live(
    args: argparse.Namespace, chosen: Protocol, home: Path, checks_only: bool
) -> tuple[Attempt, Ends]:
    from calibkit.joined import run_live
    from calibkit.window import screen

    stored = settings.load(home)
    # The display first: nothing should be asked where nothing can be shown.
    display_px = screen.display_px()
    size_px = _fitting(args.window, display_px)
    stream = run_live.open_stream(args.stream, stored)
    held = None
    try:
        held = run_live.alone(home, stream)
        run_live.check_channels(stream, chosen.data.eyes)
        found = resolve(
            _flags(args),
            stored.setup_of(args.person),
            stream.inlet.setup,
            screen_px=size_px,
            display_px=display_px,
            background=chosen.targets.background,
        )
        attempt, ends = _opened(args, chosen, home, stream, found, checks_only)
        return attempt, replace(ends, held=held)
    except BaseException:
        stream.close()
        if held is not None:
            held.close()
        raise


def _fitting(
    window_px: tuple[int, int] | None, screen_px: tuple[int, int]
) -> tuple[int, int]:
    if window_px is None:
        return screen_px
    if window_px[0] > screen_px[0] or window_px[1] > screen_px[1]:
        raise CallError(
            f"--window {window_px[0]}x{window_px[1]} does not fit on the screen of "
            f"{screen_px[0]} x {screen_px[1]} pixels; choose a smaller one"
        )
    return window_px


def _opened(
    args: argparse.Namespace,
    chosen: Protocol,
    home: Path,
    stream: Stream,
    found: Resolved,
    checks_only: bool,
) -> tuple[Attempt, Ends]:
    from calibkit.joined import run_live

    attempt = _attempt(
        args,
        chosen,
        home,
        found,
        checks_only,
        channels=stream.source.channels,
        name=stream.inlet.name,
        source_id=stream.inlet.source_id,
        nominal_rate=stream.inlet.nominal_rate,
    )
    options.say(_("The person's window is opened; that can take ten seconds."))
    presenter = run_live.open_screen(args, chosen, found.setup)
    beside = None
    try:
        beside = run_live.open_beside(args, attempt)
        markers = run_live.open_markers(attempt.session, attempt.source_id)
        stream.inlet.flush()
    except BaseException:
        presenter.close()
        if beside is not None:
            beside.close()
        raise
    return attempt, Ends(
        presenter=presenter,
        source=stream.source,
        markers=markers,
        tell=None if args.operator == "none" else options.say,
        beside=beside,
    )
