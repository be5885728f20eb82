"""The whole job on a simulated person."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from calibkit.joined import options
from calibkit.language import _

SUMMARY = "the whole job on a simulated person, over a real stream and window"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the flags."""
    parser.add_argument(
        "--tracker",
        choices=("pupil-reflex", "screen", "webcam"),
        default="pupil-reflex",
        help="what the simulated tracker measures (default %(default)s)",
    )
    parser.add_argument(
        "--seed",
        type=options.number(0, 2**31 - 1, whole=True),
        default=7,
        help="which invented person (default %(default)s)",
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Run the demo."""
    import contextlib
    import os

    from calibkit.joined import demo
    from calibkit.window import display

    folder = _folder(args.home)
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with contextlib.ExitStack() as stack:
        if not display.has_display(environment):
            number = stack.enter_context(display.virtual_display())
            environment["DISPLAY"] = number
            said = _("There is no display here; a virtual one runs as {number}.")
            options.say(said.format(number=number))
        options.say(_("Everything goes to {folder}").format(folder=folder))
        found, words = demo.run_demo(
            demo.Demo(
                folder=folder,
                tracker=args.tracker,
                seed=args.seed,
                environment=environment,
            )
        )
    if args.json:
        options.emit_json(found)
    else:
        options.emit(_words(found, words, folder))
    return 0


def _folder(home: Path | None) -> Path:
    from calibkit.kept import home as home_folder

    if home is not None:
        return home_folder.resolve(home)
    number = 1
    while (folder := Path.cwd() / f"calibkit-demo-{number}").exists():
        number += 1
    return home_folder.resolve(folder)


def _words(found: dict[str, Any], words: str, folder: Path) -> str:
    tried = found["tried"]
    return "\n".join(
        [
            "",
            words,
            _(
                "A program asked for {asked} of these keys; the calibrated gaze hit "
                "{hits} of them ({samples} samples came, {valid:.0%} of them valid)."
            ).format(**tried),
            "",
            f"{_('Report'):<12}{found['page']}",
            f"{_('Recording'):<12}{found['recording']}",
            f"{_('Profile'):<12}{folder / 'profiles'}",
            f"{_('Pictures'):<12}{found['pictures']}",
        ]
    )
