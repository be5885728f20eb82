"""From looks to regression blocks: one block per target, the eyes and axes within it.

`gaze = functions(features) @ weights + shared error + eye error`: the shared error (the
person does not look at the very centre of a target) is common to both eyes, the eye
error is not, and the noise of a look's mean comes through the mapping's own slope.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted import bayes
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Blocks, Solution

if TYPE_CHECKING:
    from calibkit.fitted.looks import Look, Sight

Array = NDArray[np.float64]

# A gliding target is followed less exactly than a still one is looked at, and the error
# of one block is still there in the next (measured on simulated persons).
GLIDE_FACTOR = 6.0
OF_ALL = ("spread", "extra_spread")  # of Points, what is not by look
LAPSE_DEG = 8.0  # sd of where people look who do not look at the target


@dataclass(frozen=True, kw_only=True, eq=False)
class Noise:
    """Standard deviations in degrees.

    Parameters
    ----------
    fixation : array (2,)
        Of the error that both eyes share, right and down.
    eye : array (e, 2)
        Of what each eye's mapping cannot follow.
    spread : float
        How much persons differ: sd of the logarithm of these.
    sample : array (2e, 2e)
        Covariance of one sample's measurement noise, degrees squared.
    drift : array (2,)
        Of what changes between calibration and use.
    """

    fixation: Array
    eye: Array
    spread: float
    sample: Array
    drift: Array

    def scaled(self, log_factors: Array) -> Noise:
        """Return the noise times factors.

        Parameters
        ----------
        log_factors : array (1 + e + 1,)
            Logarithms for the shared error, for each eye, and for the vertical of all.
        """
        factors = np.exp(log_factors)
        vertical = np.array([1.0, factors[-1]])
        return Noise(
            fixation=self.fixation * factors[0] * vertical,
            eye=self.eye * factors[1:-1, None] * vertical,
            spread=self.spread,
            sample=self.sample,
            drift=self.drift,
        )


def factor_count(noise: Noise) -> int:
    """Number of factors that `scaled` takes."""
    return len(noise.eye) + 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """What was seen at T looks, as plain arrays.

    Parameters
    ----------
    gaze : array (T, 2), degrees
        Field angles of the targets.
    mean : array (T, e, 2)
        Features, 0 where the eye was not seen.
    mean_cov : array (T, 2e, 2e)
    extra : array (T, e, c)
    seen : array (T, e) of bool
    moving : array (T,) of bool
    target : array (T,) of int
        Row in the recording's targets.
    spread : array (2e, 2e)
        Covariance of single samples, in features.
    extra_spread : array (ec, ec), optional
        The same of their covariates, where it is known.
    """

    gaze: Array
    mean: Array
    mean_cov: Array
    extra: Array
    seen: NDArray[np.bool_]
    moving: NDArray[np.bool_]
    target: NDArray[np.int_]
    spread: Array
    extra_spread: Array | None = None

    def __len__(self) -> int:
        return len(self.gaze)

    def take(self, which: NDArray[np.int_] | NDArray[np.bool_]) -> Points:
        """Return some of the looks."""
        parts = {
            name: value if name in OF_ALL else value[which]
            for name, value in vars(self).items()
        }
        return Points(**parts)

    def at(self, gaze: Array) -> Points:
        """Return the same looks with other target positions (T, 2)."""
        return Points(**{**vars(self), "gaze": gaze})


def points(looks: Sequence[Look], gaze: Array, sight: Sight, eyes: int) -> Points:
    """Stack looks; `gaze` (T, 2) are the field angles of what was looked at."""
    from calibkit.fitted.looks import mean_covariance

    count = len(looks)
    covariates = len(sight.extra_spread) // eyes
    mean = np.array([look.mean for look in looks]).reshape(count, eyes, 2)
    seen = np.isfinite(mean).all(-1)
    cov = [mean_covariance(look, sight.spread, sight.correlation) for look in looks]
    return Points(
        gaze=np.asarray(gaze, float).reshape(count, 2),
        mean=np.where(seen[..., None], mean, 0.0),
        mean_cov=np.array(cov).reshape(count, 2 * eyes, 2 * eyes),
        extra=np.array([look.extra for look in looks]).reshape(count, eyes, covariates),
        seen=seen,
        moving=np.array([look.path_time is not None for look in looks], bool),
        target=np.array([look.target for look in looks], int),
        spread=sight.spread,
        extra_spread=sight.extra_spread,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """Points seen through a basis: everything that does not depend on the weights.

    Leading batch dimensions are allowed in front of each array.
    """

    design: Array  # (..., T, 2e, d)
    target: Array  # (..., T, 2e)
    present: NDArray[np.bool_]  # (..., T, 2e)
    slope: Array  # (..., T, e, 2, terms)
    mean_cov: Array  # (..., T, 2e, 2e)
    moving: NDArray[np.bool_]  # (..., T)


def prepare(basis: Basis, found: Points) -> Prepared:
    """Evaluate the basis at each look."""
    count, eyes = found.seen.shape
    mean = np.where(found.seen[..., None], found.mean, basis.centre)
    functions = basis.functions(mean.swapaxes(0, 1), found.extra.swapaxes(0, 1))
    slope = basis.derivatives(mean.swapaxes(0, 1)).swapaxes(0, 1)
    design = np.zeros((count, eyes, 2, eyes, 2, basis.terms))
    for e in range(eyes):
        for axis in range(2):
            design[:, e, axis, e, axis] = functions[e] * found.seen[:, e, None]
    present = np.repeat(found.seen, 2, axis=1)
    return Prepared(
        design=design.reshape(count, 2 * eyes, basis.size),
        target=np.where(present, np.tile(found.gaze, eyes), 0.0),
        present=present,
        slope=slope,
        mean_cov=found.mean_cov,
        moving=found.moving,
    )


def gains(slope: Array, weights: Array) -> Array:
    """Degrees of gaze per unit of feature, (..., T, 2e, 2e), block by eye."""
    eyes, terms = slope.shape[-3], slope.shape[-1]
    shaped = weights.reshape(*weights.shape[:-1], 1, eyes, 2, terms)
    each = np.einsum("...fk,...ak->...af", slope, shaped)
    out = np.zeros((*each.shape[:-3], 2 * eyes, 2 * eyes))
    for e in range(eyes):
        out[..., 2 * e : 2 * e + 2, 2 * e : 2 * e + 2] = each[..., e, :, :]
    return out


def structure(noise: Noise) -> Array:
    """Covariance (2e, 2e) of shared and eye errors."""
    return structures(noise, np.zeros((1, factor_count(noise))))[0]


def structures(noise: Noise, log_factors: Array) -> Array:
    """The same (h, 2e, 2e) of `noise.scaled` by several factors (h, 1 + e + 1)."""
    factors, eyes = np.exp(log_factors), len(noise.eye)
    vertical = np.ones((len(factors), 2))
    vertical[:, 1] = factors[:, -1]
    shared = (noise.fixation * factors[:, :1] * vertical) ** 2
    own = (noise.eye * factors[:, 1:-1, None] * vertical[:, None]) ** 2
    cov = np.zeros((len(factors), eyes, 2, eyes, 2))
    for axis in range(2):
        cov[:, :, axis, :, axis] = shared[:, axis, None, None]
    flat = cov.reshape(len(factors), 2 * eyes, 2 * eyes)
    each = np.arange(2 * eyes)
    flat[:, each, each] += own.reshape(len(factors), -1)
    return flat


def carried(prepared: Prepared, weights: Array) -> Array:
    """Noise of each look's mean, carried to degrees by the weights' slope."""
    gain = gains(prepared.slope, weights)
    cov: Array = gain @ prepared.mean_cov @ np.swapaxes(gain, -1, -2)
    return cov


def blocks(prepared: Prepared, noise: Noise, through: Array) -> Blocks:
    """Regression blocks; `through` is what `carried` gave."""
    return Blocks(
        design=prepared.design,
        target=prepared.target,
        noise=through + structure(noise) * glided(prepared),
        present=prepared.present,
    )


def glided(prepared: Prepared) -> Array:
    """Factor (..., T, 1, 1) on the errors of looks at a target that moves."""
    return np.where(prepared.moving, GLIDE_FACTOR, 1.0)[..., None, None]


def anywhere(width: int) -> Array:
    """Covariance (width, width) that a lapse adds to a look: both eyes go elsewhere."""
    cov: Array = np.tile(np.eye(2), (width // 2, width // 2)) * LAPSE_DEG**2
    return cov


def sound_or_lapse(solution: Solution, made: Blocks) -> Array:
    """Log densities (2, ..., T) of left-out looks, as at the target or elsewhere."""
    sound = solution.left_out_cov
    lapse = bayes.masked_noise(sound + anywhere(sound.shape[-1]), made.present)
    cov = np.stack([sound, lapse])
    solved = np.linalg.solve(cov, solution.left_out[..., None])[..., 0]
    distance2 = np.sum(solved * solution.left_out, axis=-1)
    logs: Array = -0.5 * (distance2 + np.linalg.slogdet(cov)[1])
    return logs


# More than this, sd in degrees, a still eye does not move within a look: what both eyes
# do together beyond it is the tracker's (fixational dispersion, Morales et al. 2016:
# 0.36 degrees over both axes and seconds).
STILL_DEG = 0.2


def sample_noise(spread: Array, gain: Array) -> Array:
    """Measurement noise of one sample in degrees², without the eye's own movement.

    What both eyes do together is the eye's movement, and is gaze, as far as eyes move;
    what they do apart is noise. Of one eye alone, nothing can be taken off.

    Parameters
    ----------
    spread : array (2e, 2e)
        Covariance of samples, in features.
    gain : array (2e, 2e)
        Degrees per unit of feature.

    Returns
    -------
    array (2e, 2e); different axes are independent
    """
    cov: Array = gain @ spread @ gain.T
    eyes = len(cov) // 2
    kept = np.zeros_like(cov)
    for axis in range(2):
        part = cov[axis::2, axis::2].copy()
        if eyes == 2:
            least = 0.9 * min(part[0, 0], part[1, 1])
            moved = np.clip(part[0, 1], 0.0, min(STILL_DEG**2, least))
            part -= moved
        kept[axis::2, axis::2] = part
    return kept
