"""From a protocol to what one session will show: places in pixels, order, way, gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.errors import InputError
from calibkit.geometry import Setup, angle_between, area_to_px
from calibkit.kept.protocol import check_points
from calibkit.kept.protocol_model import MAX_TOTAL_S, Pace, Protocol, Targets

Array = NDArray[np.float64]
CORNER_CUTS = 4
STEPS = 2000


@dataclass(frozen=True, kw_only=True, eq=False)
class Way:
    """Where a gliding target is: places (k, 2) in px at times (k,) in s."""

    times: Array
    places: Array

    @property
    def lasts_s(self) -> float:
        """How long the target takes to go all the way."""
        return float(self.times[-1])

    def at(self, time_s: float) -> tuple[float, float]:
        """Place at a time since the start, px."""
        x, y = (np.interp(time_s, self.times, self.places[:, k]) for k in (0, 1))
        return float(x), float(y)


@dataclass(frozen=True, kw_only=True, eq=False)
class Target:
    """One target: place in px, role, empty time before it, and its way if it glides."""

    id: int
    x: float
    y: float
    role: str
    gap_s: float
    way: Way | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """All that a session needs to know of protocol, set-up and person.

    With `between` it rests after each target until the operator goes on.
    """

    setup: Setup
    targets: tuple[Target, ...]
    advance: str
    look: Targets
    pace: Pace
    between: bool = False


def way(setup: Setup, corners_px: Array, speed_deg_s: float) -> Way:
    """Lay a smooth way through corners, at a constant speed as the person sees it.

    Parameters
    ----------
    setup : Setup
    corners_px : array (k, 2), px
        Ends are kept; corners in between are rounded.
    speed_deg_s : float, degrees per second along the way

    Returns
    -------
    Way

    Notes
    -----
    Corners are cut at a quarter of each side, again and again (Chaikin 1974), which
    tends to a quadratic spline: no sudden turn, which pursuit could not follow.
    """
    line = corners_px
    for _ in range(CORNER_CUTS):
        cut = np.stack([0.75 * line[:-1] + 0.25 * line[1:],
                        0.25 * line[:-1] + 0.75 * line[1:]], axis=1)  # fmt: skip
        line = np.vstack([line[:1], cut.reshape(-1, 2), line[-1:]])
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    even = np.linspace(0.0, length[-1], STEPS)
    places = np.column_stack([np.interp(even, length, line[:, k]) for k in (0, 1)])
    angles = angle_between(setup, places[:-1], places[1:])
    times = np.r_[0.0, np.cumsum(angles)] / speed_deg_s
    if times[-1] > MAX_TOTAL_S:
        raise InputError(
            f"path.points take {times[-1]:.0f} s at path.speed_deg_s {speed_deg_s:g} "
            f"on this screen, more than {MAX_TOTAL_S:.0f} s; shorten the way"
        )
    return Way(times=times, places=places)


def plan(
    protocol: Protocol,
    setup: Setup,
    rng: np.random.Generator,
    *,
    advance: str | None = None,
    checks_only: bool = False,
    between: bool = False,
) -> Plan:
    """Turn a protocol into the targets of one session.

    Parameters
    ----------
    protocol : Protocol
    setup : Setup
    rng : Generator
        Shuffles points and varies the gaps, so that no target can be anticipated.
    advance : {"gaze", "timer", "key"}, optional
        Takes the place of the protocol's.
    checks_only : bool
        Only the points that check a mapping.
    between : bool
        Rest after each target until the operator goes on.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        When there is nothing to show, or a way takes too long.
    """
    targets = _targets(_rows(protocol, setup, rng, checks_only), protocol.pace, rng)
    if protocol.glides and not checks_only:
        targets = [_glider(protocol, setup), *targets]
    if not targets:
        raise InputError(f"the protocol {protocol.name!r} has no point to show")
    return Plan(
        setup=setup,
        targets=tuple(targets),
        advance=advance or protocol.pace.advance,
        look=protocol.targets,
        pace=protocol.pace,
        between=between,
    )


def _rows(
    protocol: Protocol, setup: Setup, rng: np.random.Generator, checks_only: bool
) -> list[tuple[Array, str]]:
    """Places of the resting targets in their order, each with its role."""
    own, look = protocol.protocol.role, protocol.targets
    rows: list[tuple[Array, str]] = []
    if own == "validation" or not checks_only:
        order = rng if look.order == "shuffled" else None
        rows += [(p, own) for p in _places(setup, look.points, look.area, order)]
    checks, area = check_points(protocol)
    return rows + [(p, "validation") for p in _places(setup, checks, area, rng)]


def _places(
    setup: Setup,
    points: Sequence[tuple[float, float]],
    area: tuple[float, float],
    rng: np.random.Generator | None,
) -> Array:
    places = area_to_px(setup, np.array(points, float).reshape(-1, 2), area)
    return places if rng is None else rng.permutation(places)


def _targets(
    rows: Sequence[tuple[Array, str]], pace: Pace, rng: np.random.Generator
) -> list[Target]:
    return [
        Target(
            id=number,
            x=float(place[0]),
            y=float(place[1]),
            role=role,
            gap_s=float(rng.uniform(1.0, 2.0) * pace.gap_s),
        )
        for number, (place, role) in enumerate(rows, 1)
    ]


def _glider(protocol: Protocol, setup: Setup) -> Target:
    corners = area_to_px(setup, np.array(protocol.path.points), protocol.targets.area)
    course = way(setup, corners, protocol.path.speed_deg_s)
    x, y = course.at(0.0)
    return Target(
        id=0,
        x=x,
        y=y,
        role=protocol.protocol.role,
        gap_s=protocol.pace.gap_s,
        way=course,
    )
