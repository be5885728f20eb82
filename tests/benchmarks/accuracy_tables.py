"""Tables of the comparison, in markdown, and the goals beside what was measured."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from accuracy_people import Array, Row
from numpy.typing import NDArray

HIERARCHICAL, ALONE, LIMIT = "hierarchical, K=20", "hierarchical, no prior", "limit"
LAPSES_KNOWN, TOLD = "lapses known, K=20", 0.4  # and at which share of them
Keep = Callable[[Row], bool]


class Rows:
    """Rows that can be asked for medians."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self.rows = list(rows)

    def where(self, keep: Keep) -> Rows:
        """Some of them."""
        return Rows([row for row in self.rows if keep(row)])

    def of(
        self, study: str, tracker: str, method: str, n: int, lapse: float = 0
    ) -> Rows:
        """Rows of one cell."""
        return self.where(
            lambda r: (
                (r.study, r.tracker, r.method, r.points, r.lapse)
                == (study, tracker, method, n, lapse)
            )
        )

    @property
    def errors(self) -> Array:
        """All errors that there are."""
        every = np.concatenate([np.empty(0), *(row.error for row in self.rows)])
        return every[np.isfinite(every)]

    @property
    def median(self) -> float:
        """Median error."""
        return float(np.median(self.errors)) if len(self.errors) else float("nan")

    @property
    def p95(self) -> float:
        """95th percentile."""
        return float(np.percentile(self.errors, 95)) if len(self.errors) else np.nan

    @property
    def cover(self) -> float:
        """Share of the stated 90 % regions that held the truth."""
        every = np.concatenate([np.empty(0), *(row.inside for row in self.rows)])
        every = every[np.isfinite(every)]
        return float(every.mean()) if len(every) else float("nan")

    def interval(self) -> tuple[float, float]:
        """95 % interval of the median: persons drawn with replacement, 500 times."""
        mine: dict[str, list[Array]] = {}
        for row in self.rows:
            mine.setdefault(row.person, []).append(row.error)
        each = [np.concatenate(errors) for errors in mine.values()]
        rng = np.random.default_rng(0)
        drawn = [
            np.nanmedian(
                np.concatenate(
                    [each[k] for k in rng.integers(len(each), size=len(each))]
                )
            )
            for _ in range(500)
        ]
        low, high = np.percentile(drawn, [2.5, 97.5])
        return float(low), float(high)

    def cost(self, other: Rows) -> tuple[float, float, float]:
        """Ratio of medians to others' of the same persons, and its 95 % interval.

        Persons are drawn with replacement, the same for both. NaN where there are none.
        """
        mine = {row.person: row.error for row in self.rows}
        theirs = {row.person: row.error for row in other.rows}
        both = [name for name in mine if name in theirs]
        if not both:
            return np.nan, np.nan, np.nan
        rng = np.random.default_rng(0)

        def ratio(which: NDArray[np.int_]) -> float:
            chosen = [both[k] for k in which]
            above, below = (
                np.nanmedian(np.concatenate([part[name] for name in chosen]))
                for part in (mine, theirs)
            )
            return float(above / below)

        count = len(both)
        drawn = [ratio(rng.integers(count, size=count)) for _ in range(500)]
        low, high = np.percentile(drawn, [2.5, 97.5])
        return ratio(np.arange(count)), float(low), float(high)

    def by(self, other: Rows) -> str:
        """The same in words; "" of none."""
        ratio, low, high = self.cost(other)
        return "" if np.isnan(ratio) else f"{ratio:.2f} ({low:.2f}-{high:.2f})"

    def cell(self) -> str:
        """Median and 95th percentile; empty where nothing was measured."""
        return f"{self.median:.2f}/{self.p95:.2f}" if len(self.errors) else "–"


def line(*cells: str) -> str:
    """One line of a table."""
    return "| " + " | ".join(cells) + " |"


def head(*cells: str) -> list[str]:
    """Heading of a table."""
    return [line(*cells), line(*["---"] * len(cells))]


def _columns(rows: Rows) -> list[int]:
    return sorted({row.points for row in rows.rows})


def _methods(rows: Rows) -> list[str]:
    known = (HIERARCHICAL, ALONE, "offset", "affine", "quadratic", "quadratic-robust")
    found = dict.fromkeys(row.method for row in rows.rows)
    first = [name for name in known if name in found]
    rest = [name for name in found if name not in known and name != LIMIT]
    return [*first, *rest, *([LIMIT] if LIMIT in found else [])]


def attentive(rows: Rows, tracker: str) -> list[str]:
    """Every mapping by number of points, attentive people."""
    mine = rows.where(lambda r: (r.study, r.tracker, r.lapse) == ("main", tracker, 0))
    columns = _columns(mine)
    people = len({row.person for row in mine.rows})
    out = ["", f"**{tracker}**, {people} persons, attentive:", ""]
    out += head("mapping \\ points", *map(str, columns))
    for method in _methods(mine):
        cells = [rows.of("main", tracker, method, n) for n in columns]
        out.append(line(method, *(cell.cell() for cell in cells)))
        if method == HIERARCHICAL:
            spans = [cell.interval() for cell in cells]
            out.append(
                line(
                    "– its median's 95 % interval",
                    *map("{0[0]:.2f}-{0[1]:.2f}".format, spans),
                )
            )
        if method in (HIERARCHICAL, ALONE):
            out.append(line("– 90 % region held", *map(_share, cells)))
    return out


def _share(cell: Rows) -> str:
    return "–" if np.isnan(cell.cover) else f"{cell.cover:.2f}"


def inattentive(rows: Rows, trackers: Sequence[str]) -> list[str]:
    """By share of targets that were not looked at as asked."""
    mine = rows.where(lambda r: r.study == "main" and r.lapse > 0)
    columns = _columns(mine)
    out = ["", "**Inattention** (share of targets not looked at as asked):", ""]
    out += head("tracker", "share", "mapping \\ points", *map(str, columns))
    for tracker in trackers:
        for method in (HIERARCHICAL, LAPSES_KNOWN, "quadratic", "quadratic-robust"):
            for lapse in (0.0, 0.2, 0.4) if method != LAPSES_KNOWN else (TOLD,):
                cells = [rows.of("main", tracker, method, n, lapse) for n in columns]
                texts = [cell.cell() for cell in cells]
                out.append(line(tracker, f"{lapse:.0%}", method, *texts))
    return out


def costs(rows: Rows, trackers: Sequence[str]) -> list[str]:
    """Medians with 40 % of inattention by those without: ours, and lapses known."""
    out = ["", "**What inattention of 40 % costs** (medians, by those without)", ""]
    out += head("tracker", "people", "points", HIERARCHICAL, LAPSES_KNOWN)
    for tracker in trackers:
        for study, whom in (("main", "mixed"), ("steady", "steady")):
            for n in (1, 2, 3, 5, 9, 16):
                calm = rows.of(study, tracker, HIERARCHICAL, n)
                ratios = [
                    rows.of(study, tracker, method, n, TOLD).by(calm)
                    for method in (HIERARCHICAL, LAPSES_KNOWN)
                ]
                if all(ratios):
                    out.append(line(tracker, whom, str(n), *ratios))
    return out


def by_label(
    rows: Rows, study: str, title: str, label: Callable[[Row], str]
) -> list[str]:
    """One line per label, one column per method and number of points."""
    mine = rows.where(lambda r: r.study == study)
    if not mine.rows:
        return []
    columns = list(dict.fromkeys((r.points, r.method) for r in mine.rows))
    columns.sort()
    out = ["", f"**{title}**", ""]
    out += head("", *(f"{method}, {n}" for n, method in columns), "90 % held")
    for name in dict.fromkeys(map(label, mine.rows)):
        part = mine.where(lambda r, name=name: label(r) == name)  # type: ignore[misc]
        cells = [
            part.where(lambda r, c=c: (r.points, r.method) == c)  # type: ignore[misc]
            for c in columns
        ]
        own = part.where(lambda r: "hierarchical" in r.method)
        out.append(line(name, *(cell.cell() for cell in cells), _share(own)))
    return out


def by_points(rows: Rows, study: str, title: str) -> list[str]:
    """One line per tracker and method, one column per number of points."""
    mine = rows.where(lambda r: r.study == study)
    if not mine.rows:
        return []
    columns = _columns(mine)
    out = ["", f"**{title}**", ""]
    out += head("tracker", "", *map(str, columns), "90 % held")
    for tracker, method in dict.fromkeys((r.tracker, r.method) for r in mine.rows):
        part = mine.where(lambda r, k=(tracker, method): (r.tracker, r.method) == k)  # type: ignore[misc]
        cells = [
            part.where(lambda r, n=n: r.points == n).cell()  # type: ignore[misc]
            for n in columns
        ]
        out.append(line(tracker, method, *cells, _share(part)))
    return out


def stopping(rows: Rows) -> list[str]:
    """Stop when the predicted sd is small enough, by share of inattention."""
    if not rows.where(lambda r: r.study == "stop").rows:
        return []
    out = ["", "**Stop by predicted precision** (pupil-reflex, at most 16 points)", ""]
    out += head("inattention", "mean points", "error", "90 % held")
    for lapse in (0.0, 0.2, 0.4):
        cell = rows.of("stop", "pupil-reflex", "stop", 0, lapse)
        number = (
            float(np.mean([row.value for row in cell.rows])) if cell.rows else np.nan
        )
        out.append(line(f"{lapse:.0%}", f"{number:.1f}", cell.cell(), _share(cell)))
    return out


def simulated(rows: Rows) -> Iterator[str]:
    """All tables of simulated people."""
    trackers = list(dict.fromkeys(row.tracker for row in rows.rows))
    for tracker in trackers:
        yield from attentive(rows, tracker)
    yield from inattentive(rows, trackers)
    yield from costs(rows, trackers)
    yield from by_label(
        rows,
        "steady",
        "Steady people, prior of steady people (columns: points)",
        lambda r: f"{r.tracker}, {r.lapse:.0%} inattention",
    )
    yield from by_label(
        rows,
        "kinds",
        "Kinds of people, with their own inattention",
        lambda r: f"{r.tracker}: {r.kind}",
    )
    yield from by_points(rows, "own", "Another day: own earlier mapping as the prior")
    yield from by_points(rows, "foreign", "Priors from other desks (– is refused)")
    yield from by_points(rows, "glide", "A gliding target (columns: seconds)")
    yield from stopping(rows)


def real(rows: Rows) -> Iterator[str]:
    """All tables of open data."""
    yield from by_points(
        rows,
        "raw",
        "Open data, raw pupil minus reflex: degrees off the targets left out",
    )
    yield from by_points(
        rows,
        "webcam",
        "Open data, webcam estimates: per cent of the screen's width, targets left out",
    )
    yield from by_points(
        rows, "next block", "Open data, webcam estimates: one block predicts the next"
    )
