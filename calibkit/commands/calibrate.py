"""calibkit calibrate: a session with a person, and the mapping that it gives."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.joined import options
from calibkit.language import SOURCE, _, speaking

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.run_attempt import Attempt, Prior
    from calibkit.joined.run_coach import Coached
    from calibkit.joined.run_conclude import Outcome
    from calibkit.kept.protocol_model import Protocol

SUMMARY = "a session with a person: targets, a mapping, and how far to trust it"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit calibrate`."""
    from calibkit.joined.run_flags import add_session_flags

    add_session_flags(parser)
    parser.add_argument(
        "--protocol",
        metavar="NAME|FILE",
        default="standard",
        help="a shipped protocol's name, or a TOML file (default %(default)s)",
    )
    parser.add_argument(
        "--shared",
        metavar="FILE",
        help="a shared mapping to start from, 'own' for the person's mapping in use, "
        "or starter-pupil-reflex, starter-screen, starter-webcam (simulated people)",
    )
    parser.add_argument(
        "--replace",
        action="store_true",
        help="put a sound new mapping into use even where it checks worse",
    )


def run(args: argparse.Namespace) -> int:
    """Hold the session, fit, validate, store, say what was found."""
    from calibkit.errors import CallError
    from calibkit.joined import run_conclude
    from calibkit.kept import home, protocol, setups

    args.person = setups.in_setup(args.person, args.setup)
    chosen = protocol.load(args.protocol, args.changes)
    if chosen.protocol.role != "calibration":
        raise CallError(
            f"the protocol {chosen.name!r} only checks a mapping; use it with "
            f"calibkit validate --person {args.person}"
        )
    old = run_conclude.in_use(home.resolve(args.home), args.person)
    _sit(args, chosen, _prior(args.shared, chosen, old), old)
    return 0


def _sit(
    args: argparse.Namespace, chosen: Protocol, prior: Prior, old: Mapping | None
) -> None:
    from calibkit.joined import (
        run_after,
        run_attempt,
        run_coach,
        run_conclude,
        run_sitting,
    )
    from calibkit.kept.recording import Recording

    attempt, ends = run_sitting.prepare(args, chosen, checks_only=False)
    with run_after.operator(ends):
        with run_after.closing_on_error(ends):
            run_attempt.check_prior(attempt, prior)
            run_after.check_signal(args, attempt, ends)
        run_after.show_old(attempt, ends, old)
        path = run_attempt.perform(attempt, ends, prior)
        run_after.working(ends)
        rec = Recording.load(path)
        outcome = run_conclude.conclude(
            attempt, rec, path, prior, old, replace=args.replace
        )
        coached = run_coach.coached(attempt, outcome, rec)
        outcome, does = run_after.decide(attempt, ends, outcome, coached.words())
    _tell(args, attempt, outcome, coached, path, does)


def _prior(shared: str | None, chosen: Protocol, old: Mapping | None) -> Prior:
    """What the fit starts from: what was named, else the own mapping if it must."""
    from calibkit.errors import CallError
    from calibkit.fitted.fitting import load_prior
    from calibkit.kept.protocol import is_short

    if shared == "own":
        if old is None:
            raise CallError(
                "--shared own needs a mapping of this person in use, and there is "
                "none; calibrate without it first"
            )
        return old
    if shared is not None:
        return load_prior(Path(shared))
    return old if is_short(chosen) else None


def _tell(
    args: argparse.Namespace,
    attempt: Attempt,
    outcome: Outcome,
    coached: Coached,
    path: Path,
    does: str,
) -> None:
    from calibkit.errors import NotGoodEnoughError
    from calibkit.joined import run_coach, run_conclude, run_words

    kept = bool(outcome.version and outcome.version.current)
    more = {
        **run_conclude.figures(outcome.result),
        **run_conclude.key_figures(outcome.keys),
        "kept": kept,
        "version": outcome.version.number if outcome.version else None,
        "advised": run_coach.keys(coached.advice()),
    }
    run_conclude.add_history(attempt, "calibration", path, more)
    if args.json:
        with speaking(SOURCE):
            words = _words(attempt, outcome, coached, does)
        told = _data(attempt, outcome, path, words)
        options.emit_json({**told, "advice": coached.data()})
    else:
        options.emit(_words(attempt, outcome, coached, does))
        options.say(_("The recording is {path}").format(path=path))
    if not kept and not does:
        raise NotGoodEnoughError(run_words.refusal(outcome))


def _words(attempt: Attempt, outcome: Outcome, coached: Coached, does: str) -> str:
    from calibkit.joined import run_after, run_words

    gave = run_words.outcome(outcome, attempt.person)
    lines = [gave, run_after.decided(does), coached.words()]
    return "\n".join(filter(None, lines))


def _data(attempt: Attempt, outcome: Outcome, path: Path, words: str) -> dict[str, Any]:
    from calibkit.fitted.fitting import predicted_sd_deg
    from calibkit.joined import run_words

    version = outcome.version
    return {
        **run_words.about(attempt, path),
        "words": words,
        "mapping": {
            "id": outcome.mapping.id,
            "version": version.number if version else None,
            "in_use": bool(version and version.current),
            "fault": outcome.fault,
            "worse_probability": outcome.worse,
            "predicted_sd_deg": predicted_sd_deg(outcome.mapping),
            "looks": run_words.rows(outcome.mapping.looks),
            "notes": list(outcome.mapping.notes),
        },
        "result": run_words.result(outcome.result),
        "keys": run_words.keys(outcome.keys),
    }
