"""What a batch does to each recording, and the name of that in the progress file."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from typing import Any

import calibkit


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How each recording is fitted and judged.

    Parameters
    ----------
    shared : str
        Path of what each fit starts from, or a starter's name; "" for none.
    shared_sha256 : str
        Of that file; "" for a starter, which comes with the software.
    eyes : {"both", "left", "right"}
    extra : tuple of str
        Labels of further channels to use.
    min_confidence : float, optional
        By default what each recording's protocol says.
    reliability : float
        Of the usable keys.
    """

    shared: str = ""
    shared_sha256: str = ""
    eyes: str = "both"
    extra: tuple[str, ...] = ()
    min_confidence: float | None = None
    reliability: float = 0.95

    def name(self) -> str:
        """Hash of all that a result depends on besides the recording's bytes."""
        parts = dataclasses.asdict(self)
        if self.shared_sha256:
            del parts["shared"]  # the same file elsewhere is the same start
        parts["calibkit"] = calibkit.__version__
        text = json.dumps(parts, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def plain(self) -> dict[str, Any]:
        """As JSON can hold it; `Settings.of` reads it back."""
        return dataclasses.asdict(self)

    @classmethod
    def of(cls, plain: dict[str, Any]) -> Settings:
        """Read back what `plain` gave, also after a trip through JSON."""
        return cls(**(plain | {"extra": tuple(plain["extra"])}))
