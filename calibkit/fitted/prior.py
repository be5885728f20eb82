"""What is known of people in general: the prior of every fit, learned or broad."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import calibkit
from calibkit.errors import InputError, NotGoodEnoughError
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.features import said
from calibkit.fitted.observations import Noise
from calibkit.geometry import Setup
from calibkit.kept.plain import from_tree, numbers, to_tree

Array = NDArray[np.float64]

FORMAT, VERSION = "calibkit-shared", 1
# From this many people on a shared mapping may leave the place where it was made:
# membership in a mean of 2, 5, 10, 30 people was guessed right in 93, 80, 71, 63 %.
ENOUGH_TO_EXPORT = 20
FEWEST = 3
# Set-ups whose screens or distances differ by less count as one.
TOLERANCE = 0.05
MANY_NUMBERS = 2000


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedMapping:
    """Prior over the mappings of people, with the noise to expect.

    Parameters
    ----------
    signature : tuple of str
        Kind and unit of the features, per eye.
    eyes : tuple of str
    basis : Basis
    weights : Gaussian
        Over people.
    noise : Noise
    people : int
        How many persons it was learned from; 0 for a broad prior.
    setups : array (s, 5)
        screen_px, screen_mm and distance_mm of the set-ups it was learned from.
    origin : str
        "people", "simulated", "broad" or "own session".
    notes : tuple of str
        What a user of it should know, in plain words.
    """

    signature: tuple[str, ...]
    eyes: tuple[str, ...]
    basis: Basis
    weights: Gaussian
    noise: Noise
    people: int
    setups: Array
    origin: str = "people"
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Say in a line what it was learned from; its arrays would fill a screen."""
        return (
            f"<SharedMapping {self.id} of {self.people} persons ({self.origin}): "
            f"{said(self.signature)}>"
        )

    @property
    def in_degrees(self) -> bool:
        """Whether the features are gaze angles, so that it holds for any set-up."""
        return all(part.endswith(":degrees") for part in self.signature)

    @property
    def local(self) -> bool:
        """Whether too few people are in it for it to leave this place."""
        return 0 < self.people < ENOUGH_TO_EXPORT and self.origin != "simulated"

    @property
    def mixed(self) -> bool:
        """Whether its features depend on the set-up and it holds several of these."""
        if self.in_degrees or len(self.setups) < 2:
            return False
        apart = np.abs(self.setups[:, None, 2:] / self.setups[None, :, 2:] - 1.0)
        return bool(apart.max() > TOLERANCE)

    def portable(self) -> SharedMapping:
        """Return what may leave the place where it was learned.

        Coefficients keep a thousandth of a degree, spreads three digits and set-ups
        whole centimetres: more says nothing of people and could tell who was among
        them.

        Raises
        ------
        NotGoodEnoughError
            When fewer than 20 people are in it.
        """
        if self.local:
            raise NotGoodEnoughError(
                f"{self.people} people are in the shared mapping; at least "
                f"{ENOUGH_TO_EXPORT} are needed before it may be passed on, or single "
                "persons could be told from it"
            )
        basis, noise = self.basis, self.noise
        setups = self.setups.copy()
        setups[:, 2:] = np.round(setups[:, 2:], -1)
        return replace(
            self,
            basis=replace(
                basis,
                centre=digits(basis.centre, 4),
                scale=digits(basis.scale, 3),
                extra_centre=digits(basis.extra_centre, 4),
                extra_scale=digits(basis.extra_scale, 3),
            ),
            weights=Gaussian(
                mean=np.round(self.weights.mean, 3), cov=digits(self.weights.cov, 3)
            ),
            noise=replace(
                noise,
                fixation=digits(noise.fixation, 2),
                eye=digits(noise.eye, 2),
                spread=float(digits(np.array(noise.spread), 2)),
                sample=digits(noise.sample, 2),
                drift=digits(noise.drift, 2),
            ),
            setups=np.unique(setups, axis=0),
        )

    def foreign(self, setup: Setup, tolerance: float = TOLERANCE) -> bool:
        """Whether it was made for other set-ups and its features depend on them."""
        if self.in_degrees or self.origin == "broad":
            return False
        if self.origin == "simulated":
            return True
        here = np.array([*setup.screen_mm, setup.distance_mm])
        apart = np.abs(self.setups[:, 2:] / here - 1.0).max(axis=1)
        return bool(len(apart) == 0 or apart.min() > tolerance)

    def snapshot(self) -> dict[str, Any]:
        """Return everything as plain numbers and text, as JSON can hold it."""
        basis, noise = self.basis, self.noise
        return {
            "signature": list(self.signature),
            "eyes": list(self.eyes),
            "basis": basis_snapshot(basis),
            "mean": numbers(self.weights.mean),
            "cov": triangle(self.weights.cov),
            "noise": noise_snapshot(noise),
            "people": self.people,
            "setups": numbers(self.setups),
            "origin": self.origin,
            "notes": list(self.notes),
        }

    @classmethod
    def from_snapshot(cls, plain: dict[str, Any]) -> SharedMapping:
        """Make a shared mapping again from its snapshot.

        Raises
        ------
        InputError
            When a part is missing or does not fit.
        """
        try:
            basis = basis_from(plain["basis"], len(plain["eyes"]))
            made = cls(
                signature=tuple(plain["signature"]),
                eyes=tuple(plain["eyes"]),
                basis=basis,
                weights=gaussian_from(plain["mean"], plain["cov"], basis.size),
                noise=noise_from(plain["noise"], len(plain["eyes"])),
                people=int(plain["people"]),
                setups=np.asarray(plain["setups"], float).reshape(-1, 5),
                origin=str(plain["origin"]),
                notes=tuple(plain["notes"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"the shared mapping is damaged ({error}); make it again"
            ) from error
        return made

    def save(self, path: str | Path, *, overwrite: bool = True) -> None:
        """Write a `calibkit-shared` file."""
        from calibkit.kept import store

        software = f"calibkit {calibkit.__version__}"
        tree = to_tree({**self.snapshot(), "software": software})
        store.write(
            Path(path), tree, format=FORMAT, version=VERSION, overwrite=overwrite
        )

    @classmethod
    def load(cls, path: str | Path) -> SharedMapping:
        """Read a `calibkit-shared` file.

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

    @property
    def id(self) -> int:
        """A positive 31-bit number made from the contents."""
        return identity(self.snapshot())


def identity(plain: dict[str, Any]) -> int:
    """31-bit number from the hash of a snapshot; never 0."""
    text = json.dumps(plain, sort_keys=True).encode()
    return (int.from_bytes(hashlib.sha256(text).digest()[:4], "big") & 0x7FFFFFFF) or 1


def digits(values: Array, count: int) -> Array:
    """Values rounded to so many significant digits; 0 and infinity stay."""
    rounded = [float(f"{v:.{count}g}") for v in np.ravel(values).tolist()]
    return np.array(rounded).reshape(np.shape(values))


def upper(matrix: Array) -> Array:
    """Upper triangle, row by row."""
    return matrix[np.triu_indices(len(matrix))]


def triangle(cov: Array) -> list[Any]:
    """Upper triangle of a covariance with the digits that are kept of it.

    With many covariates fewer, so that a snapshot stays small.
    """
    values = upper(cov)
    return numbers(values, 9 if len(values) <= MANY_NUMBERS else 5)


def symmetric(rows: Sequence[float], size: int) -> Array:
    """Symmetric matrix (size, size) from its upper triangle."""
    matrix = np.zeros((size, size))
    matrix[np.triu_indices(size)] = rows
    full: Array = matrix + np.triu(matrix, 1).T
    return full


def gaussian_from(mean: Sequence[float], cov: Sequence[float], size: int) -> Gaussian:
    """Make a Gaussian from its mean and the covariance's upper triangle."""
    matrix = symmetric(cov, size)
    middle = np.asarray(mean, float).reshape(size)
    if not (np.isfinite(middle).all() and np.isfinite(matrix).all()):
        raise ValueError("a weight is not finite")
    return Gaussian(mean=middle, cov=matrix)


def basis_snapshot(basis: Basis) -> dict[str, Any]:
    """Return the basis as plain numbers and text."""
    return {
        "degree": basis.degree,
        "covariates": list(basis.covariates),
        "centre": numbers(basis.centre),
        "scale": numbers(basis.scale),
        "extra_centre": numbers(basis.extra_centre),
        "extra_scale": numbers(basis.extra_scale),
    }


def basis_from(plain: dict[str, Any], eyes: int) -> Basis:
    """Make a basis from plain numbers and text."""
    covariates = tuple(plain["covariates"])
    shape = (eyes, len(covariates))
    degree = int(plain["degree"])
    if not 1 <= degree <= 3:
        raise ValueError(f"degree {degree}")
    return Basis(
        degree=degree,
        covariates=covariates,
        centre=np.asarray(plain["centre"], float).reshape(eyes, 2),
        scale=np.asarray(plain["scale"], float).reshape(eyes, 2),
        extra_centre=np.asarray(plain["extra_centre"], float).reshape(shape),
        extra_scale=np.asarray(plain["extra_scale"], float).reshape(shape),
    )


def noise_snapshot(noise: Noise) -> dict[str, Any]:
    """Return the noise as plain numbers."""
    return {
        "fixation": numbers(noise.fixation),
        "eye": numbers(noise.eye),
        "spread": float(noise.spread),
        "sample": numbers(upper(noise.sample)),
        "drift": numbers(noise.drift),
    }


def noise_from(plain: dict[str, Any], eyes: int) -> Noise:
    """Make a noise from plain numbers."""
    return Noise(
        fixation=np.asarray(plain["fixation"], float).reshape(2),
        eye=np.asarray(plain["eye"], float).reshape(eyes, 2),
        spread=float(plain["spread"]),
        sample=symmetric(plain["sample"], 2 * eyes),
        drift=np.asarray(plain["drift"], float).reshape(2),
    )


def as_kept(
    basis: Basis, weights: Gaussian, noise: Noise
) -> tuple[Basis, Gaussian, Noise]:
    """Return the parts with the digits that a file keeps.

    What was fitted and judged then is to the last bit what is loaded and used.
    """
    eyes = len(basis.centre)
    kept = gaussian_from(numbers(weights.mean), triangle(weights.cov), basis.size)
    return (
        basis_from(basis_snapshot(basis), eyes),
        kept,
        noise_from(noise_snapshot(noise), eyes),
    )


def for_eyes(shared: SharedMapping, eyes: tuple[str, ...]) -> SharedMapping:
    """Return the part of a shared mapping that concerns some of its eyes.

    Raises
    ------
    InputError
        When it knows nothing of one of them.
    """
    if eyes == shared.eyes:
        return shared
    lacking = [eye for eye in eyes if eye not in shared.eyes]
    if lacking:
        raise InputError(
            f"the shared mapping is for the eyes {', '.join(shared.eyes)}, the "
            f"recording has {', '.join(eyes)}; learn one from such recordings"
        )
    order = [shared.eyes.index(eye) for eye in eyes]
    per_eye = 2 * shared.basis.terms
    rows = np.concatenate([np.arange(per_eye) + e * per_eye for e in order])
    basis, noise = shared.basis, shared.noise
    columns = np.concatenate([[2 * e, 2 * e + 1] for e in order])
    return replace(
        shared,
        signature=tuple(shared.signature[e] for e in order),
        eyes=eyes,
        basis=replace(
            basis,
            centre=basis.centre[order],
            scale=basis.scale[order],
            extra_centre=basis.extra_centre[order],
            extra_scale=basis.extra_scale[order],
        ),
        weights=Gaussian(
            mean=shared.weights.mean[rows], cov=shared.weights.cov[np.ix_(rows, rows)]
        ),
        noise=replace(
            noise, eye=noise.eye[order], sample=noise.sample[np.ix_(columns, columns)]
        ),
    )
