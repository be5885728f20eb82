"""calibkit pointing: ever finer keys, chosen by gaze on the mapping in use."""

from __future__ import annotations

import argparse
import secrets

from calibkit.joined import options
from calibkit.language import SOURCE, _, speaking

SUMMARY = "a trial on ever finer keys: which of them to offer, and with which dwell"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit pointing`."""
    from calibkit.joined.run_flags import add_session_flags

    add_session_flags(parser)
    parser.add_argument(
        "--dwell-s",
        metavar="S",
        type=options.number(0.2, 5.0, "s"),
        default=0.8,
        help="how long a key is looked at to choose it (default %(default)s)",
    )
    # Points are not shown again or left out here; a key is asked for or is not.
    parser.set_defaults(protocol="off-grid", actions=("next", "pause", "stop"))


def run(args: argparse.Namespace) -> int:
    """Hold the trial on the mapping in use, say which keys to offer."""
    from calibkit.errors import CallError, InputError
    from calibkit.joined import run_after, run_conclude, run_pointing, run_sitting
    from calibkit.joined import run_words as said
    from calibkit.kept import home, protocol, setups
    from calibkit.kept.recording import Recording
    from calibkit.session import pointing_words

    args.person = setups.in_setup(args.person, args.setup)
    if args.advance not in (None, "gaze"):
        raise CallError(
            "keys are chosen by gaze in this trial; leave --advance out, or give gaze"
        )
    place = home.resolve(args.home)
    mapping = run_conclude.in_use(place, args.person)
    if mapping is None:
        raise InputError(
            f"no mapping is stored for {args.person} in {place}; run calibkit "
            f"calibrate --person {args.person}"
        )
    stored = run_pointing.checks_in_use(place, args.person)
    checks = None if stored is None else stored.targets
    seed = secrets.randbits(31) if args.seed is None else args.seed
    chosen = protocol.load(args.protocol, args.changes)
    attempt, ends = run_sitting.prepare(args, chosen, checks_only=True)
    attempt = run_pointing.as_pointing(attempt)
    with run_after.operator(ends):
        with run_after.closing_on_error(ends):
            run_pointing.check_fits(mapping, attempt)
            run_after.check_signal(args, attempt, ends)
        path = run_pointing.perform(attempt, ends, mapping, checks, args.dwell_s, seed)
        run_after.working(ends)
        found = run_pointing.result_of(Recording.load(path), mapping, checks)
        words = pointing_words.describe(found)
        run_after.show_result(ends, words)
    grid = {"rows": found.keys.rows, "columns": found.keys.columns}
    more = {**grid, "hits": found.hits, "tries": found.tries}
    run_conclude.add_history(attempt, "pointing", path, more)
    if args.json:
        with speaking(SOURCE):
            words = pointing_words.describe(found)
        about = {**said.about(attempt, path), "mapping": {"id": mapping.id}}
        trial = pointing_words.data(found)
        options.emit_json({**about, "words": words, "pointing": trial})
    else:
        options.emit(words)
        options.say(_("The recording is {path}").format(path=path))
    return 0
