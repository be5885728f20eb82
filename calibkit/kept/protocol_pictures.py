"""Pictures that a protocol shows: inside its folder, of a sane size, without flashes.

All is checked before anybody is asked to look: place, size of the file, size of the
picture by its head, then decoding, then colours. The limits of red are WCAG 2.3.1;
a sequence changes at most twice a second by `targets.picture_s`, and by little.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.kept.protocol_model import RED_SHARE, Protocol

Array = NDArray[np.float64]
MAX_BYTES = 8 << 20
MAX_ALL_BYTES = 64 << 20
MAX_SIDE_PX = 2048
FORMATS = ("PNG", "JPEG")
# Four fifths of a grey field's change would count as a flash at one tenth.
MAX_STEP = 0.1
MAX_RED = 0.25
SEEN_PX = 96


def paths(protocol: Protocol, file: Path) -> tuple[Path, ...]:
    """Where the pictures of a protocol lie; a link out of the folder is refused.

    Parameters
    ----------
    protocol : Protocol
    file : Path
        The protocol's own file.

    Returns
    -------
    tuple of Path

    Raises
    ------
    InputError
    """
    folder = file.parent.resolve()
    found = []
    for name in protocol.targets.pictures:
        path = (folder / name).resolve()
        if not path.is_relative_to(folder):
            raise InputError(
                f"{file}: the picture {name!r} leads out of the folder {folder}; copy "
                "it there"
            )
        if not path.is_file():
            raise InputError(
                f"{file}: the picture {name!r} is not in the folder {folder}; copy it "
                "there, or correct targets.pictures"
            )
        found.append(path)
    return tuple(found)


def check(protocol: Protocol, file: Path) -> None:
    """Refuse pictures that cannot be shown, or that would flash.

    Raises
    ------
    InputError
        In one sentence: which picture, why, what to do.
    """
    places = paths(protocol, file)
    total = sum(path.stat().st_size for path in places)
    if total > MAX_ALL_BYTES:
        raise InputError(
            f"{file}: its pictures take {total / 2**20:.0f} MB together, more than "
            f"{MAX_ALL_BYTES >> 20} MB; use fewer or smaller ones"
        )
    back = np.asarray(protocol.targets.background)
    levels = [_mean_luminance(_decoded(path), path, back) for path in places]
    for number, level in enumerate(levels):
        following = (number + 1) % len(levels)
        step = abs(level - levels[following])
        if step > MAX_STEP:
            raise InputError(
                f"{file}: the pictures {places[number].name} and "
                f"{places[following].name} follow each other and differ in brightness "
                f"by {step:.2f}, more than {MAX_STEP:g}; choose pictures of like "
                "brightness, so that nothing flashes"
            )


def _decoded(path: Path) -> Array:
    """Decode a picture small, as red, green, blue and opacity (h, w, 4), 0-1."""
    from PIL import Image

    size = path.stat().st_size
    if size > MAX_BYTES:
        raise InputError(
            f"the picture {path} takes {size / 2**20:.0f} MB, more than "
            f"{MAX_BYTES >> 20} MB; make it smaller"
        )
    try:
        with Image.open(path, formats=FORMATS) as picture:
            _check_side(picture, path)
            small = picture.convert("RGBA")
    except InputError:
        raise
    except Exception as error:
        raise InputError(
            f"the picture {path} cannot be read as PNG or JPEG "
            f"({type(error).__name__}); it may be cut short: save it anew"
        ) from None
    small.thumbnail((SEEN_PX, SEEN_PX))
    return np.asarray(small, float) / 255.0


def _check_side(picture: Any, path: Path) -> None:
    width, height = picture.size
    if max(width, height) > MAX_SIDE_PX or min(width, height) < 1:
        raise InputError(
            f"the picture {path} has {width} x {height} pixels, more than "
            f"{MAX_SIDE_PX} a side; make it smaller"
        )


def _mean_luminance(pixels: Array, path: Path, background: Array) -> float:
    colours = pixels[..., :3] * pixels[..., 3:] + background * (1.0 - pixels[..., 3:])
    bright = colours.sum(axis=2)
    red = (bright > 0.2) & (colours[..., 0] >= RED_SHARE * bright)
    if red.mean() > MAX_RED:
        raise InputError(
            f"the picture {path} is a saturated red in {red.mean():.0%} of its area, "
            f"the limit is {MAX_RED:.0%}; choose another, because red can provoke "
            "seizures"
        )
    linear = np.where(colours <= 0.04045, colours / 12.92,
                      ((colours + 0.055) / 1.055) ** 2.4)  # fmt: skip
    return float((linear @ (0.2126, 0.7152, 0.0722)).mean())
