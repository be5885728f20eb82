"""A recording: raw samples, the targets that were shown, the set-up. The only truth.

Everything after it is a pure function of it. The file side lies in `recording_file`,
which knows the schema but not this class, so that imports point one way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import Channel
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept import recording_file, tomlfile
from calibkit.kept.recording_file import TARGET_DTYPE

if TYPE_CHECKING:
    from calibkit.kept.store import Tree


def target_rows(rows: Sequence[tuple[Any, ...]]) -> NDArray[np.void]:
    """Make target rows from (onset, offset, x, y, role, advance, kept) tuples."""
    return np.array(list(rows), TARGET_DTYPE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Recording:
    """Raw gaze with its targets.

    Parameters
    ----------
    setup : Setup
    time : array (n,), s
        On the LSL clock of the machine that showed the targets.
    samples : array (n, c)
        NaN where missing.
    channels : tuple of Channel, c of them
    targets : structured array (m,), TARGET_DTYPE
        x and y are NaN for a target that moves.
    target_path : array (p, 3)
        time, x, y of a moving target, one row a frame.
    events : tuple of (time, text)
    protocol : str
        The protocol as TOML, or "".
    time_raw, clock : arrays, optional
        Stamps as they came (n,); (k, 2) time and clock correction.
    unknown : Tree, optional
        What a file held besides, kept when saving.

    Raises
    ------
    InputError
        When the parts do not fit one another.
    """

    setup: Setup
    time: NDArray[np.float64]
    samples: NDArray[np.floating]
    channels: tuple[Channel, ...]
    targets: NDArray[np.void]
    target_path: NDArray[np.float64] | None = None
    person: str = ""
    session: str = ""
    attempt: int = 1
    created: str = ""
    software: str = ""
    name: str = ""
    source_id: str = ""
    nominal_rate: float = 0.0
    events: tuple[tuple[float, str], ...] = ()
    protocol: str = ""
    time_raw: NDArray[np.float64] | None = None
    clock: NDArray[np.float64] | None = None
    unknown: Tree | None = None

    def __repr__(self) -> str:
        """Say in a line what it is of; its arrays would fill a screen."""
        n, c = self.samples.shape
        return (
            f"<Recording of {self.person or 'nobody named'}: {n} samples of {c} "
            f"channels, {len(self.targets)} targets, {self.name or 'unnamed stream'}>"
        )

    def __post_init__(self) -> None:
        path = np.empty((0, 3)) if self.target_path is None else self.target_path
        time, samples = np.array(self.time, float), np.array(self.samples)
        arrays = {
            "time": time,
            "samples": samples,
            "targets": np.array(self.targets, TARGET_DTYPE),
            "target_path": np.array(path, float).reshape(-1, 3),
            "time_raw": _copy(self.time_raw),
            "clock": _copy(self.clock),
        }
        n, shape = len(time), samples.shape
        if shape != (n, len(self.channels)):
            raise InputError(
                f"/gaze/samples has the shape {shape}, but there are {n} times and "
                f"{len(self.channels)} channels; the recording is damaged"
            )
        for name, array in arrays.items():
            if array is not None:
                array.setflags(write=False)
            object.__setattr__(self, name, array)
        object.__setattr__(self, "channels", tuple(self.channels))
        object.__setattr__(self, "events", tuple(self.events))

    def rate_hz(self) -> float:
        """Sampling rate: the nominal one, else from the median interval; 0 if none."""
        if self.nominal_rate > 0:
            return self.nominal_rate
        steps = np.diff(self.time)
        steps = steps[steps > 0]
        return float(1.0 / np.median(steps)) if len(steps) else 0.0

    def least_confidence(self, given: float | None = None) -> float:
        """Return the confidence below which samples count as missing.

        Parameters
        ----------
        given : float, optional
            What was asked for; by default what the recording's own protocol says, and
            0 where that says nothing or cannot be read.
        """
        if given is not None:
            return given
        text = self.protocol.encode("utf-8", "replace")
        try:
            data = tomlfile.parse(text[: tomlfile.LIMIT_BYTES], "protocol").get("data")
        except InputError:
            return 0.0
        said = tomlfile.number(data.get("min_confidence")) if _table(data) else None
        return min(max(said or 0.0, 0.0), 1.0)

    def in_time_order(self) -> Recording:
        """Return the samples in the order of their stamps.

        One without a stamp is left out: it belongs to no target.
        """
        fine = np.flatnonzero(np.isfinite(self.time))
        order = fine[np.argsort(self.time[fine], kind="stable")]
        if len(order) == len(self.time) and (order[1:] > order[:-1]).all():
            return self
        raw = None if self.time_raw is None else self.time_raw[order]
        return replace(
            self, time=self.time[order], samples=self.samples[order], time_raw=raw
        )

    def with_targets(self, keep: NDArray[np.bool_] | Sequence[int]) -> Recording:
        """Return the same recording with only some of its targets."""
        return replace(self, targets=self.targets[keep])

    @classmethod
    def load(cls, path: str | Path) -> Recording:
        """Read a contract recording.

        Parameters
        ----------
        path : path of an .h5 file

        Returns
        -------
        Recording

        Raises
        ------
        InputError
            When the file is missing, damaged or not a recording.
        """
        return cls(**recording_file.read(Path(path)))

    def save(self, path: str | Path, *, overwrite: bool = True) -> None:
        """Write a contract recording, whole or not at all.

        Parameters
        ----------
        path : path of the file to write
        overwrite : bool
            Whether an existing file may be replaced.

        Raises
        ------
        CallError
            When the file exists and may not be replaced.
        StorageError
            When it cannot be written.
        """
        parts = {field.name: getattr(self, field.name) for field in fields(self)}
        recording_file.write(Path(path), parts, overwrite=overwrite)


def only_recordings(given: Iterable[Recording]) -> list[Recording]:
    """Return what was given as a list, once it is known to hold recordings alone.

    Raises
    ------
    InputError
        When something else is among them, such as a file's path.
    """
    recordings = list(given) if isinstance(given, Iterable) else [given]
    for found in recordings:
        if not isinstance(found, Recording):
            raise InputError(
                f"a {type(found).__name__} was given where a recording is needed; "
                "read a file with calibkit.Recording.load first"
            )
    return recordings


def _table(value: object) -> TypeGuard[dict[str, Any]]:
    return isinstance(value, dict)


def _copy(array: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
    return None if array is None else np.array(array, float)
