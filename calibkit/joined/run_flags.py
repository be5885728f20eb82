"""The flags that every session with a person takes."""

from __future__ import annotations

import argparse
from pathlib import Path

from calibkit.joined import options


def add_session_flags(parser: argparse.ArgumentParser) -> None:
    """Add the flags that every session with a person takes, and list the keys."""
    from calibkit.kept.protocol import keys_help

    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = "\n".join(["keys of a protocol, for --set:", *keys_help()])
    _add_screen(parser)
    _add_session(parser)
    _add_operator(parser)
    options.add_stream(parser)
    options.add_json(parser)


def _add_screen(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--person", metavar="ID", required=True, help="a code, no name: a-z 0-9 -")
    add(
        "--setup",
        metavar="NAME",
        help="of this person, such as chair or bed: each has a mapping of its own and "
        "keeps --screen-mm and --distance-mm; elsewhere, give --person ID--NAME",
    )
    add("--advance", choices=("gaze", "timer", "key"), help="what ends a target")
    add(
        "--window",
        metavar="WxH",
        type=options.size(200, 100_000, whole=True),
        help="a window of this size in place of the full screen, pixels",
    )
    add(
        "--screen-mm",
        metavar="WxH",
        type=options.size(40, 5000),
        help="size of the picture on the screen (with --window: of the window)",
    )
    add(
        "--distance-mm",
        metavar="D",
        type=options.number(100, 5000, "mm"),
        help="from the eyes to the screen",
    )


def _add_session(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "--pictures",
        metavar="DIR",
        type=Path,
        help="keep a picture of the screen for each target in this folder",
    )
    add(
        "--headless",
        action="store_true",
        help="no window and no stream: a simulated person on a virtual clock",
    )
    options.add_tracker(parser)
    add(
        "--seed",
        type=options.number(0, 2**31 - 1, whole=True),
        help="which simulated person, and the order of targets (default: drawn anew)",
    )
    add(
        "--set",
        dest="changes",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="change a key of the protocol for this session; may be repeated",
    )


def _add_operator(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "--operator",
        choices=("page", "lines", "none"),
        help="the operator's view: a page in a browser, lines in the terminal (the "
        "default, and with a page too), or none",
    )
    add(
        "--page-at",
        metavar="ADDRESS[:PORT]",
        help="with --operator page: serve it at this address of this machine, for "
        "another device's browser (default 127.0.0.1: this machine alone)",
    )
    add(
        "--between",
        action="store_true",
        help="rest after each target, and show the operator's words on the one screen",
    )
    add("--no-check", action="store_true", help="leave the signal check out")
