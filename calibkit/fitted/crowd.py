"""Looks of many persons, from whom to learn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.fitted.features import Layout, agree, layout, said, with_covariates
from calibkit.fitted.frames import Frame, about_zero, centres, frames
from calibkit.fitted.material import Material, gather, merged
from calibkit.fitted.observations import Points
from calibkit.fitted.prior import FEWEST, TOLERANCE
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]

GLIDE_LAG_S = 0.1  # of people who only followed a moving target


@dataclass(frozen=True, kw_only=True, eq=False)
class Crowd:
    """Sittings of persons: looks to learn from, looks to check with.

    Parameters
    ----------
    layout : Layout
    points, checks : tuples of Points
        One per sitting: what one person did in one session.
    person : array (k,) of int
        Whose sitting it is.
    frames : tuple of Frame
        Of the set-ups that they were brought together from; none where there was one.
    lacking : tuple of str
        Covariates that are not read because some recordings have them not.
    """

    layout: Layout
    points: tuple[Points, ...]
    checks: tuple[Points, ...]
    person: NDArray[np.int_]
    frames: tuple[Frame, ...] = ()
    lacking: tuple[str, ...] = ()

    @property
    def people(self) -> int:
        """How many persons they are."""
        return len(np.unique(self.person))

    @property
    def share(self) -> Array:
        """What each sitting counts, (k,): persons count alike, all of them k."""
        number = np.bincount(self.person)[self.person]
        share: Array = len(number) / self.people / number
        return share

    @property
    def about_zero(self) -> tuple[bool, ...]:
        """Per eye, whether features have a zero of their own."""
        return about_zero(self.layout)

    def by_turns(self, count: int) -> NDArray[np.int_]:
        """Choose so many sittings: everybody's first, then everybody's second, ..."""
        seen = [int(np.sum(self.person[:k] == p)) for k, p in enumerate(self.person)]
        order: NDArray[np.int_] = np.argsort(seen, kind="stable")[:count]
        return order


def crowd_of(
    recordings: Sequence[Recording],
    eyes: str,
    extra: tuple[str, ...],
    min_confidence: float | None,
) -> Crowd:
    """Find the looks of everybody; features of several set-ups are made alike.

    Raises
    ------
    InputError
        With fewer than three persons, or recordings of different kinds of tracker.
    """
    if not recordings:
        raise InputError("no recordings were given; a shared mapping needs 3 persons")
    plans, lacking = _common(
        [layout(rec.channels, eyes, extra) for rec in recordings],
        [rec.person for rec in recordings],
    )
    sittings: dict[tuple[str, str], list[tuple[Recording, Layout]]] = {}
    for k, (rec, plan) in enumerate(zip(recordings, plans, strict=True)):
        key = (rec.person or f"\0{k}", rec.session)
        sittings.setdefault(key, []).append((rec, plan))
    points, checks, names, places = [], [], [], []
    for (name, _), own in sittings.items():
        looks = _material(own, "calibration", min_confidence).at_lag(GLIDE_LAG_S)
        if len(looks):
            points.append(looks)
            check = _material(own, "validation", min_confidence).points
            checks.append(check.take(~check.moving))
            names.append(name)
            setup = own[-1][0].setup
            places.append([*setup.screen_mm, setup.distance_mm])
    persons = list(dict.fromkeys(names))
    if len(persons) < FEWEST:
        raise InputError(
            f"{len(persons)} person(s) with usable calibration targets; a shared "
            f"mapping needs at least {FEWEST}"
        )
    crowd = Crowd(
        layout=plans[0],
        points=tuple(points),
        checks=tuple(checks),
        person=np.array([persons.index(name) for name in names]),
        lacking=lacking,
    )
    return _together(crowd, _alike(np.array(places)))


def _common(
    plans: Sequence[Layout], persons: Sequence[str]
) -> tuple[list[Layout], tuple[str, ...]]:
    """Return how to read what all recordings have, and covariates that some lack."""
    first = plans[0]
    which = [
        f"recording {k}" + (f" (of {name})" if name else "")
        for k, name in enumerate(persons, start=1)
    ]
    for number, other in enumerate(plans):
        if not agree(other.signature, first.signature):
            raise InputError(
                f"the recordings come from different kinds of tracker: {which[0]} has "
                f"{_lacking(first, other)}, {which[number]} "
                f"{_lacking(other, first)}; learn a shared mapping for each"
            )
    named = dict.fromkeys(name for plan in plans for name in plan.covariates)
    everywhere = [n for n in named if all(n in plan.covariates for plan in plans)]
    lacking = tuple(name for name in named if name not in everywhere)
    return [with_covariates(plan, everywhere) for plan in plans], lacking


def _lacking(one: Layout, other: Layout) -> str:
    """Name the features that the other layout has not, or has otherwise."""
    rest = list(other.signature)
    mine = []
    for features in one.signature:
        same = [r for r in rest if agree((features,), (r,))]
        if same:
            rest.remove(same[0])
        else:
            mine.append(features)
    return said(mine) or "no others"


def _material(
    own: Sequence[tuple[Recording, Layout]], role: str, min_confidence: float | None
) -> Material:
    return merged([gather(rec, plan, role, min_confidence) for rec, plan in own])


def _alike(setups: Array) -> NDArray[np.int_]:
    """Which set-ups (k, 3) count as one: a number for each."""
    known: list[Array] = []
    which = []
    for one in setups:
        near = [np.abs(one / other - 1.0).max() <= TOLERANCE for other in known]
        which.append(near.index(True) if any(near) else len(known))
        if not any(near):
            known.append(one)
    return np.array(which)


def _together(crowd: Crowd, setup: NDArray[np.int_]) -> Crowd:
    """Bring features of several set-ups to one; degrees are alike as they are."""
    if crowd.layout.in_degrees or setup.max() == 0:
        return crowd
    zero = crowd.about_zero
    made = frames(crowd.points, setup, zero)
    centre = centres(crowd.points, zero)

    def aligned(found: tuple[Points, ...]) -> tuple[Points, ...]:
        pairs = zip(setup.tolist(), found, strict=True)
        return tuple(made[g].aligned(looks, centre) for g, looks in pairs)

    return replace(
        crowd,
        points=aligned(crowd.points),
        checks=aligned(crowd.checks),
        frames=tuple(made),
    )
