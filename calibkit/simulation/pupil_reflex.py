"""The tracker that streams pupil and reflexes as its camera sees them."""

from __future__ import annotations

import numpy as np

from calibkit.channels import Channel
from calibkit.simulation.eyes import View
from calibkit.simulation.optics import Array

# Pixels, standard deviations of the two parts of the noise.
PUPIL_WHITE, PUPIL_SLOW = 0.055, 0.065
REFLEX_WHITE, REFLEX_SLOW = 0.03, 0.025
DIAMETER_WHITE, DIAMETER_SLOW = 0.12, 0.15


def channels() -> tuple[Channel, ...]:
    """Per eye: pupil, two reflexes, the pupil's diameter; all in camera pixels."""
    return tuple(
        Channel(label=f"{eye}_{name}", eye=eye, type=kind, unit="pixels")
        for eye in ("left", "right")
        for name, kind in (
            ("pupil_x", "PupilX"),
            ("pupil_y", "PupilY"),
            ("reflex1_x", "ReflexX"),
            ("reflex1_y", "ReflexY"),
            ("reflex2_x", "ReflexX"),
            ("reflex2_y", "ReflexY"),
            ("diameter", "Diameter"),
        )
    )


def noise_sd() -> tuple[Array, Array]:
    """Standard deviations (14,) of white and slow noise, in channel order."""
    white = [PUPIL_WHITE] * 2 + [REFLEX_WHITE] * 4 + [DIAMETER_WHITE]
    slow = [PUPIL_SLOW] * 2 + [REFLEX_SLOW] * 4 + [DIAMETER_SLOW]
    return np.array(white * 2), np.array(slow * 2)


def blur(view: View, noise: Array, lid: Array) -> View:
    """Add noise, and the pupil's slide downwards while a lid crosses it.

    Parameters
    ----------
    view : View
    noise : array (n, 14), px
    lid : array (n,)
        How far the lids are shut, 0-1.

    Returns
    -------
    View
    """
    parts = noise.T.reshape(2, 7, -1)
    pupil = view.pupil + parts[:, :2].swapaxes(0, 1)
    pupil[1] += 0.3 * lid * view.diameter
    shake = parts[:, 2:6].reshape(2, 2, 2, -1).transpose(2, 0, 1, 3)
    return View(
        pupil=pupil,
        reflexes=view.reflexes + shake,
        diameter=view.diameter + parts[:, 6],
    )


def samples(view: View) -> Array:
    """Rows (n, 14) of the stream, in channel order, from a blurred view."""
    rows = []
    for eye in (0, 1):
        rows += [view.pupil[0, eye], view.pupil[1, eye]]
        for light in (0, 1):
            rows += [view.reflexes[0, eye, light], view.reflexes[1, eye, light]]
        rows.append(view.diameter[eye])
    return np.stack(rows, axis=1)
