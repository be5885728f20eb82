"""calibkit validate: check points on the mapping in use."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING

from calibkit.joined import options
from calibkit.language import SOURCE, _, speaking

if TYPE_CHECKING:
    from calibkit.judged.assess_figures import Assessment
    from calibkit.judged.keys import UsableKeys
    from calibkit.judged.still_fits import Fit

SUMMARY = (
    "check targets on a person's mapping: does it still fit, how far to trust it today"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit validate`."""
    from calibkit.joined.run_flags import add_session_flags

    add_session_flags(parser)
    parser.add_argument(
        "--protocol",
        metavar="NAME|FILE",
        default="off-grid",
        help="check targets of this protocol, or that follow it (default %(default)s)",
    )


def run(args: argparse.Namespace) -> int:
    """Show the check points, judge the mapping in use, say what was found."""
    from calibkit.errors import InputError
    from calibkit.joined import (
        run_after,
        run_attempt,
        run_conclude,
        run_pointing,
        run_sitting,
        run_words,
    )
    from calibkit.judged import still_fits
    from calibkit.kept import home, protocol, setups
    from calibkit.kept.recording import Recording

    args.person = setups.in_setup(args.person, args.setup)
    chosen = protocol.load(args.protocol, args.changes)
    place = home.resolve(args.home)
    mapping = run_conclude.in_use(place, args.person)
    if mapping is None:
        raise InputError(
            f"no mapping is stored for {args.person} in {place}; run calibkit "
            f"calibrate --person {args.person}"
        )
    attempt, ends = run_sitting.prepare(args, chosen, checks_only=True)
    with run_after.operator(ends):
        with run_after.closing_on_error(ends):
            run_after.check_signal(args, attempt, ends)
        path = run_attempt.perform(attempt, ends, known=mapping)
        run_after.working(ends)
        rec = Recording.load(path)
        mapping.check(rec)
        result, keys = run_conclude.checked(mapping, rec)
        then = run_pointing.checks_in_use(place, args.person)
        fit = still_fits.compare(result, then)
        words = _words(result, keys, fit)
        run_after.show_result(ends, words)
    more = {**run_conclude.figures(result), **run_conclude.key_figures(keys)}
    run_conclude.add_history(attempt, "validation", path, more)
    if args.json:
        with speaking(SOURCE):
            words = _words(result, keys, fit)
        found = {"result": run_words.result(result), "keys": run_words.keys(keys)}
        since = {"since": None if fit is None else asdict(fit)}
        about = {**run_words.about(attempt, path), "words": words}
        options.emit_json({**about, "mapping": {"id": mapping.id}, **found, **since})
    else:
        options.emit(words)
        options.say(_("The recording is {path}").format(path=path))
    return 0


def _words(result: Assessment | None, keys: UsableKeys | None, fit: Fit | None) -> str:
    from calibkit.joined import run_words
    from calibkit.judged import still_fits

    lines = [run_words.validation(result, keys), still_fits.said(fit)]
    return "\n".join(line for line in lines if line)
