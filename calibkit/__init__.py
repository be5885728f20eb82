"""calibkit: fit a gaze tracker to a person, and say how far to trust it."""

from __future__ import annotations

from importlib import import_module

# Type checkers take this name for true; its module would be a tenth of a start.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from calibkit.errors import CalibkitError as CalibkitError
    from calibkit.fitted.fitting import fit as fit
    from calibkit.fitted.mapping import Mapping as Mapping
    from calibkit.fitted.shared import SharedMapping as SharedMapping
    from calibkit.fitted.shared import learn_shared as learn_shared
    from calibkit.joined.present import Presented as Presented
    from calibkit.joined.present import present as present
    from calibkit.joined.present_live import follow as follow
    from calibkit.judged.assess_targets import assess as assess
    from calibkit.judged.keys import usable_keys as usable_keys
    from calibkit.kept.recording import Recording as Recording

__version__ = "0.1.0"

# Resolved on first use, so that `--help` loads neither numpy nor anything heavier.
_HOMES = {
    "CalibkitError": "calibkit.errors",
    "Mapping": "calibkit.fitted.mapping",
    "Presented": "calibkit.joined.present",
    "Recording": "calibkit.kept.recording",
    "SharedMapping": "calibkit.fitted.shared",
    "assess": "calibkit.judged.assess_targets",
    "fit": "calibkit.fitted.fitting",
    "follow": "calibkit.joined.present_live",
    "learn_shared": "calibkit.fitted.shared",
    "present": "calibkit.joined.present",
    "usable_keys": "calibkit.judged.keys",
}
__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'calibkit' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
