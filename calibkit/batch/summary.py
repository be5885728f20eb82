"""What a batch came to: counts, accuracy by tracker and by person, what to look at."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from heapq import heappush, heappushpop
from typing import Any

from calibkit.batch.columns import Row

WORST = 20
FEW_FILES = 3


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """One reason why recordings were not judged."""

    message: str
    exit_status: int
    count: int
    files: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Group:
    """The accuracy of all judged recordings of one tracker or person, degrees."""

    name: str
    count: int
    median_deg: float
    accuracies_deg: tuple[float, ...]


@dataclass(kw_only=True)
class Summary:
    """Counts and distributions, taken row by row; numbers of both eyes together.

    A copy of a recording counts as a file, not as another measurement.
    """

    worked: int = 0
    files: int = 0
    judged: int = 0
    fitted: int = 0
    failed: int = 0
    other: int = 0
    copies: int = 0
    methods: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    _trackers: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    _people: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    _troubles: dict[tuple[int, str], list[Any]] = field(default_factory=dict)
    _worst: list[tuple[float, int, Row]] = field(default_factory=list)

    def take(self, where: Row, rows: Sequence[Row]) -> None:
        """Count one file in."""
        row = where | rows[0]
        self.files += 1
        if row["status"] == "other":
            self.other += 1
            return
        self.copies += bool(row.get("duplicate_of"))
        if row["status"] != "judged":
            self._trouble(row)
            return
        self.judged += 1
        if row.get("duplicate_of"):
            return
        self.methods[row["method"]] += 1
        accuracy = row["accuracy_deg"]
        if accuracy is None:
            accuracy = float("inf")  # not one target was met: worse than any other
        self._trackers[row["tracker"] or "unnamed"].append(accuracy)
        self._people[row["person"] or "unnamed"].append(accuracy)
        push = heappush if len(self._worst) < WORST else heappushpop
        push(self._worst, (accuracy, -self.files, row))

    def _trouble(self, row: Row) -> None:
        self.failed += row["status"] == "failed"
        self.fitted += row["status"] == "fitted"
        key = (int(row["exit_status"]), str(row["message"]))
        found = self._troubles.setdefault(key, [0, []])
        found[0] += 1
        if len(found[1]) < FEW_FILES:
            found[1].append(row["file"])

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        """Reasons, the most frequent first."""
        found = [
            Trouble(message=m, exit_status=s, count=count, files=tuple(files))
            for (s, m), (count, files) in self._troubles.items()
        ]
        return tuple(sorted(found, key=lambda t: (-t.count, t.message)))

    @property
    def worst(self) -> tuple[Row, ...]:
        """The judged recordings that are farthest off, the worst first."""
        return tuple(row for *_, row in sorted(self._worst, reverse=True))

    @property
    def trackers(self) -> tuple[Group, ...]:
        """Accuracy by tracker, in the order of their names."""
        return _groups(self._trackers)

    @property
    def people(self) -> tuple[Group, ...]:
        """Accuracy by person, in the order of their names."""
        return _groups(self._people)

    def plain(self) -> dict[str, Any]:
        """As programs read it."""
        return {
            "files": self.files,
            "judged": self.judged,
            "fitted": self.fitted,
            "failed": self.failed,
            "other": self.other,
            "copies": self.copies,
            "worked": self.worked,
            "methods": dict(sorted(self.methods.items())),
            "trackers": [
                {"tracker": g.name, "recordings": g.count, "median_deg": g.median_deg}
                for g in self.trackers
            ],
            "troubles": [
                {
                    "message": t.message,
                    "exit_status": t.exit_status,
                    "count": t.count,
                    "files": list(t.files),
                }
                for t in self.troubles
            ],
        }


def _groups(found: dict[str, list[float]]) -> tuple[Group, ...]:
    return tuple(
        Group(
            name=name,
            count=len(values),
            median_deg=statistics.median(values),
            accuracies_deg=tuple(sorted(values)),
        )
        for name, values in sorted(found.items())
    )
