"""Draw a person's eyes from the spread of a population.

Means are those of the literature (corneal radius 7.8 mm, pupil 4.2 mm from its centre,
5.3 mm from there to the turning centre, visual axis 5 degrees to the nose and 1.5 up);
the spreads are from memory of ocular biometry and tagged so.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from calibkit.simulation.eyes import Eyes
from calibkit.simulation.kinds import Traits
from calibkit.simulation.optics import Array, unit

RADIUS_MM = 7.8
PUPIL_MM = 4.2
TURNING_MM = 5.3
KAPPA_DEG = (5.0, 1.5)
APART_MM = 63.0


def _pair(rng: np.random.Generator, mean: float, sd: float, alike: float) -> Array:
    """One figure for each eye: `alike` is the correlation between the two."""
    shared, own = rng.standard_normal(), rng.standard_normal(2)
    return mean + sd * (np.sqrt(alike) * shared + np.sqrt(1 - alike) * own)


@cache
def average_eyes() -> Eyes:
    """Build the average person's eyes: round corneas, no artefact, no spectacles."""
    return Eyes(
        centre_mm=_centres(APART_MM, np.zeros((2, 2))),
        kappa_deg=np.tile(KAPPA_DEG, (2, 1)),
        axes_mm=np.full((3, 2, 1), RADIUS_MM),
        spin_deg=np.zeros(2),
        apex_mm=np.full(2, RADIUS_MM + TURNING_MM),
        pupil_depth_mm=np.full(2, RADIUS_MM - PUPIL_MM),
        slide_mm=np.zeros((2, 2)),
        power=np.zeros((2, 1)),
        lens_mm=np.zeros((3, 2, 1)),
        lens_axis=np.tile(np.array([0, 0, -1.0]).reshape(3, 1, 1), (1, 2, 1)),
    )


def draw_eyes(rng: np.random.Generator, traits: Traits) -> Eyes:
    """Draw one person's eyes.

    Parameters
    ----------
    rng : numpy Generator
    traits : Traits
        Of which only the spectacles matter here.

    Returns
    -------
    Eyes
    """
    radius = _pair(rng, RADIUS_MM, 0.26, 0.9)
    shape = np.clip(_pair(rng, -0.26, 0.15, 0.7), -0.7, 0.2)
    astigmatism = np.abs(_pair(rng, 0.0, 0.1, 0.6)) + 0.04
    deep = radius / (1 + shape)
    flat, steep = radius + astigmatism / 2, radius - astigmatism / 2
    axes = np.stack([np.sqrt(flat * deep), np.sqrt(steep * deep), deep])
    centre = _centres(APART_MM + 3.5 * rng.standard_normal(), rng.normal(0, 1, (2, 2)))
    lens = _spectacles(rng, centre) if traits.lenses else _no_spectacles(centre)
    return Eyes(
        centre_mm=centre,
        kappa_deg=np.column_stack(
            [_pair(rng, KAPPA_DEG[0], 1.2, 0.6), _pair(rng, KAPPA_DEG[1], 1.1, 0.6)]
        ),
        axes_mm=axes[:, :, None],
        spin_deg=_mirrored(_pair(rng, 0.0, 15.0, 0.5)),
        apex_mm=_pair(rng, RADIUS_MM + TURNING_MM, 0.4, 0.9),
        pupil_depth_mm=_pair(rng, RADIUS_MM - PUPIL_MM, 0.18, 0.9),
        slide_mm=_slides(rng),
        power=lens[0],
        lens_mm=lens[1],
        lens_axis=lens[2],
    )


def _mirrored(left_right: Array) -> Array:
    return left_right * (1, -1)


def _centres(apart_mm: float, offsets: Array) -> Array:
    half = apart_mm / 2
    right = np.array([-half, half])
    return np.stack([right, 0.6 * offsets[0], 0.8 * offsets[1]])[:, :, None]


def _slides(rng: np.random.Generator) -> Array:
    """Shift per mm of diameter: mean 0.05 mm (literature), outwards and down."""
    sideways = _mirrored(_pair(rng, -0.025, 0.035, 0.4))
    return np.column_stack([sideways, _pair(rng, 0.01, 0.035, 0.4)])


def _no_spectacles(centre: Array) -> tuple[Array, Array, Array]:
    ahead = np.array([0, 0, -1.0]).reshape(3, 1, 1)
    return np.zeros((2, 1)), centre + 26 * ahead, np.tile(ahead, (1, 2, 1))


def _spectacles(rng: np.random.Generator, centre: Array) -> tuple[Array, Array, Array]:
    """Mostly minus lenses, 12-14 mm before the cornea, tilted 5-12 degrees."""
    # Above +1 dioptre the desk would lie near the lens's focal plane.
    strength = rng.uniform(-5.5, -0.75) if rng.random() < 0.8 else rng.uniform(0.3, 1)
    power = np.minimum(strength + 0.4 * rng.standard_normal(2), 1.0)
    back = rng.uniform(25, 27.5)
    shift = rng.normal(0, [[1.5], [2.0]], (2, 2))
    lens = centre + np.array([[0, 0], [0, 0], [-back, -back]])[:, :, None]
    lens[:2] += shift[:, :, None]
    tilt, wrap = np.radians(rng.uniform(5, 12)), np.radians(rng.uniform(0, 5))
    axis = np.stack([[-wrap, wrap], [tilt, tilt], [-1.0, -1.0]])[:, :, None]
    return power[:, None], lens, unit(axis)
