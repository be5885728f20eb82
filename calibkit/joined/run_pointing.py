"""The pointing trial with a person, on the mapping in use; its recording is kept."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import CalibkitError
from calibkit.joined.run_attempt import Attempt, Ends, check_end, writer_for
from calibkit.kept import journal, profile
from calibkit.kept.protocol_model import Check, Head, Protocol, Targets

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.judged.assess_figures import Assessment
    from calibkit.kept.recording import Recording
    from calibkit.session.pointing_result import PointingResult


def as_pointing(attempt: Attempt) -> Attempt:
    """Return the attempt with a protocol that says what it is: no points of its own."""
    used = attempt.protocol
    own = Protocol(
        protocol=Head(version=1, name="pointing", role="validation"),
        targets=Targets(background=used.targets.background),
        data=used.data,
        check=Check(points=()),
        keys=used.keys,
    )
    return replace(attempt, protocol=own)


def checks_in_use(home: Path, person: str) -> Assessment | None:
    """Check points that were stored with the mapping in use, where there are any."""
    from calibkit.judged.assess_figures import Assessment
    from calibkit.kept.plain import from_tree

    try:
        number = profile.current(home, person).version.number
        kept = from_tree(profile.load_tree(home, person, number))
        text = kept["validation"]["assessment"][0]
        return Assessment.from_snapshot(json.loads(text))
    except (CalibkitError, TypeError, KeyError, IndexError, ValueError):
        return None


def check_fits(mapping: Mapping, attempt: Attempt) -> None:
    """Refuse another screen or tracker than the mapping's, before anybody looks.

    Raises
    ------
    InputError
        When they differ.
    """
    # It asks for set-up and channels only, which an attempt has too.
    about: Any = attempt
    mapping.check(about)


def perform(
    attempt: Attempt,
    ends: Ends,
    mapping: Mapping,
    checks: NDArray[np.void] | None,
    dwell_s: float,
    seed: int,
) -> Path:
    """Hold the trial and keep its recording, however it ends.

    Raises
    ------
    StoppedError, DeviceError
        When it did not end by itself; the recording is kept.
    """
    from calibkit.fitted.fitting import predicted_sd_deg
    from calibkit.joined.run import run_session
    from calibkit.session.pointing import Pointing, Trial

    trial = Trial(
        setup=attempt.setup,
        checks=checks,
        sd_deg=predicted_sd_deg(mapping),
        dwell_s=dwell_s,
    )
    rng = np.random.default_rng(seed)
    keys = attempt.protocol.keys.actions()
    machine: Any = Pointing(trial, mapping.apply, rng, keys)
    ends.show_gaze(mapping)
    writer = writer_for(attempt, attempt.header())
    reason, error = "", None
    try:
        reason = run_session(
            machine,
            ends.presenter,
            ends.source,
            [writer],
            ends.markers,
            tell=ends.tell,
            beside=ends.beside,
        )
    except CalibkitError as caught:
        error = caught
    finally:
        ends.close()
        writer.close()
        path = journal.finish(writer.path)
    if error is not None:
        raise type(error)(f"{error}; what was recorded is kept in {path}") from error
    check_end(reason, path)
    return path


def result_of(
    rec: Recording, mapping: Mapping, checks: NDArray[np.void] | None
) -> PointingResult:
    """Work the result out from the recording, which is the only truth."""
    from calibkit.fitted.fitting import predicted_sd_deg
    from calibkit.session.pointing_again import asks_of
    from calibkit.session.pointing_result import summarise

    return summarise(
        asks_of(rec, mapping), rec.setup, checks, sd_deg=predicted_sd_deg(mapping)
    )
