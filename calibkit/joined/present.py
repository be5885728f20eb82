"""A session inside somebody's experiment: in their window, between their trials."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CallError
from calibkit.joined import present_gaze, present_plan, present_setup
from calibkit.joined.present_plan import Wanted
from calibkit.kept import home as home_folder
from calibkit.kept import journal_elsewhere, settings
from calibkit.kept.protocol_model import Protocol
from calibkit.kept.recording import Recording

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.fitted.shared import SharedMapping
    from calibkit.joined.present_gaze import GazeEnd
    from calibkit.joined.run import Presenter
    from calibkit.joined.run_attempt import Attempt
    from calibkit.judged.assess_figures import Assessment
    from calibkit.judged.keys import UsableKeys

_log = logging.getLogger("calibkit")


@dataclass(frozen=True, kw_only=True, eq=False)
class Presented:
    """What a session in an experiment gave.

    Parameters
    ----------
    accepted : bool
        Calibration: the mapping is sound and not clearly worse than the one before.
        Checks: gaze was seen. In both, accuracy is within `within_deg`, if given.
    words : str
        The same in plain sentences.
    mapping : Mapping
        The new one, or the one that was checked; `mapping.apply(samples)`.
    result : Assessment or None
        Figures at the check points; None where there were none.
    keys : UsableKeys or None
    recording : Recording
        Raw samples and targets of this session.
    path : Path
        Its file.
    """

    accepted: bool
    words: str
    mapping: Mapping = field(repr=False)
    result: Assessment | None = field(repr=False)
    keys: UsableKeys | None = field(repr=False)
    recording: Recording = field(repr=False)
    path: Path

    @property
    def accuracy_deg(self) -> float:
        """Mean error at the check points, degrees; NaN where there were none."""
        return float("nan") if self.result is None else float(self.result.accuracy_deg)


def present(
    protocol: str | Path | Protocol | None = None,
    *,
    win: Any = None,
    gaze: Any = None,
    do: str = "calibrate",
    person: str | None = None,
    mapping: Mapping | str | Path | None = None,
    shared: SharedMapping | Mapping | str | Path | None = None,
    within_deg: float | None = None,
    screen_mm: tuple[float, float] | None = None,
    distance_mm: float | None = None,
    advance: str | None = None,
    seed: int | None = None,
    home: str | Path | None = None,
    pictures: str | Path | None = None,
    tell: Callable[[str], None] | None = None,
) -> Presented:
    """Hold a session in an experiment's window, and hand the window back as it was.

    Parameters
    ----------
    protocol : str, path or Protocol, optional
        A shipped protocol's name, a TOML file, or one that is loaded. By default
        `standard` to calibrate, `off-grid` to validate, `offset` for one point.
    win : psychopy Window, optional
        An open pyglet window, in any units; without it a full-screen one is opened.
    gaze : str, inlet or simulated person, optional
        The source_id of a stream; None takes the only one in reach. An open inlet,
        calibkit's or pylsl's, stays open. A person of `calibkit.simulation` needs no
        stream.
    do : {"calibrate", "validate", "one-point"}
        Fit a mapping and check it; check a mapping at the protocol's check points; or
        check it at the protocol's first point alone.
    person : str, optional
        A code: the mapping is kept for this person and compared with the one in use.
        Without it no mapping is kept, and recordings go to "unnamed".
    mapping : Mapping or path, optional
        To check, or to compare with; the person's mapping in use by default.
    shared : SharedMapping, Mapping or path, optional
        What a fit starts from.
    within_deg : float, optional
        Not accepted when the mean error at the check points is larger.
    screen_mm, distance_mm : pair of float, float, optional
        Of the window's picture, and from the eyes to it. Else what calibkit or
        PsychoPy's Monitor Centre has stored, or the stream says.
    advance : {"gaze", "timer", "key"}, optional
        What ends a point; by default the protocol's.
    seed : int, optional
        Fixes the order of points and the gaps.
    home : path, optional
        Where calibkit keeps what it stores.
    pictures : path, optional
        Folder for a picture of the window at each target.
    tell : callable, optional
        Gets a line whenever something happens; by default the log "calibkit" does.

    Returns
    -------
    Presented

    Raises
    ------
    CallError
        A parameter is unusable, or the screen's size is not known.
    InputError
        A protocol, mapping or recording is unusable, or nothing can be fitted.
    DeviceError
        No display or stream, or one was lost; what was recorded is kept.
    StoppedError
        Stopped by the escape key; what was recorded is kept, the window is usable.

    Notes
    -----
    What was drawn in the window and not yet flipped is lost. Keys of the session do not
    reach `psychopy.event`; a `psychopy.hardware.keyboard.Keyboard` hears keys by
    itself, so clear its events before the next trial.
    """
    wanted = present_plan.chosen(
        protocol, do, person, mapping, shared, within_deg, home_folder.resolve(home)
    )
    say = tell or _log.info
    for found in journal_elsewhere.recover(wanted.home):
        say(found.text)
    given = {"screen_mm": screen_mm, "distance_mm": distance_mm}
    how = {"advance": advance, "checks_only": do != "calibrate"}
    if advance not in (None, "gaze", "timer", "key"):
        raise CallError(f"advance is {advance!r}; use gaze, timer or key")
    stored = settings.load(wanted.home)
    with present_gaze.opened(gaze, stored, wanted.protocol.data.eyes) as end:
        background = wanted.protocol.targets.background
        setup = present_setup.of_window(
            win, wanted.home, wanted.person, given, end.setup, background
        )
        attempt = present_plan.attempt(wanted, setup, end, seed=seed, how=how)
        present_plan.check(wanted, attempt)
        shown = present_plan.screen(wanted, setup, win, pictures)
        path = _held(shown, wanted, attempt, end, say)
    return _outcome(wanted, attempt, path)


def _held(
    screen: Presenter,
    wanted: Wanted,
    attempt: Attempt,
    end: GazeEnd,
    tell: Callable[[str], None],
) -> Path:
    """Run the session; the window is its owner's again when this returns."""
    from calibkit.joined import run_attempt

    try:
        source, markers = end.join(attempt.session, attempt.number, screen)
    except BaseException:
        screen.close()
        raise
    ends = run_attempt.Ends(presenter=screen, source=source, markers=markers, tell=tell)
    known = None if wanted.fits else wanted.known
    return run_attempt.perform(attempt, ends, wanted.prior, known)


def _outcome(wanted: Wanted, attempt: Attempt, path: Path) -> Presented:
    from calibkit.joined import run_conclude

    rec = Recording.load(path)
    if wanted.fits:
        return _fitted(wanted, attempt, rec, path)
    assert wanted.known is not None
    result, keys = run_conclude.checked(wanted.known, rec)
    keys = keys if wanted.protocol.targets.points[1:] else None
    return _presented(wanted, attempt, rec, path, _Found(wanted.known, result, keys))


@dataclass(frozen=True)
class _Found:
    mapping: Mapping
    result: Assessment | None
    keys: UsableKeys | None
    words: str = ""
    sound: bool = True


def _fitted(wanted: Wanted, attempt: Attempt, rec: Recording, path: Path) -> Presented:
    from calibkit.joined import run_conclude, run_words
    from calibkit.joined.run_verdict import WORSE_CONFIDENCE

    gave = run_conclude.conclude(
        attempt, rec, path, wanted.prior, wanted.known, store=wanted.keeps
    )
    sound = not gave.fault and not gave.worse >= WORSE_CONFIDENCE
    words = run_words.outcome(gave, attempt.person)
    if not gave.fault and not sound:
        words += "\n" + run_words.sentence(run_words.refusal(gave))
    found = _Found(gave.mapping, gave.result, gave.keys, words, sound)
    return _presented(wanted, attempt, rec, path, found)


def _presented(
    wanted: Wanted, attempt: Attempt, rec: Recording, path: Path, found: _Found
) -> Presented:
    from calibkit.joined import run_conclude, run_words

    result, keys = found.result, found.keys
    seen = wanted.fits or (result is not None and result.accuracy_deg >= 0.0)
    near = wanted.within_deg is None or (
        result is not None and result.accuracy_deg <= wanted.within_deg
    )
    accepted = bool(found.sound and seen and near)
    if wanted.keeps:
        figures = {**run_conclude.figures(result), **run_conclude.key_figures(keys)}
        kind = "calibration" if wanted.fits else "validation"
        run_conclude.add_history(attempt, kind, path, {**figures, "kept": accepted})
    return Presented(
        accepted=accepted,
        words=found.words or run_words.checked(result, keys),
        mapping=found.mapping,
        result=result,
        keys=keys,
        recording=rec,
        path=path,
    )
