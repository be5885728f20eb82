"""A session's real ends: the stream, the Markers outlet, the window."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CallError
from calibkit.joined import options
from calibkit.kept import lock

if TYPE_CHECKING:
    from calibkit.geometry import Setup
    from calibkit.joined.run_attempt import Attempt
    from calibkit.joined.wiring_source import Steady
    from calibkit.kept.protocol_model import Protocol
    from calibkit.kept.settings import Settings
    from calibkit.panel.beside import Beside
    from calibkit.panel.page import Page
    from calibkit.streams.lsl import GazeInlet, MarkerOutlet, Watch
    from calibkit.streams.lsl_found import Found
    from calibkit.window.screen import Screen

FIND_S = 5.0
LISTENER_S = 5.0
MARKERS = "calibkit-session"


@dataclass(frozen=True, kw_only=True)
class Stream:
    """An open gaze stream that outlives losses, and what it said of itself."""

    source: Steady
    inlet: GazeInlet
    watch: Watch

    def close(self) -> None:
        """Disconnect."""
        self.source.close()
        self.watch.close()


def open_stream(
    source_id: str | None,
    stored: Settings,
    *,
    ask: bool = True,
    calibrated: bool = False,
) -> Stream:
    """Find and open the one stream to use.

    Parameters
    ----------
    source_id : str, optional
    stored : Settings
        Names of channels that were kept.
    ask : bool
        Ask on a terminal where several are in reach.
    calibrated : bool
        One that calibkit publishes, in place of a raw one.

    Raises
    ------
    DeviceError
        When there is none.
    CallError
        When there are several and nobody can be asked.
    """
    from calibkit.joined import wiring_source
    from calibkit.streams import lsl, lsl_found

    there = lsl.find("Gaze", source_id, FIND_S, calibrated=calibrated)
    found = lsl_found.choose(there, source_id, _chooser() if ask else None)
    watch = lsl.Watch("Gaze", source_id or found.source_id or found.name)
    inlet = _connect(found, stored)
    source = wiring_source.Steady(
        inlet,
        found,
        found=watch.found,
        connect=lambda again: _connect(again, stored),
        clock=lsl.clock,
    )
    return Stream(source=source, inlet=inlet, watch=watch)


def _connect(found: Found, stored: Settings) -> GazeInlet:
    from calibkit.streams import lsl

    return lsl.open_gaze(found, stored.names(found.key))


def alone(home: Path, stream: Stream) -> lock.Held | None:
    """Keep other sessions from asking a second person, or one twice, to look.

    Raises
    ------
    CallError
        Another session reads the stream; the message names its process.
    """
    what = stream.inlet.source_id or stream.inlet.name
    path = lock.named(home, "session", what)
    try:
        held = lock.take(path, os.getpid())
    except OSError:
        return None  # the recording will say what is wrong with the disk
    if held is None:
        raise CallError(
            f"process {lock.holder(path) or 'unknown'} holds a session with the "
            f"tracker {what!r} already; end that one first"
        )
    return held


def check_channels(stream: Stream, eyes: str) -> None:
    """Refuse a stream of which nothing can be read, and say how to name its channels.

    Raises
    ------
    CallError
    """
    from calibkit.errors import InputError
    from calibkit.fitted.features import layout

    try:
        layout(stream.source.channels, eyes)
    except InputError as error:
        raise CallError(
            f"stream {stream.inlet.found.label}: {error}; keep names for its channels "
            "with calibkit streams --names FILE"
        ) from None


def _chooser() -> Any:
    if sys.stdin is None or not sys.stdin.isatty():
        return None

    def ask(streams: Sequence[Found]) -> int:
        for number, stream in enumerate(streams, 1):
            options.say(f"  {number}  {stream.label} on {stream.host}")
        answer = options.ask("the number of the stream to use", "--stream")
        if not answer.isdigit() or not 1 <= int(answer) <= len(streams):
            raise CallError(f"{answer!r} is no number of a stream; give --stream")
        return int(answer) - 1

    return ask


def open_markers(session: str, source_id: str) -> MarkerOutlet:
    """Put out the session's Markers; a simulated person is given time to listen."""
    from calibkit.streams import lsl
    from calibkit.streams.lsl_found import RAW

    outlet = lsl.MarkerOutlet(MARKERS, f"{MARKERS}:{session}")
    if source_id.startswith(RAW):
        outlet.wait_for_consumers(LISTENER_S)
    return outlet


def open_screen(args: argparse.Namespace, chosen: Protocol, setup: Setup) -> Screen:
    """Open the client's window, its events stamped by the LSL clock."""
    return screen_for(
        args.protocol,
        chosen,
        setup,
        full=args.window is None,
        pictures=args.pictures,
    )


def screen_for(name: str, chosen: Protocol, setup: Setup, **more: Any) -> Screen:
    """Make the client's screen as a protocol shows it; `more` goes to `Screen`."""
    from calibkit.kept.protocol import picture_paths
    from calibkit.streams import lsl
    from calibkit.window.screen_grid import GridScreen
    from calibkit.window.screen_paint import Shown
    from calibkit.window.sound import Sound

    shown = Shown(
        form=chosen.targets.form,
        pictures=picture_paths(name, chosen) if chosen.targets.pictures else (),
        picture_s=chosen.targets.picture_s,
    )
    sound = Sound() if chosen.pace.cue else None
    return GridScreen(setup, lsl.clock, show=shown, sound=sound, **more)


def open_beside(args: argparse.Namespace, attempt: Attempt) -> Beside | None:
    """Open the operator's view that was asked for, and say where it is.

    Raises
    ------
    CallError, DeviceError
        When the page cannot be served.
    """
    from calibkit.fitted.features import layout
    from calibkit.panel import phrases
    from calibkit.panel.beside import Beside
    from calibkit.panel.board import Board

    if args.operator == "none":
        return None
    keys = {**attempt.protocol.keys.actions(), "escape": "stop"}
    wanted = getattr(args, "actions", keys.values())
    keys = {key: does for key, does in keys.items() if does in wanted}
    options.say(phrases.key_line(keys))
    board = Board(
        attempt.setup,
        layout(attempt.channels, attempt.protocol.data.eyes),
        keys=keys,
        advance=attempt.plan.advance,
    )
    page = _page(args.page_at) if args.operator == "page" else None
    return Beside(board, page, options.say, on_screen=attempt.plan.between)


def _page(place: str) -> Page:
    from calibkit.language import _
    from calibkit.panel.page import LOOPBACK, Page
    from calibkit.streams import lsl

    address, colon, port = place.partition(":")
    if colon and not (port.isdigit() and 0 < int(port) < 65536):
        raise CallError(f"--page-at {place!r} has no port; write ADDRESS:PORT")
    page = Page(lsl.clock, address=address, port=int(port or 0))
    options.say(_("The operator's page: {address}").format(address=page.address))
    if page.host != LOOPBACK:
        options.say(
            _(
                "Anybody in this network who learns the page's address can follow and "
                "steer this session; what it sends is not encrypted."
            )
        )
    return page
