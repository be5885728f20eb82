"""Around a session: the signal check, the result, and one key that goes back."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from calibkit.errors import CalibkitError
from calibkit.joined import run_words
from calibkit.language import _

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.run_attempt import Attempt, Ends
    from calibkit.joined.run_conclude import Outcome

CHOOSE_S = 120.0
READ_S = 30.0
CLOSE = {"return": "close"}


@contextmanager
def operator(ends: Ends) -> Iterator[None]:
    """Take the operator's view away at the end, whatever happens.

    A failure's sentence is shown there first.
    """
    try:
        yield
    except CalibkitError as error:
        show_result(ends, str(error))
        raise
    finally:
        ends.leave()


@contextmanager
def closing_on_error(ends: Ends) -> Iterator[None]:
    """Let go of screen, stream and markers when a session cannot begin."""
    try:
        yield
    except BaseException:
        ends.close()
        raise


def check_signal(args: argparse.Namespace, attempt: Attempt, ends: Ends) -> None:
    """Hold the signal check, unless the operator left it out."""
    from calibkit.joined import run_check

    if not args.no_check:
        run_check.first(attempt, ends)


def show_old(attempt: Attempt, ends: Ends, old: Mapping | None) -> None:
    """Let the operator see gaze by the mapping in use, where it fits the stream."""
    if old is None or ends.beside is None:
        return
    try:
        old.apply(np.full((1, len(attempt.channels)), np.nan))
    except ValueError:
        return  # made for other channels
    ends.show_gaze(old)


def working(ends: Ends) -> None:
    """Say that the session is over and the result is being worked out."""
    if ends.beside is not None:
        ends.beside.say(_("The session is over. The result is being worked out."))


def show_result(ends: Ends, text: str) -> None:
    """Show words until the operator has read them, or nobody looks any more."""
    if ends.beside is not None:
        title = _("The session is over.")
        ends.beside.offer(title, text.split("\n"), CLOSE, READ_S)


def decide(
    attempt: Attempt, ends: Ends, outcome: Outcome, advice: str
) -> tuple[Outcome, str]:
    """Let the operator decide about a new mapping, where there is something to decide.

    Parameters
    ----------
    attempt : Attempt
    ends : Ends
    outcome : Outcome
    advice : str
        The coach's, shown below the result.

    Returns
    -------
    outcome : Outcome
        With the version as it is in use now.
    decided : {"back", "replace", ""}
        What was decided, if anything was.
    """
    if ends.beside is None:
        return outcome, ""
    words = run_words.outcome(outcome, attempt.person).split("\n")
    if outcome.version is not None and not outcome.version.current:
        words.append(run_words.sentence(run_words.refusal(outcome)))
    words += advice.split("\n")
    choices = {**_choices(attempt, outcome), **CLOSE}
    title = _("The session is over.")
    does = ends.beside.offer(title, words, choices, CHOOSE_S)
    return _done(attempt, outcome, does)


def _choices(attempt: Attempt, outcome: Outcome) -> dict[str, str]:
    from calibkit.kept import profile

    version = outcome.version
    if version is None:
        return {}
    if not version.current:
        return {"u": "replace"}
    there = profile.versions(attempt.home, attempt.person)
    before = [one for one in there if one.number < version.number and not one.fault]
    return {"b": "back"} if before else {}


def _done(attempt: Attempt, outcome: Outcome, does: str) -> tuple[Outcome, str]:
    from calibkit.kept import profile

    version = outcome.version
    if version is None or does not in ("back", "replace"):
        return outcome, ""
    if does == "back":
        profile.rollback(attempt.home, attempt.person)
        return replace(outcome, version=replace(version, current=False)), does
    now = profile.activate(attempt.home, attempt.person, version.number)
    return replace(outcome, version=now), does


def decided(does: str) -> str:
    """Say what the operator decided; "" where nothing was."""
    if does == "back":
        return _("The operator went back: the previous mapping is in use again.")
    if does == "replace":
        return _("The operator put the new mapping into use anyway.")
    return ""
