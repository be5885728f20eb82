"""The studies of the comparison: which mappings, of whom, from how much."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from accuracy_lapses import looked_at
from accuracy_limit import known, limit_of
from accuracy_people import (
    CROSS,
    LAYOUTS,
    MIX,
    PLACES,
    Applies,
    Array,
    Row,
    Sitting,
    cross_quadratic,
    lissajous,
    mixture,
    prior_recordings,
    score,
    shortened,
    sit,
    test_person,
)
from accuracy_tables import ALONE, HIERARCHICAL, LAPSES_KNOWN, LIMIT, TOLD

from calibkit import Recording, fit, learn_shared, simulation
from calibkit.errors import CalibkitError
from calibkit.fitted.fitting import predicted_sd_deg
from calibkit.fitted.prior import SharedMapping
from calibkit.fitted.rivals import fit_rival

Say = Callable[[str], None]
RIVALS = ("offset", "affine", "quadratic", "quadratic-robust", "thin-plate")
ORDER = [4, 0, 8, 2, 6, *[i for i in range(16) if i not in (4, 0, 8, 2, 6)]]
LIMIT_PEOPLE = 80


@dataclass(frozen=True, kw_only=True)
class Place:
    """One tracker at one desk, and how many persons of each study sit there."""

    tracker: str
    geometry: int
    geometries: int
    people: int

    def few(self, share: float) -> int:
        """A smaller number of persons."""
        return max(2, round(self.people * share))


@dataclass(frozen=True, kw_only=True)
class Whom:
    """What the rows of one sitting have in common."""

    study: str
    tracker: str
    person: str
    kind: str
    lapse: float

    def row(self, method: str, points: int, fitted: Applies, sitting: Sitting) -> Row:
        """Score a mapping."""
        error, inside = score(fitted, sitting)
        return self.made(method, points, error, inside)

    def made(
        self,
        method: str,
        points: int,
        error: Array,
        inside: Array,
        value: float = float("nan"),
    ) -> Row:
        """Row of figures at hand."""
        return Row(
            study=self.study,
            tracker=self.tracker,
            method=method,
            points=points,
            person=self.person,
            lapse=self.lapse,
            kind=self.kind,
            error=error,
            inside=inside,
            value=value,
        )


def all_studies(place: Place, say: Say) -> Iterator[Row]:
    """Everything at one desk."""
    mixed = prior_recordings(place.tracker, place.geometry, mixture(20, place.geometry))
    shared = learn_shared(mixed)
    say("prior learned")
    yield from attentive(place, shared)
    say("attentive people done")
    yield from inattentive(place, shared)
    say("inattentive people done")
    yield from steady(place)
    yield from kinds(place, shared)
    say("kinds of people done")
    yield from own_session(place, shared)
    yield from foreign(place, shared)
    yield from gliding(place, shared)
    yield from stopping(place, shared)


def _persons(
    place: Place, count: int, first: int = 0
) -> Iterator[tuple[simulation.Person, str]]:
    for number, kind in enumerate(mixture(count, 77 + place.geometry)):
        person = test_person(place.tracker, place.geometry, first + number, kind)
        yield person, f"{place.geometry}/{first + number}"


def _try(make: Callable[[], Applies]) -> Applies | None:
    try:
        return make()
    except CalibkitError:
        return None  # too few points for this mapping


def _rivals(
    whom: Whom, sitting: Sitting, shared: SharedMapping, names: Sequence[str], n: int
) -> Iterator[Row]:
    rec = sitting.rows(LAYOUTS[n])
    for name in names:
        made = _try(lambda name=name: fit_rival(name, rec, shared))  # type: ignore[misc]
        if made is not None:
            yield whom.row(name, n, made, sitting)


def attentive(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """Every mapping by number of points, and the limit."""
    truth = known(place.tracker, place.geometry, list(MIX) * (LIMIT_PEOPLE // len(MIX)))
    for person, name in _persons(place, place.people):
        whom = Whom(
            study="main",
            tracker=place.tracker,
            person=name,
            kind=person.kind,
            lapse=0.0,
        )
        day = person.seed + 1
        sitting = sit(person, day=day, lapse=0.0)
        limit = limit_of(person, day, sitting, truth)
        for n, layout in LAYOUTS.items():
            rec = sitting.rows(layout)
            yield whom.row(HIERARCHICAL, n, fit(rec, shared), sitting)
            alone = _try(lambda rec=rec: fit(rec))  # type: ignore[misc]
            if alone is not None:
                yield whom.row(ALONE, n, alone, sitting)
            names = RIVALS if n in (1, 2, 3, 5, 9) else RIVALS[1:]
            yield from _rivals(whom, sitting, shared, names if n else (), n)
            error = limit.errors(layout)
            yield whom.made(LIMIT, n, error, np.full(len(error), np.nan))
        cross = cross_quadratic(sitting.rows(CROSS))
        if any(cross.predict):
            yield whom.row("quadratic", 5, cross, sitting)


def inattentive(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """A share of the targets not looked at as asked."""
    for lapse in (0.2, 0.4):
        for person, name in _persons(place, place.people):
            whom = Whom(
                study="main",
                tracker=place.tracker,
                person=name,
                kind=person.kind,
                lapse=lapse,
            )
            sitting = sit(person, day=person.seed + 1, lapse=lapse)
            for n in (1, 2, 3, 5, 9, 16):
                fitted = fit(sitting.rows(LAYOUTS[n]), shared)
                yield whom.row(HIERARCHICAL, n, fitted, sitting)
                if lapse == TOLD:
                    told = fit(looked_at(sitting, LAYOUTS[n]), shared)
                    yield whom.row(LAPSES_KNOWN, n, told, sitting)
            for n in (9, 16):
                names = ("quadratic", "quadratic-robust")
                yield from _rivals(whom, sitting, shared, names, n)


def steady(place: Place) -> Iterator[Row]:
    """Steady people only, prior from steady people only.

    Twice as many as others: what inattention costs scatters by a fifth over forty.
    """
    tracker, geometry = place.tracker, place.geometry
    shared = learn_shared(prior_recordings(tracker, geometry + 50, ["steady"] * 20))
    for number in range(place.few(2.0)):
        person = test_person(tracker, geometry + 50, number, "steady")
        for lapse in (0.0, 0.4):
            whom = Whom(
                study="steady",
                tracker=tracker,
                person=f"{geometry}/{number}",
                kind="steady",
                lapse=lapse,
            )
            day = person.seed + 1
            sitting = sit(person, day=day, lapse=lapse, places=PLACES[:9])
            few = lapse == 0 and number < place.few(0.4)
            for n in (1, 2, 5, 9) if few else (5, 9):
                fitted = fit(sitting.rows(LAYOUTS[n]), shared)
                yield whom.row(HIERARCHICAL, n, fitted, sitting)
                if lapse == TOLD:
                    told = fit(looked_at(sitting, LAYOUTS[n]), shared)
                    yield whom.row(LAPSES_KNOWN, n, told, sitting)


def kinds(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """Each kind of person with its own lapses."""
    names = simulation.KINDS
    if place.tracker != "pupil-reflex":
        names = {k: names[k] for k in ("wandering-child", "head-mover")}
    for kind in names:
        for number in range(place.few(0.2)):
            person = test_person(place.tracker, place.geometry, 500 + number, kind)
            whom = Whom(
                study="kinds",
                tracker=place.tracker,
                person=f"{place.geometry}/{number}",
                kind=kind,
                lapse=person.lapse_share,
            )
            sitting = sit(person, day=person.seed + 1, lapse=None)
            for n in (5, 9):
                fitted = _try(lambda: fit(sitting.rows(LAYOUTS[n]), shared))  # noqa: B023
                if fitted is not None:
                    yield whom.row(HIERARCHICAL, n, fitted, sitting)
            rivals = ("quadratic", "quadratic-robust")
            yield from _rivals(whom, sitting, shared, rivals, 9)


def own_session(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """Nine points one day; that mapping is the prior of another day."""
    for person, name in _persons(place, place.few(0.4)):
        whom = Whom(
            study="own", tracker=place.tracker, person=name, kind=person.kind, lapse=0.0
        )
        first = sit(person, day=person.seed + 1, lapse=0.0, places=PLACES[:9])
        mine = fit(first.rows(range(9)), shared)
        later = sit(person, day=person.seed + 2, lapse=0.0, places=PLACES[:9])
        for n in (0, 1, 5):
            fitted = fit(later.rows(LAYOUTS[n]), mine)
            yield whom.row("own earlier session", n, fitted, later)
            yield whom.row(
                "others, K=20", n, fit(later.rows(LAYOUTS[n]), shared), later
            )


def foreign(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """Priors from other desks: one, and those of three others pooled."""
    if place.tracker == "webcam" or place.geometries < 2:
        return
    others = [
        prior_recordings(place.tracker, g, mixture(20, g))
        for g in range(place.geometries)
        if g != place.geometry
    ]
    priors: dict[str, SharedMapping] = {
        "this desk": shared,
        "one other desk": learn_shared(others[0]),
        "other desks, pooled": learn_shared(_renamed(others)),
    }
    for person, name in _persons(place, place.few(0.4)):
        whom = Whom(
            study="foreign",
            tracker=place.tracker,
            person=name,
            kind=person.kind,
            lapse=0.0,
        )
        sitting = sit(person, day=person.seed + 1, lapse=0.0)
        for n in (0, 1, 2, 3, 5, 9):
            for label, prior in priors.items():
                rec = sitting.rows(LAYOUTS[n])
                made = _try(lambda rec=rec, prior=prior: fit(rec, prior))  # type: ignore[misc]
                if made is not None:
                    yield whom.row(label, n, made, sitting)


def _renamed(groups: Sequence[Sequence[Recording]]) -> list[Recording]:
    return [
        replace(rec, person=f"{k}-{rec.person}")
        for k, group in enumerate(groups)
        for rec in group
    ]


def gliding(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """A target that glides, for 5, 10 and 20 seconds; `value` is the lag found."""
    if place.tracker != "pupil-reflex":
        return
    for person, name in _persons(place, place.few(0.3)):
        whom = Whom(
            study="glide",
            tracker=place.tracker,
            person=name,
            kind=person.kind,
            lapse=0.0,
        )
        path = lissajous(person, 20.0)
        sitting = sit(person, day=person.seed + 3, lapse=0.0, places=[], path=path)
        for seconds in (5, 10, 20):
            fitted = fit(shortened(sitting.rec, seconds), shared)
            error, inside = score(fitted, sitting)
            yield whom.made("glide", seconds, error, inside, fitted.lag_s)


def stopping(place: Place, shared: SharedMapping) -> Iterator[Row]:
    """Stop when the predicted sd is what five points give other attentive people."""
    if place.tracker != "pupil-reflex":
        return
    others = []
    for person, _ in _persons(place, 8, first=800):
        sitting = sit(person, day=person.seed + 1, lapse=0.0)
        others.append(predicted_sd_deg(fit(sitting.rows(ORDER[:5]), shared)))
    enough = float(np.mean(others))
    for lapse in (0.0, 0.2, 0.4):
        for person, name in _persons(place, place.few(0.4)):
            whom = Whom(
                study="stop",
                tracker=place.tracker,
                person=name,
                kind=person.kind,
                lapse=lapse,
            )
            sitting = sit(person, day=person.seed + 1, lapse=lapse)
            for n in range(1, 17):
                fitted = fit(sitting.rows(ORDER[:n]), shared)
                if predicted_sd_deg(fitted) <= enough:
                    break
            error, inside = score(fitted, sitting)
            yield whom.made("stop", 0, error, inside, float(n))
