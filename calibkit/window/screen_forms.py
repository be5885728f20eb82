"""What a target is drawn of: forms in one grey, or pictures, as plain numbers.

A form is a pile of plain shapes from back to front. The bull's-eye with a cross is the
one on which eyes rest best (Thaler et al. 2013); the others may catch the eye better.
Each has a dot in its middle to rest on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

ARM_SHARE = 1.0 / 3.0
# Pictures of a sequence melt into each other; nothing is cut.
MELT_S = 0.3


@dataclass(frozen=True, kw_only=True)
class Part:
    """One shape: what it is, its width and height by the target's, inked or blank."""

    kind: str
    wide: float
    high: float
    inked: bool


def _disc(size: float, *, inked: bool) -> Part:
    return Part(kind="disc", wide=size, high=size, inked=inked)


_DOT = _disc(ARM_SHARE, inked=True)
FORMS: Mapping[str, tuple[Part, ...]] = {
    "bullseye": (
        _disc(1.0, inked=True),
        Part(kind="bar", wide=1.06, high=ARM_SHARE, inked=False),
        Part(kind="bar", wide=ARM_SHARE, high=1.06, inked=False),
        _DOT,
    ),
    "ring": (_disc(1.0, inked=True), _disc(0.66, inked=False), _DOT),
    "diamond": (
        Part(kind="diamond", wide=1.0, high=1.0, inked=True),
        _disc(0.55, inked=False),
        _DOT,
    ),
    "square": (
        Part(kind="bar", wide=0.9, high=0.9, inked=True),
        _disc(0.66, inked=False),
        _DOT,
    ),
}
# On a picture: a blank disc and a dot, to rest on.
MIDDLE = (_disc(1.0, inked=False), _disc(0.5, inked=True))


def melting(passed: float, picture_s: float, count: int) -> dict[int, float]:
    """Opacity of each picture that is on, back to front, where so many have passed.

    Parameters
    ----------
    passed : float
        Pictures that have passed, with the fraction of the one that is on.
    picture_s : float
        How long each stays.
    count : int
        How many there are.

    Returns
    -------
    dict of int: float
    """
    number = int(passed)
    on, before = number % count, (number - 1) % count
    share = (passed - number) * picture_s / MELT_S
    if number == 0 or share >= 1.0 or on == before:
        return {on: 1.0}
    return {before: 1.0, on: share}
