"""What a session found, in plain words and as plain data."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.geometry import SETUP_FIELDS
from calibkit.language import _
from calibkit.report import advice, words

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from calibkit.joined.run_attempt import Attempt
    from calibkit.joined.run_conclude import Outcome
    from calibkit.judged.assess_figures import Assessment, Figures
    from calibkit.judged.keys import UsableKeys

_FIGURES = (
    "accuracy_deg",
    "accuracy_low_deg",
    "accuracy_high_deg",
    "accuracy_median_deg",
    "accuracy_max_deg",
    "precision_rms_deg",
    "precision_sd_deg",
    "loss",
)


def outcome(found: Outcome, person: str) -> str:
    """Say what a calibration gave, what a person can use first."""
    if found.fault:
        return sentence(refusal(found))
    lines = [validation(found.result, found.keys)]
    if found.version is not None and found.version.current:
        said = _("The mapping is stored and in use for {person}.")
        lines.append(said.format(person=person))
    return "\n".join(lines)


def refusal(found: Outcome) -> str:
    """Say why the mapping was not put into use."""
    if found.fault:
        return _(
            "this session gave no usable mapping ({fault}), so nothing was replaced; "
            "check that the tracker sees the eyes, then try fewer targets"
        ).format(fault=_(found.fault))
    version = found.version.number if found.version else 0
    return _(
        "the new mapping is worse than the one in use ({share:.0f} % probable), so "
        "nothing was replaced; it is stored as version {version}"
    ).format(share=100 * found.worse, version=version)


def sentence(text: str) -> str:
    """Write a refusal as a sentence of its own."""
    return f"{text[0].upper()}{text[1:]}."


def validation(result: Assessment | None, keys: UsableKeys | None) -> str:
    """Say what check points gave, what the person can use first."""
    lines = [words.headline(keys), *words.explained(keys)]
    if result is not None:
        lines.append(words.accuracy(result.setup, result.accuracy_deg))
        lines.append(words.loss(result.loss, result.absent))
        lines += [*advice.left_out(result), *advice.astray(result)]
    return "\n".join(lines)


def checked(result: Assessment | None, keys: UsableKeys | None) -> str:
    """Say what check points gave where nobody asked for keys, or what a few gave."""
    if keys is not None or result is None:
        return validation(result, keys)
    accuracy = words.accuracy(result.setup, result.accuracy_deg)
    return "\n".join([accuracy, words.loss(result.loss, result.absent)])


def about(attempt: Attempt, path: Path) -> dict[str, Any]:
    """Who, when and where, as plain data."""
    return {
        "person": attempt.person,
        "session": attempt.session,
        "attempt": attempt.number,
        "created": attempt.created,
        "protocol": attempt.protocol.name,
        "source_id": attempt.source_id,
        "recording": str(path),
        "setup": {name: getattr(attempt.setup, name) for name in SETUP_FIELDS},
    }


def result(found: Assessment | None) -> dict[str, Any] | None:
    """Figures of a validation as plain data, each eye and target too."""
    if found is None:
        return None
    eyes = {eye: _figures(one) for eye, one in found.eyes.items()}
    return {**_figures(found), "eyes": eyes, "targets": rows(found.targets)}


def _figures(found: Figures) -> dict[str, float]:
    return {name: float(getattr(found, name)) for name in _FIGURES}


def keys(found: UsableKeys | None) -> dict[str, Any]:
    """Usable keys as plain data; none where nothing was checked."""
    if found is None:
        return {"rows": 0, "columns": 0}
    return {
        "rows": found.rows,
        "columns": found.columns,
        "key_deg": list(found.key_deg),
        "key_mm": list(found.key_mm),
        "reliability": found.reliability,
        "probability": found.probability,
    }


def rows(table: NDArray[np.void]) -> list[dict[str, Any]]:
    """Turn a structured array into a list of plain records."""
    names = table.dtype.names or ()
    return [dict(zip(names, row.tolist(), strict=True)) for row in table]
