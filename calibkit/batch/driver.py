"""The batch itself: list, have done what is not done yet, put the tables together.

Rows depend on the files and the settings alone: not on who worked, in which order, nor
on how often it was interrupted.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass, field
from pathlib import Path

import calibkit
from calibkit.batch.columns import RECORDINGS, TARGET, TARGETS, WHOSE, Row
from calibkit.batch.crew import Engine, lost
from calibkit.batch.listing import Listed, listed
from calibkit.batch.progress import Progress
from calibkit.batch.settings import Settings
from calibkit.batch.summary import Summary
from calibkit.batch.table import Table, sweep
from calibkit.batch.worker import Result, Task
from calibkit.errors import CalibkitError, DeviceError, InputError
from calibkit.kept import disk
from calibkit.kept.store import RECORDING_LIMIT_BYTES

AHEAD = 3  # tasks given out per worker, so that none waits for the next one
TICK_S = 0.5
ENDING = ".progress"


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a batch is to do.

    Parameters
    ----------
    folders : tuple of path
    table : path
        CSV or Parquet; what is done is kept in a file beside it.
    targets : path, optional
        A second table, one row per target.
    settings : Settings
    overwrite : bool
        Whether tables that exist may be replaced.
    limit_s : float
        What one recording may take.
    """

    folders: tuple[Path, ...]
    table: Path
    settings: Settings
    targets: Path | None = None
    overwrite: bool = False
    limit_s: float = 600.0

    @property
    def progress(self) -> Path:
        """Path of the file that says what is done."""
        return self.table.with_name(self.table.name + ENDING)


@dataclass(frozen=True, kw_only=True)
class Step:
    """How far a batch is: files done of all, how many of them just now, by how many."""

    done: int
    total: int
    worked: int
    hands: int = 1


Tell = Callable[[Step], None]


def batch(plan: Plan, engine: Engine, tell: Tell = lambda step: None) -> Summary:
    """Fit, judge and tabulate every recording of some folders.

    Parameters
    ----------
    plan : Plan
    engine : Engine
        Who works: `crew.Crew`, or `cluster.Cluster`.
    tell : function of a Step
        Called at least each second; what it raises stops the batch, and what is done
        is kept.

    Returns
    -------
    Summary

    Raises
    ------
    CallError
        When a folder does not exist or another batch is at work on this table.
    InputError
        When there is no recording at all.
    StorageError
        When tables or progress cannot be written.
    """
    total = sum(1 for _ in listed(plan.folders))
    if not total:
        where = ", ".join(map(str, plan.folders))
        raise InputError(f"there is no recording (.h5) in {where}; name another folder")
    with Progress(plan.progress, plan.settings.name()) as progress:
        work = _Work(plan=plan, progress=progress, tell=tell, total=total)
        with engine:
            work.all(engine)
        return _tables(plan, progress, work)


@dataclass(kw_only=True)
class _Entry:
    name: str
    sha256: str
    problem: str


@dataclass(kw_only=True)
class _Work:
    """Gives out tasks in the order of the files, and keeps what comes back."""

    plan: Plan
    progress: Progress
    tell: Tell
    total: int
    entries: list[_Entry] = field(default_factory=list)
    flying: dict[Future[Result], Task] = field(default_factory=dict)
    worked: int = 0

    def all(self, engine: Engine) -> None:
        for file in listed(self.plan.folders):
            entry = _entered(file)
            self.entries.append(entry)
            known = entry.sha256 in self.progress
            flies = any(t["sha256"] == entry.sha256 for t in self.flying.values())
            if not (entry.problem or known or flies):
                self._give(engine, file, entry)
            self._say(engine)
            while len(self.flying) >= AHEAD * max(1, engine.hands):
                self._collect(engine)
        while self.flying:
            self._collect(engine)
        self._say(engine)

    def _give(self, engine: Engine, file: Listed, entry: _Entry) -> None:
        task: Task = {
            "path": str(file.path),
            "sha256": entry.sha256,
            "settings": self.plan.settings.plain(),
            "version": calibkit.__version__,
            "limit_s": self.plan.limit_s,
        }
        self.flying[engine.submit(task)] = task

    def _collect(self, engine: Engine) -> None:
        done, _ = wait(self.flying, TICK_S, FIRST_COMPLETED)
        for future in done:
            self.progress.add(_result(future, self.flying.pop(future)))
            self.worked += 1
        self._say(engine)

    def _say(self, engine: Engine) -> None:
        step = Step(
            done=len(self.entries) - len(self.flying),
            total=self.total,
            worked=self.worked,
            hands=engine.hands,
        )
        self.tell(step)


def _result(future: Future[Result], task: Task) -> Result:
    """Take a result; an engine that failed is not the recording's fault."""
    try:
        return future.result()
    except CalibkitError:
        raise
    except CancelledError as error:
        raise DeviceError(
            "the scheduler was lost; what is done is kept: start it again, and the "
            "same command goes on"
        ) from error
    except Exception as error:
        return lost(task, f"met a worker that failed ({type(error).__name__})")


def _entered(file: Listed) -> _Entry:
    if file.problem:
        return _Entry(name=file.name, sha256="", problem=file.problem)
    try:
        disk.check_regular(file.path, RECORDING_LIMIT_BYTES)
        found = disk.sha256_of(file.path)
    except InputError as error:
        why = str(error).replace(str(file.path), "the recording")
        return _Entry(name=file.name, sha256="", problem=why)
    return _Entry(name=file.name, sha256=found, problem="")


def _tables(plan: Plan, progress: Progress, work: _Work) -> Summary:
    """Put the tables together, one result in memory at a time."""
    for path in (plan.table, plan.targets):
        sweep(path)
    summary = Summary(worked=work.worked)
    with contextlib.ExitStack() as stack:
        more = {"overwrite": plan.overwrite}
        table = stack.enter_context(Table(plan.table, RECORDINGS, **more))
        targets = None
        if plan.targets is not None:
            targets = stack.enter_context(Table(plan.targets, TARGETS, **more))
        for where, result in _results(progress, work.entries, plan.settings):
            summary.take(where, result["rows"])
            if result["rows"][0]["status"] == "other":
                continue
            for row in result["rows"]:
                table.add(row | where)
            if targets is not None:
                _add_targets(targets, where, result)
    return summary


def _add_targets(table: Table, where: Row, result: Result) -> None:
    names = [column.name for column in TARGET]
    whose = {c.name: result["rows"][0].get(c.name) for c in WHOSE}
    for values in result["targets"]:
        table.add(whose | dict(zip(names, values, strict=True)) | where)


def _results(
    progress: Progress, entries: list[_Entry], settings: Settings
) -> Iterator[tuple[Row, Result]]:
    first: dict[str, str] = {}
    for entry in entries:
        where: Row = {"file": entry.name, "sha256": entry.sha256}
        if entry.problem:
            yield where, _unreadable(entry.problem, settings.eyes)
            continue
        where["duplicate_of"] = first.get(entry.sha256, "")
        first.setdefault(entry.sha256, entry.name)
        yield where, progress.result(entry.sha256)


def _unreadable(problem: str, eyes: str) -> Result:
    row: Row = {
        "eyes": eyes,
        "status": "failed",
        "exit_status": InputError.exit_status,
        "message": problem,
        "calibkit": calibkit.__version__,
    }
    return {"rows": [row], "targets": []}
