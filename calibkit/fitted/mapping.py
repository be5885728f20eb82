"""A person's mapping: made by `fit`, applied to raw samples, kept and moved."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

import calibkit
from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted import features
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.evaluation import Evaluator, evaluator
from calibkit.fitted.features import Layout
from calibkit.fitted.mapping_parts import (
    layout_from,
    layout_snapshot,
    looks_from,
    looks_snapshot,
    setup_from,
    setup_snapshot,
)
from calibkit.fitted.observations import Noise
from calibkit.fitted.prior import (
    SharedMapping,
    basis_from,
    basis_snapshot,
    gaussian_from,
    identity,
    noise_from,
    noise_snapshot,
    triangle,
)
from calibkit.geometry import Setup
from calibkit.kept.plain import from_tree, numbers, to_tree

if TYPE_CHECKING:
    from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

FORMAT, VERSION = "calibkit-mapping", 1
# What a new session of the same person may change, degrees rms over the screen.
SESSION_SD = {0: 0.35, 1: 0.15, 2: 0.05, 3: 0.02, 4: 0.1}
# The same where features are camera pixels that nothing divides: they change with where
# the head is (27 open sessions of seven people: 2.4 degrees up and down, 0.8 sideways).
SESSION_SD_CAMERA = {0: 2.0, 1: 0.4, 2: 0.1, 3: 0.05, 4: 0.3}
BLOCK = 8192  # samples worked on at a time: what fits into a core's own cache


@dataclass(frozen=True, kw_only=True, eq=False)
class Gaze:
    """Where a person looks: `xy` (n, 2) and its sd (n, 2) in pixels, NaN if unknown."""

    xy: Array
    sd: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Mapping:
    """From a tracker's raw samples to the screen, for one person and set-up.

    Parameters
    ----------
    layout : Layout
        Which channels it reads.
    setup : Setup
    basis : Basis
    weights : Gaussian
        Posterior of the basis' weights.
    noise : Noise
    shares : array (e, 2)
        Share of each eye where both are seen, per axis.
    looks : structured array, LOOK_DTYPE
        What each target contributed, and why.
    people : int
        Persons in the prior that it started from; 0 without one.
    notes : tuple of str
        What the operator should know.
    source : dict of str
        Where it comes from: person, session, created, software, source_id.
    recordings : tuple of str
        SHA-256 of the files that it was fitted to.
    channels : tuple of str
        "eye type" of each channel that a sample must have.
    """

    layout: Layout
    setup: Setup
    basis: Basis
    weights: Gaussian
    noise: Noise
    shares: Array
    looks: NDArray[np.void]
    people: int = 0
    lag_s: float = float("nan")
    notes: tuple[str, ...] = ()
    source: dict[str, str] = field(default_factory=dict)
    recordings: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Say in a line what it maps; its arrays would fill a screen."""
        return (
            f"<Mapping {self.id} of {self.source.get('person') or 'nobody named'}: "
            f"{features.said(self.layout.signature)}, {len(self.looks)} targets, "
            f"prior of {self.people} persons>"
        )

    @cached_property
    def evaluator(self) -> Evaluator:
        """The mapping prepared for evaluation, made on first use."""
        return evaluator(
            self.basis, self.weights.mean, self.weights.cov, self.noise, self.shares
        )

    @property
    def eyes(self) -> tuple[str, ...]:
        """The eyes that are used."""
        return self.layout.names

    def apply(self, samples: NDArray[np.floating]) -> Gaze:
        """Calibrated gaze of raw samples; row i depends on sample i alone.

        Parameters
        ----------
        samples : array (n, c)
            In the recording's channel order.

        Returns
        -------
        Gaze

        Raises
        ------
        ValueError
            When the number of columns is not the recording's, or samples are complex.
        """
        samples = np.asarray(samples)
        if samples.dtype.kind == "c":
            raise ValueError("samples are complex numbers; give real ones")
        if samples.ndim != 2 or samples.shape[1] != self.layout.width:
            raise ValueError(
                f"samples have the shape {samples.shape}; the mapping needs "
                f"{self.layout.width} columns, in the recording's channel order"
            )
        xy, sd = np.empty((len(samples), 2)), np.empty((len(samples), 2))
        for first in range(0, len(samples), BLOCK):
            part = slice(first, first + BLOCK)
            self._apply_block(samples[part], xy[part], sd[part])
        return Gaze(xy=xy, sd=sd)

    def _apply_block(self, samples: NDArray[np.floating], xy: Array, sd: Array) -> None:
        found = features.read(self.layout, samples, self.setup)
        angles, spread = self.evaluator.gaze(found.xy, found.extra)
        depth = self.setup.viewpoint_mm[2]
        for axis in range(2):
            size_px, size_mm = self.setup.screen_px[axis], self.setup.screen_mm[axis]
            scale = depth * size_px / size_mm
            foot = self.setup.viewpoint_mm[axis] / size_mm + 0.5
            angle = np.clip(angles[:, axis], -85.0, 85.0)
            tangent = geometry.tangent(angle * (np.pi / 180.0))
            xy[:, axis] = tangent * scale + foot * size_px
            np.multiply(tangent, tangent, out=tangent)
            tangent += 1.0
            sd[:, axis] = spread[:, axis] * tangent * (scale * np.pi / 180.0)

    def check(self, rec: Recording) -> None:
        """Refuse a recording of another screen or tracker.

        Raises
        ------
        InputError
            When screen, distance or channels differ.
        """
        differ = self.setup.differences(rec.setup)
        if differ:
            raise InputError(
                f"the mapping was made for another set-up ({', '.join(differ)} "
                "differ); fit one for this set-up"
            )
        theirs = tuple(f"{c.eye} {c.type}" for c in rec.channels)
        if theirs != self.channels:
            raise InputError(
                "the mapping was made for other channels than the recording's "
                f"({len(self.channels)} and {len(theirs)}, or in another order); fit "
                "one for this stream"
            )

    @cached_property
    def id(self) -> int:
        """A positive 31-bit number made from the contents."""
        return identity(self.snapshot())

    def as_shared(self) -> SharedMapping:
        """Return this mapping as the prior of a later session of the same person.

        The person sits down anew: some offset and gain are added to what is unknown.
        """
        table = SESSION_SD_CAMERA if self.layout.in_pixels else SESSION_SD
        sd = np.array([table[int(g)] for g in self.basis.group])
        more = np.tile(sd, 2 * len(self.eyes)) ** 2
        mine = np.array([[*self.setup.screen_px, *self.setup.screen_mm]])
        return SharedMapping(
            signature=self.layout.signature,
            eyes=self.eyes,
            basis=self.basis,
            weights=Gaussian(
                mean=self.weights.mean, cov=self.weights.cov + np.diag(more)
            ),
            noise=replace(self.noise, spread=0.3),
            people=self.people,
            setups=np.column_stack([mine, [self.setup.distance_mm]]),
            origin="own session",
            notes=self.notes,
        )

    def snapshot(self) -> dict[str, Any]:
        """Return everything that `apply` needs as plain numbers and text (JSON)."""
        return {
            "eyes": list(self.eyes),
            "layout": layout_snapshot(self.layout),
            "setup": setup_snapshot(self.setup),
            "basis": basis_snapshot(self.basis),
            "mean": numbers(self.weights.mean),
            "cov": triangle(self.weights.cov),
            "noise": noise_snapshot(self.noise),
            "shares": numbers(self.shares),
            "looks": looks_snapshot(self.looks),
            "people": self.people,
            "lag_s": float(self.lag_s) if np.isfinite(self.lag_s) else -1.0,
            "notes": list(self.notes),
            "source": dict(self.source),
            "recordings": list(self.recordings),
            "channels": list(self.channels),
        }

    @classmethod
    def from_snapshot(cls, plain: dict[str, Any]) -> Mapping:
        """Make a mapping again from its snapshot.

        Raises
        ------
        InputError
            When a part is missing or does not fit.
        """
        try:
            return cls._from_snapshot(plain)
        except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
            raise InputError(
                f"the mapping is damaged ({error}); fit it again"
            ) from error

    @classmethod
    def _from_snapshot(cls, plain: dict[str, Any]) -> Mapping:
        if not _finite([plain[k] for k in ("setup", "basis", "noise", "shares")]):
            raise ValueError("a number in it is not finite")
        layout = layout_from(plain["layout"], plain["eyes"])
        eyes = len(layout.eyes)
        basis = basis_from(plain["basis"], eyes)
        return cls(
            layout=layout,
            setup=setup_from(plain["setup"]),
            basis=basis,
            weights=gaussian_from(plain["mean"], plain["cov"], basis.size),
            noise=noise_from(plain["noise"], eyes),
            shares=np.asarray(plain["shares"], float).reshape(eyes, 2),
            looks=looks_from(plain["looks"]),
            people=int(plain["people"]),
            lag_s=float(plain["lag_s"]) if plain["lag_s"] >= 0 else float("nan"),
            notes=tuple(plain["notes"]),
            source={str(k): str(v) for k, v in plain.get("source", {}).items()},
            recordings=tuple(plain["recordings"]),
            channels=tuple(plain["channels"]),
        )

    def save(self, path: str | Path, *, overwrite: bool = True) -> None:
        """Write a `calibkit-mapping` file."""
        from calibkit.kept import store

        software = f"calibkit {calibkit.__version__}"
        tree = to_tree({**self.snapshot(), "software": software})
        store.write(
            Path(path), tree, format=FORMAT, version=VERSION, overwrite=overwrite
        )

    @classmethod
    def load(cls, path: str | Path) -> Mapping:
        """Read a `calibkit-mapping` file.

        Raises
        ------
        InputError
            When it is missing, damaged or something else.
        """
        from calibkit.kept import store

        tree = store.read(
            Path(path),
            format=FORMAT,
            max_version=VERSION,
            limit_bytes=store.MAPPING_LIMIT_BYTES,
        )
        return cls.from_snapshot(from_tree(tree))


def _finite(value: Any) -> bool:
    """Whether all numbers in nested lists and dictionaries are finite."""
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(_finite, value))
    if isinstance(value, np.ndarray):
        return value.dtype.kind not in "fc" or bool(np.isfinite(value).all())
    return not isinstance(value, float) or bool(np.isfinite(value))
