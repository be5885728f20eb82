"""Seeded people at seeded trackers, built from eyes rather than from polynomials.

`person` draws somebody, `begin` sits them down, `see` and `advance` let them live on
your clock; `record` does a whole recording at once. What streams is what a tracker
would send; where the person really looked is only told by `truth`, for tests.
"""

from __future__ import annotations

from calibkit.simulation.desks import TRACKERS, Desk, desk, desk_for
from calibkit.simulation.kinds import KINDS, Traits
from calibkit.simulation.life import Life
from calibkit.simulation.offline import record
from calibkit.simulation.people import Person, person

__all__ = [
    "KINDS",
    "TRACKERS",
    "Desk",
    "Life",
    "Person",
    "Traits",
    "desk",
    "desk_for",
    "person",
    "record",
]
