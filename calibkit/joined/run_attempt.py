"""One attempt with one person: run the session, keep the recording, fit, judge, store.

`calibrate` and `validate` differ in what they show and in whether they fit; all else
is shared here, for real and simulated sessions alike.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from collections.abc import Mapping as Values
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import calibkit
from calibkit.channels import Channel
from calibkit.errors import CalibkitError, DeviceError, InputError, StoppedError
from calibkit.geometry import Setup
from calibkit.joined import options
from calibkit.joined.run import Markers, Memory, Presenter, Source, run_session
from calibkit.joined.run_verdict import fault, fitted, judge, worse_probability
from calibkit.kept import journal, protocol, records
from calibkit.kept.protocol_model import Protocol
from calibkit.kept.recording import Recording
from calibkit.session.session import Session
from calibkit.session.session_plan import Plan

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.fitted.shared import SharedMapping
    from calibkit.judged.assess_figures import Assessment
    from calibkit.judged.keys import UsableKeys
    from calibkit.kept.profile import Version
    from calibkit.session.session_look import Looks

    Prior = SharedMapping | Mapping | None


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """Who, what and where, before the first target."""

    home: Path
    person: str
    session: str
    number: int
    created: str
    protocol: Protocol
    plan: Plan
    setup: Setup
    channels: tuple[Channel, ...]
    name: str
    source_id: str
    nominal_rate: float

    def header(self) -> dict[str, Any]:
        """Return the recording's fields that are known at the start."""
        return {
            "person": self.person,
            "session": self.session,
            "attempt": self.number,
            "created": self.created,
            "software": f"calibkit {calibkit.__version__}",
            "name": self.name,
            "source_id": self.source_id,
            "nominal_rate": self.nominal_rate,
            "protocol": protocol.to_toml(self.protocol),
        }


@dataclass(frozen=True, kw_only=True, eq=False)
class Ends:
    """What a session is joined to; `tell` says to the operator how it goes."""

    presenter: Presenter
    source: Source
    markers: Markers
    tell: Callable[[str], None] | None = None

    def close(self) -> None:
        """Let go of all of it."""
        for end in (self.presenter, self.source, self.markers):
            end.close()


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """What an attempt gave.

    `fault` says why the mapping cannot be used, or is empty; `worse` is how probable
    it is that it is worse than the one in use, NaN where there is nothing to compare.
    """

    mapping: Mapping
    fault: str = ""
    worse: float = float("nan")
    result: Assessment | None = None
    keys: UsableKeys | None = None
    version: Version | None = None


def looks_for(attempt: Attempt) -> Looks:
    """Make what tells, from raw gaze, when the person looks."""
    from calibkit.fitted.features import layout
    from calibkit.session.session_look import Looks

    data = attempt.protocol.data
    return Looks(
        layout(attempt.channels, data.eyes),
        attempt.setup,
        hold_s=attempt.protocol.pace.hold_s,
        max_loss=data.max_loss,
        min_confidence=data.min_confidence,
    )


def check_prior(attempt: Attempt, prior: Prior) -> None:
    """Refuse, before anybody is asked to look, points that cannot make a mapping.

    Raises
    ------
    InputError
        When camera features meet too few points and nothing to start from.
    """
    from calibkit.fitted.features import layout

    degrees = layout(attempt.channels, attempt.protocol.data.eyes).in_degrees
    if prior is None and not degrees and protocol.is_short(attempt.protocol):
        raise InputError(
            f"the protocol {attempt.protocol.name!r} has too few points to make a "
            "mapping from this tracker; give --shared FILE, or calibrate with the "
            "protocol standard first"
        )


def perform(
    attempt: Attempt, ends: Ends, prior: Prior = None, known: Mapping | None = None
) -> Path:
    """Run the session and keep its recording, however it ends.

    Parameters
    ----------
    attempt : Attempt
    ends : Ends
    prior : prior, optional
        What the fits of a running session start from.
    known : Mapping, optional
        The mapping that is being checked.

    Returns
    -------
    Path
        Of the finished recording.

    Raises
    ------
    StoppedError
        When it was stopped or the window closed; the recording is kept.
    DeviceError
        When the stream or the display was lost for good; the recording is kept.
    """
    folder = records.folder(attempt.home, "recordings", attempt.person)
    looks = looks_for(attempt)
    if known is not None:
        looks.know(lambda samples: known.apply(samples).xy)
    session = Session(attempt.plan, looks, attempt.protocol.keys.actions())
    header = attempt.header()
    memory = Memory(channels=attempt.channels, setup=attempt.setup, about=header)
    started = {**header, "setup": attempt.setup, "channels": attempt.channels}
    writer = journal.Writer(folder / f"{attempt.session}{journal.SUFFIX}", started)
    reason, error = "", None
    try:
        answer = judge(memory.recording, attempt.protocol, attempt.plan, prior, looks)
        reason = run_session(
            session,
            ends.presenter,
            ends.source,
            [writer, memory],
            ends.markers,
            answer,
            ends.tell,
        )
    except CalibkitError as caught:
        error = caught
    finally:
        ends.close()
        writer.close()
        path = journal.finish(writer.path)
    if error is not None:
        raise type(error)(f"{error}; what was recorded is kept in {path}") from error
    _check_end(reason, path)
    return path


def _check_end(reason: str, path: Path) -> None:
    if reason in ("stopped", "closed"):
        raise StoppedError(
            f"the session was {reason} before its end; what was recorded is kept in "
            f"{path}, and nothing was replaced"
        )
    if reason == "lost":
        raise DeviceError(
            "the gaze stream was lost and did not come back; what was recorded is kept "
            f"in {path}; check the tracker's program and its cable, then start again"
        )


def in_use(home: Path, person: str) -> Mapping | None:
    """Return the person's mapping in use, or None where there is none yet."""
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept import profile

    if not profile.versions(home, person):
        return None
    return Mapping.from_snapshot(dict(profile.current(home, person).mapping))


def conclude(
    attempt: Attempt, rec: Recording, path: Path, prior: Prior, old: Mapping | None
) -> Outcome:
    """Fit, check, validate, compare with the mapping in use; store what is sound.

    A sound mapping is put into use unless it is worse than the one in use with 90 %
    probability; then it is stored beside it.

    Raises
    ------
    InputError
        When nothing can be fitted.
    """
    from calibkit.joined.run_verdict import WORSE_CONFIDENCE

    try:
        mapping = fitted(rec, attempt.protocol, prior)
    except InputError as error:
        raise InputError(f"{error}; what was recorded is kept in {path}") from error
    found = fault(mapping, rec)
    if found:
        return Outcome(mapping=mapping, fault=found)
    result, keys = checked(mapping, rec)
    worse = _worse(result, old, rec)
    activate = not worse >= WORSE_CONFIDENCE
    version = _store(attempt, mapping, path, result, keys, activate=activate)
    return Outcome(
        mapping=mapping, worse=worse, result=result, keys=keys, version=version
    )


def checked(
    mapping: Mapping, rec: Recording
) -> tuple[Assessment | None, UsableKeys | None]:
    """Judge a mapping on a recording's check points, where it has any."""
    from calibkit.judged.assess_targets import assess
    from calibkit.judged.keys import usable_keys

    if not (rec.targets["role"] == "validation").any():
        return None, None
    try:
        result = assess(mapping, rec)
    except InputError:  # every check point was left out by the operator
        return None, None
    return result, usable_keys(result, setup=rec.setup)


def _worse(result: Assessment | None, old: Mapping | None, rec: Recording) -> float:
    """Probability that the new mapping is worse than the old one, NaN if unknown."""
    if result is None or old is None:
        return float("nan")
    try:
        old.check(rec)
        before, _ = checked(old, rec)
    except (InputError, ValueError):
        return float("nan")
    if before is None:
        return float("nan")
    return worse_probability(
        result.targets["accuracy_deg"], before.targets["accuracy_deg"]
    )


def _store(
    attempt: Attempt,
    mapping: Mapping,
    path: Path,
    result: Assessment | None,
    keys: UsableKeys | None,
    *,
    activate: bool,
) -> Version:
    from calibkit.kept import profile
    from calibkit.kept.plain import to_tree
    from calibkit.kept.store import sha256_of

    about = {
        "recording": path.name,
        "recording_sha256": sha256_of(path),
        "software": f"calibkit {calibkit.__version__}",
        "protocol": attempt.protocol.name,
    }
    parts: dict[str, Any] = {"mapping": mapping.snapshot(), "provenance": about}
    if result is not None:
        text = json.dumps(options.plain(result.snapshot()))
        parts["validation"] = {"assessment": [text]}
    tree = to_tree(parts)
    return profile.save(
        attempt.home,
        attempt.person,
        tree,
        mapping.snapshot(),
        created=attempt.created,
        summary={**about, **figures(result), **key_figures(keys)},
        activate=activate,
    )


def figures(result: Assessment | None) -> dict[str, Any]:
    """Session figures of a validation as plain numbers, None where unknown."""
    if result is None:
        return {}
    names = ("accuracy_deg", "precision_rms_deg", "precision_sd_deg", "loss")
    values = {name: float(getattr(result, name)) for name in names}
    return {k: v if v == v else None for k, v in values.items()}


def key_figures(keys: UsableKeys | None) -> dict[str, Any]:
    """Usable keys as plain numbers."""
    if keys is None:
        return {}
    return {"rows": int(keys.rows), "columns": int(keys.columns)}


def add_history(
    attempt: Attempt, kind: str, path: Path, more: Values[str, Any]
) -> None:
    """Append the attempt to the person's history."""
    entry = {
        "kind": kind,
        "created": attempt.created,
        "session": attempt.session,
        "attempt": attempt.number,
        "protocol": attempt.protocol.name,
        "recording": path.name,
        **more,
    }
    records.add_history(attempt.home, attempt.person, entry)
