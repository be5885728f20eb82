"""What commands share: flags, value parsers, and the two ways to speak.

Data goes to standard output, everything else to standard error. Nothing is asked when
standard input is not a terminal.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from calibkit.errors import CallError, StorageError
from calibkit.language import _


def say(text: str, *, end: str = "\n") -> None:
    """Print a line for people, to standard error; a closed one is no reason to stop."""
    try:
        print(text, file=sys.stderr, end=end, flush=True)
    except (OSError, ValueError):
        return


def emit(text: str) -> None:
    """Print data to standard output, whatever its encoding can show.

    Raises
    ------
    StorageError
        When it leads to a file that cannot be written, on a full disk for instance.
    """
    encoding = sys.stdout.encoding or "utf-8"
    shown = text.encode(encoding, "backslashreplace").decode(encoding)
    try:
        print(shown, flush=True)
    except BrokenPipeError:
        raise
    except OSError as error:
        let_go()
        raise StorageError(
            f"standard output cannot be written: {error.strerror}; free some space, or "
            "send it elsewhere"
        ) from error


def let_go() -> None:
    """Turn standard output to nowhere: a second failure at the end would be noise."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def emit_json(value: Any) -> None:
    """Print one JSON document to standard output; what is not finite becomes null."""
    emit(json.dumps(plain(value), indent=2, allow_nan=False))


def plain(value: Any) -> Any:
    """Turn arrays, tuples and non-finite numbers into what JSON can hold."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return str(value) if isinstance(value, Path) else value


def ask(question: str, flag: str) -> str:
    """Ask the operator, or say which flag answers the question.

    A question that is marked for translation is put in the language that is spoken.

    Raises
    ------
    CallError
        When standard input is not a terminal, or nothing was answered.
    """
    if sys.stdin is None or not sys.stdin.isatty():
        raise CallError(f"{question} is not known; give it with {flag}")
    print(f"{_(question)}? ({flag}) ", file=sys.stderr, end="", flush=True)
    answer = sys.stdin.readline().strip()
    if not answer:
        raise CallError(f"{question} is not known; give it with {flag}")
    return answer


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add `--json`."""
    parser.add_argument(
        "--json", action="store_true", help="print the result as JSON, for programs"
    )


def add_force(parser: argparse.ArgumentParser) -> None:
    """Add `--force`."""
    parser.add_argument(
        "--force", action="store_true", help="replace an output that exists already"
    )


def add_stream(parser: argparse.ArgumentParser) -> None:
    """Add `--stream`."""
    parser.add_argument(
        "--stream",
        metavar="SOURCE_ID",
        help="which stream to read, where several are in reach",
    )


def add_for(
    parser: argparse.ArgumentParser,
    low_s: float,
    high_s: float,
    what: str,
    *,
    default: float | None = None,
) -> None:
    """Add `--for`, how long; read as `for_s`."""
    parser.add_argument(
        "--for",
        dest="for_s",
        metavar="S",
        type=number(low_s, high_s, "s"),
        default=default,
        help=what,
    )


def add_output(
    parser: argparse.ArgumentParser, metavar: str, what: str, *, required: bool = True
) -> None:
    """Add `-o/--output` and `--force`."""
    parser.add_argument(
        "-o", "--output", metavar=metavar, type=Path, required=required, help=what
    )
    add_force(parser)


def add_data(parser: argparse.ArgumentParser) -> None:
    """Add which data of a recording count: `--eyes`, `--extra`, `--min-confidence`."""
    parser.add_argument(
        "--eyes",
        choices=("both", "left", "right"),
        default="both",
        help="which eyes to use",
    )
    parser.add_argument(
        "--extra",
        action="append",
        default=[],
        metavar="LABEL",
        help="label of a further channel to use; may be repeated",
    )
    parser.add_argument(
        "--min-confidence",
        type=number(0, 1),
        metavar="C",
        help="samples with less confidence count as missing (default: as each "
        "recording's protocol says)",
    )


def add_tracker(parser: argparse.ArgumentParser) -> None:
    """Add `--tracker`, the simulated person's."""
    parser.add_argument(
        "--tracker",
        choices=("pupil-reflex", "screen", "webcam"),
        help="the simulated person's tracker, with --headless (default pupil-reflex)",
    )


def settle_simulated(args: argparse.Namespace, **usual: Any) -> None:
    """Fill in what a simulated person is like; refuse it where a real one is meant.

    Parameters
    ----------
    args : namespace
        Changed in place.
    usual : values by flag
        What is taken where nothing was given.

    Raises
    ------
    CallError
        When such a flag was given without --headless.
    """
    for name, value in usual.items():
        given = getattr(args, name)
        if given is not None and not args.headless:
            raise CallError(
                f"--{name} is for a simulated person; add --headless, or leave it out "
                "to read the real stream"
            )
        if given is None:
            setattr(args, name, value)


def add_reliability(parser: argparse.ArgumentParser) -> None:
    """Add `--reliability`."""
    parser.add_argument(
        "--reliability",
        type=number(0.5, 0.999),
        default=0.95,
        metavar="P",
        help="how surely a look must land on its key (0.95 by default)",
    )


def add_whose(parser: argparse.ArgumentParser, source: str) -> None:
    """Add whose gaze it is and before which screen, where the source says neither."""
    parser.add_argument(
        "--person", metavar="ID", default="", help="whose gaze it is; a code, no name"
    )
    parser.add_argument(
        "--screen-px",
        metavar="WxH",
        type=size(1, 100_000, whole=True),
        help=f"the screen's size in pixels, where the {source} does not say it",
    )
    parser.add_argument(
        "--screen-mm",
        metavar="WxH",
        type=size(10, 20_000),
        help="its picture's size in millimetres",
    )
    parser.add_argument(
        "--distance-mm",
        metavar="D",
        type=number(10, 20_000, "mm"),
        help="from the eyes to the screen",
    )


def check_output(path: Path, *, force: bool) -> None:
    """Refuse an output that exists or cannot be written, before any work is done.

    Raises
    ------
    CallError
        When the output exists and `--force` was not given, or it is a folder.
    StorageError
        When its folder is missing.
    """
    if path.is_dir():
        raise CallError(f"{path} is a folder; name a file in it")
    if path.exists() and not force:
        raise CallError(f"{path} exists already; add --force to replace it")
    if not path.parent.is_dir():
        raise StorageError(f"the folder {path.parent} does not exist; make it first")


def spare(output: Path, *inputs: Path | None) -> None:
    """Refuse an output that is an input or a folder above one, `--force` or not.

    Raises
    ------
    CallError
        When it would take the place of what is read.
    """
    for path in inputs:
        if path is None:
            continue
        place = path.resolve()
        if _same(output, place):
            raise CallError(f"{output} is also read; name another output")
        if any(_same(output, above) for above in place.parents):
            raise CallError(f"{output} is where {path} lies; name another output")


def once(paths: Sequence[Path], hashes: Sequence[str]) -> list[int]:
    """Say which files to take: the same looks twice are not twice as many.

    Parameters
    ----------
    paths : sequence of path
    hashes : sequence of str
        Of their contents.

    Returns
    -------
    list of int
        The places of those that differ.
    """
    first: dict[str, int] = {}
    for k, content in enumerate(hashes):
        if first.setdefault(content, k) != k:
            same = paths[first[content]]
            say(f"note: {paths[k]} is the same as {same} and counts once")
    return list(first.values())


def _same(one: Path, other: Path) -> bool:
    """Whether two names are one file, also by a link or in another case."""
    if one.exists() and other.exists():
        return one.samefile(other)
    return one.resolve() == other.resolve()


def number(
    low: float, high: float, unit: str = "", *, whole: bool = False
) -> Callable[[str], Any]:
    """Make a parser of a number between two limits, for argparse's `type`."""
    kind = "a whole number" if whole else "a number"

    def parse(text: str) -> float | int:
        try:
            value = int(text) if whole else float(text)
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and low <= value <= high):
            raise argparse.ArgumentTypeError(
                f"{text!r} is not {kind} from {low:.10g} to {high:.10g} {unit}".rstrip()
            )
        return value

    return parse


def size(low: float, high: float, *, whole: bool = False) -> Callable[[str], Any]:
    """Make a parser of WxH, such as 1280x720, for argparse's `type`."""
    one = number(low, high, whole=whole)

    def parse(text: str) -> tuple[Any, Any]:
        parts = text.lower().replace("×", "x").split("x")
        if len(parts) != 2:
            raise argparse.ArgumentTypeError(
                f"{text!r} is not a width and a height; write it like 520x290"
            )
        return one(parts[0]), one(parts[1])

    return parse
