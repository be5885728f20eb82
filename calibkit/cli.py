"""The command line: parse, call one command, print, exit status.

Only the chosen command's module is loaded, and only `--help` loads all of them; none
imports anything heavy at its top.
"""

from __future__ import annotations

import argparse
import keyword
import os
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from types import FrameType, ModuleType
from typing import NoReturn

import calibkit
from calibkit import language
from calibkit.errors import CalibkitError, CallError
from calibkit.joined.options import let_go, say

# In the order of the work, not of the alphabet; the help shows them so.
COMMANDS = (
    "demo",
    "camera",
    "streams",
    "check",
    "calibrate",
    "validate",
    "pointing",
    "fit",
    "share",
    "assess",
    "apply",
    "batch",
    "publish",
    "report",
    "record",
    "replay",
    "simulate",
    "profiles",
    "import",
    "export",
    "doctor",
)


class _Parser(argparse.ArgumentParser):
    """A parser whose refusals are one sentence, raised and not printed."""

    def error(self, message: str) -> NoReturn:
        raise CallError(f"{message}; see {self.prog} --help")


def command_module(name: str) -> ModuleType:
    """Import the module of one command; one that is a word of Python ends in _."""
    ending = "_" if keyword.iskeyword(name) else ""
    return import_module(f"calibkit.commands.{name}{ending}")


def _overview() -> argparse.ArgumentParser:
    lines = [f"  {name:<10} {command_module(name).SUMMARY}" for name in COMMANDS]
    parser = _Parser(
        prog="calibkit",
        usage="calibkit [--version] [--help] COMMAND ...",
        description="Fit a gaze tracker to a person and say how far to trust it.",
        epilog="commands:\n"
        + "\n".join(lines)
        + "\n\nEach command has --help. calibkit is not a medical device.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--version", action="version", version=f"calibkit {calibkit.__version__}"
    )
    return parser


def command_parser(name: str) -> argparse.ArgumentParser:
    """Build the parser of one command."""
    module = command_module(name)
    parser = _Parser(prog=f"calibkit {name}", description=module.SUMMARY)
    module.add_arguments(parser)
    parser.add_argument(
        "--home",
        metavar="DIR",
        type=Path,
        help="where persons and recordings are kept (else CALIBKIT_HOME, else the "
        "platform's data folder)",
    )
    parser.add_argument(
        "--language",
        metavar="CODE",
        help="of the words for people (en, de); JSON stays English",
    )
    return parser


def _dispatch(argv: Sequence[str]) -> int:
    if not argv or argv[0].startswith("-"):
        parser = _overview()
        parser.parse_args(argv)
        if argv:
            raise CallError("no command was given; see calibkit --help")
        say(parser.format_usage().strip())
        raise CallError("no command was given; see calibkit --help")
    name, rest = argv[0], argv[1:]
    if name not in COMMANDS:
        raise CallError(f"{name!r} is not a command; see calibkit --help")
    arguments = command_parser(name).parse_args(rest)
    language.choose(arguments.language)
    return int(command_module(name).run(arguments) or 0)


def _say_warning(message: Warning | str, *_: object) -> None:
    say(f"calibkit: note: {message}")


def _defect(error: Exception) -> int:
    import tempfile

    stamp = time.strftime("%Y%m%d-%H%M%S")
    handle, path = tempfile.mkstemp(prefix=f"calibkit-{stamp}-", suffix=".log")
    with os.fdopen(handle, "w", encoding="utf-8") as log:
        log.write(f"calibkit {calibkit.__version__}, Python {sys.version}\n")
        log.write("".join(traceback.format_exception(error)))
    say(
        f"calibkit: a defect in calibkit stopped this ({type(error).__name__}); what "
        f"was saved before is safe, the details are in {path}"
    )
    return 1


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Parameters
    ----------
    argv : sequence of str, optional
        The arguments; those of the process by default.

    Returns
    -------
    int
        The exit status: 0 done, else as the error says, 130 interrupted.
    """
    try:
        with warnings.catch_warnings():
            # A warning is for the operator too: one sentence, no line of code.
            warnings.showwarning = _say_warning  # type: ignore[assignment]
            return _dispatch(sys.argv[1:] if argv is None else list(argv))
    except CalibkitError as error:
        say(f"calibkit: {error}")
        return error.exit_status
    except KeyboardInterrupt:
        say("calibkit: interrupted")
        return 130
    except BrokenPipeError:
        let_go()  # the reader of our output has gone
        return 0
    except Exception as error:
        return _defect(error)


def entry() -> NoReturn:
    """Run as the `calibkit` program."""
    _hold_handles()
    # Told to end is interrupted, too: what was recorded is kept, the screen restored.
    signal.signal(signal.SIGTERM, _interrupt)
    sys.exit(main())


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _hold_handles() -> None:
    """Give standard handles that were closed somewhere to lead to: nowhere.

    Else the next file opened would take the number, and get what is said.
    """
    for handle in (0, 1, 2):
        try:
            os.fstat(handle)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
            setattr(sys, name, nowhere)
