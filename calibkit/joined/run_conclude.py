"""What an attempt gave: fit, check, compare with the mapping in use, store."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping as Values
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import calibkit
from calibkit.errors import InputError
from calibkit.joined import options
from calibkit.joined.run_verdict import fault, fitted, worse_probability
from calibkit.judged import orientation
from calibkit.kept import records
from calibkit.kept.recording import Recording
from calibkit.live import drift_reference

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.run_attempt import Attempt, Prior
    from calibkit.judged.assess_figures import Assessment
    from calibkit.judged.keys import UsableKeys
    from calibkit.kept.profile import Version


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


def in_use(home: Path, person: str) -> Mapping | None:
    """Return the person's mapping in use, or None where there is none yet."""
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept import profile

    if not profile.versions(home, person):
        return None
    return Mapping.from_snapshot(dict(profile.current(home, person).mapping))


def conclude(
    attempt: Attempt,
    rec: Recording,
    path: Path,
    prior: Prior,
    old: Mapping | None,
    *,
    replace: bool = False,
    store: bool = True,
) -> Outcome:
    """Fit, check, validate, compare with the mapping in use; store what is sound.

    A sound mapping is put into use unless it is worse than the one in use with 90 %
    probability; then it is stored beside it, unless the operator said to `replace`.
    Nothing is stored where there is no person to `store` it for.

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
    turned = orientation.note(rec) if store else ""
    if turned:
        options.say(f"note: {turned}")
    found = fault(mapping, rec)
    if found:
        return Outcome(mapping=mapping, fault=found)
    mapping = dataclasses.replace(
        mapping, source=drift_reference.noted(mapping.source, rec)
    )
    result, keys = checked(mapping, rec)
    worse = _worse(result, old, rec)
    if not store:
        return Outcome(mapping=mapping, worse=worse, result=result, keys=keys)
    activate = replace or not worse >= WORSE_CONFIDENCE
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
