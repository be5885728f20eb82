"""Recordings as a BIDS eye-tracking data set.

It is built in a folder beside the one that is wanted, checked, and then put in its
place: no one ever sees half of one.

Source: Brain Imaging Data Structure 1.11, physiological recordings, eye-tracking.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Values
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import calibkit
from calibkit.archive import (
    bids_check,
    bids_data,
    bids_events,
    bids_sidecars,
    folders,
    tables,
)
from calibkit.archive.bids_names import Name, Take, names, task_label
from calibkit.archive.tables import Column
from calibkit.errors import CalibkitError, InputError
from calibkit.fitted.fitting import fit_all
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.prior import SharedMapping
from calibkit.judged.assess_figures import Assessment
from calibkit.judged.assess_targets import assess
from calibkit.kept.recording import Recording
from calibkit.kept.store import sha256_of

DERIVED = "derivatives/calibkit"
Page = Callable[[Path, Recording, Mapping, Assessment | None], str]
_README = """{title}

Gaze recordings in the Brain Imaging Data Structure {version}, written by calibkit
{software}. Each sub-* folder holds one person, under a code: never a name.

*_physio.tsv.gz     samples of one eye, or of both together (RecordedEye); without a
                    header, the columns are named in the .json beside it
*_physioevents      targets and notes on the samples' own clock
*_events.tsv        the same, in seconds from the first sample, with the targets' places
sourcedata/         the recordings as they were (HDF5), with everything that came in
derivatives/        pages on each calibration, where they were asked for

Where SampleCoordinateSystem is gaze-on-screen, x and y are pixels from the screen's
top-left corner, to the right and downwards, calibrated by the mapping that the .json
describes; x_sd and y_sd are its own uncertainty. Where it is custom, they are what the
tracker sent. Missing gaze is n/a. Stamps are as they came: neither smoothed nor moved
onto a grid.
"""


@dataclass(frozen=True, kw_only=True)
class Written:
    """What became of one recording."""

    recording: Path
    subject: str
    folder: str
    system: str
    eyes: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What is asked for.

    Parameters
    ----------
    title, task : str
    mapping : Mapping, optional
        Calibrates all recordings.
    shared : SharedMapping or Mapping, optional
        What fits start from.
    page : callable, optional
        Makes a page (HTML) on a calibrated recording, for derivatives/calibkit.
    """

    title: str = "Gaze recordings"
    task: str = "looking"
    mapping: Mapping | None = None
    shared: SharedMapping | Mapping | None = None
    page: Page | None = None


def export(
    paths: Sequence[Path],
    target: Path,
    plan: Plan,
    *,
    replace: bool = False,
    tell: Callable[[str], object] = lambda text: None,
) -> list[Written]:
    """Write recordings as a data set.

    Parameters
    ----------
    paths : sequence of path
    target : path
        A folder that does not exist, or is empty.
    plan : Plan
    replace : bool
        Whether a data set that was exported before may be replaced.
    tell : callable
        Takes a line of progress.

    Returns
    -------
    list of Written

    Raises
    ------
    CallError
        When the folder holds something else.
    InputError
        When a recording or the mapping cannot be used; nothing is written then.
    StorageError
        When it cannot be written.
    """
    folders.check(target, is_ours, replace=replace)
    takes = [_take(path, plan) for path in paths]
    found = names(takes, task_label(plan.task))
    with folders.built(target) as build:
        written = []
        for k, (path, name) in enumerate(zip(paths, found, strict=True), 1):
            written.append(_one(path, name, build, plan))
            tell(f"{k} of {len(paths)}: {path} as {name.folder}")
        people = {n.subject: t.person for n, t in zip(found, takes, strict=True)}
        _whole(build, plan, people)
        faults = bids_check.check(build)
        if faults:
            raise CalibkitError(f"the data set breaks a rule: {faults[0]}; report this")
    return written


def is_ours(folder: Path) -> bool:
    """Whether a folder is a data set that calibkit exported."""
    makers = folders.noted(folder / "dataset_description.json").get("GeneratedBy")
    return isinstance(makers, list) and {"calibkit"} <= {
        maker.get("Name") for maker in makers if isinstance(maker, dict)
    }


def _take(path: Path, plan: Plan) -> Take:
    """Read a recording to see that it can be exported, and what names it."""
    rec = _load(path)
    if plan.mapping is not None:
        try:
            plan.mapping.check(rec)
        except InputError as error:
            raise InputError(f"{path}: {error}") from error
    if not bids_sidecars.rate_hz(rec) > 0:
        raise InputError(
            f"{path}: its {len(rec.time)} samples reach from {rec.time[0]:g} to "
            f"{rec.time[-1]:g} s, from which no sampling rate can be told; take out "
            "the stamps that are wrong"
        )
    return Take(
        person=rec.person,
        session=rec.session,
        created=rec.created,
        attempt=rec.attempt,
        start_s=float(rec.time[0]),
    )


def _load(path: Path) -> Recording:
    rec = Recording.load(path)
    try:
        rec = bids_data.in_time_order(rec)
        bids_data.raw(rec)
    except InputError as error:
        raise InputError(f"{path}: {error}") from error
    return rec


def _one(path: Path, name: Name, build: Path, plan: Plan) -> Written:
    rec = _load(path)
    mapping, note = _calibrated(path, rec, plan)
    eyes = bids_data.raw(rec) if mapping is None else bids_data.calibrated(rec, mapping)
    judged = None if mapping is None else _judged(rec, mapping)
    source = f"sourcedata/{name.folder}/{name.file('recording.h5')}"
    folder, found = build / name.folder, bids_events.events(rec)
    noted = bids_events.columns(found, 0.0, places=False)
    for number, eye in enumerate(eyes, 1):
        about = bids_sidecars.physio(rec, plan.task, eye, mapping, judged, source)
        _pair(folder, name, f"eye{number}", "physio", eye.columns, about)
        if found:
            about = bids_sidecars.physio_events(plan.task, noted)
            _pair(folder, name, f"eye{number}", "physioevents", noted, about)
    placed = bids_events.columns(found, float(rec.time[0]), places=True)
    tables.write_text(folder / name.file("events.tsv"), tables.tsv(placed, header=True))
    tables.write_json(
        folder / name.file("events.json"), bids_sidecars.events(rec, plan.task, placed)
    )
    with tables.told(build / source):
        shutil.copyfile(path, build / source)
    if plan.page is not None and mapping is not None:
        place = build / DERIVED / name.folder / name.file("report.html")
        tables.write_text(place, [plan.page(path, rec, mapping, judged)])
    return Written(
        recording=path,
        subject=f"sub-{name.subject}",
        folder=str(name.folder),
        system="custom" if mapping is None else "gaze-on-screen",
        eyes=tuple(eye.recorded for eye in eyes),
        note=note,
    )


def _pair(
    folder: Path,
    name: Name,
    recording: str,
    suffix: str,
    columns: Sequence[Column],
    about: dict[str, Any],
) -> None:
    """Write a packed table, and what describes it."""
    table = folder / name.file(f"{suffix}.tsv.gz", recording)
    tables.write_gzip(table, tables.tsv(columns, header=False))
    tables.write_json(folder / name.file(f"{suffix}.json", recording), about)


def _calibrated(path: Path, rec: Recording, plan: Plan) -> tuple[Mapping | None, str]:
    """Return what calibrates a recording, or why nothing does."""
    if plan.mapping is not None:
        return plan.mapping, ""
    targets = rec.targets
    mine = (targets["role"] == "calibration") & (targets["kept"] != 0)
    if plan.shared is None and not mine.any():
        return None, "no calibration targets, so raw data are written"
    try:
        fitted = fit_all([rec], plan.shared, recordings_sha256=(sha256_of(path),))
    except InputError as error:
        if plan.shared is not None:
            raise InputError(f"{path}: {error}") from error
        return None, f"not fitted ({error}), so raw data are written"
    return fitted, ""


def _judged(rec: Recording, mapping: Mapping) -> Assessment | None:
    """Judge on targets that were not fitted to, else on those that were."""
    for role in ("validation", "calibration"):
        try:
            return assess(mapping, rec, role)
        except InputError:
            continue
    return None


def _whole(build: Path, plan: Plan, people: Values[str, str]) -> None:
    """Write what the data set has once; `people` are their codes by their labels."""
    tables.write_json(
        build / "dataset_description.json", bids_sidecars.dataset(plan.title)
    )
    if (build / DERIVED).is_dir():
        about = bids_sidecars.derived(plan.title)
        tables.write_json(build / DERIVED / "dataset_description.json", about)
    readme = _README.format(
        title=plan.title,
        version=bids_sidecars.VERSION,
        software=calibkit.__version__,
    )
    tables.write_text(build / "README", [readme])
    columns = [
        Column(
            name="participant_id",
            about="The person, as in the names of folders and files",
            values=[f"sub-{subject}" for subject in people],
        ),
        Column(
            name="calibkit_person",
            about="The person's code in the recordings; never a name",
            values=[code.partition("--")[0] for code in people.values()],
        ),
    ]
    tables.write_text(build / "participants.tsv", tables.tsv(columns, header=True))
    tables.write_json(build / "participants.json", bids_data.described(columns))
