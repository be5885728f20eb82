"""Fitting: from recordings, and what is known of others, to a person's mapping."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import InputError
from calibkit.fitted import starter
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Gaussian
from calibkit.fitted.evaluation import eye_shares
from calibkit.fitted.features import Layout, with_covariates
from calibkit.fitted.mapping import FORMAT, Mapping
from calibkit.fitted.mapping_parts import LOOK_DTYPE
from calibkit.fitted.person import Person, fitting, person_of, warnings
from calibkit.fitted.prior import SharedMapping, as_kept
from calibkit.kept.plain import numbers
from calibkit.kept.recording import Recording, only_recordings

Array = NDArray[np.float64]
ENOUGH_LOOKS = 3  # below, an own lapse or two is the likelier reason


def fit(
    rec: Recording,
    shared: SharedMapping | Mapping | None = None,
    eyes: str = "both",
    extra: Sequence[str] = (),
    weights: dict[str, float] | None = None,
    min_confidence: float | None = None,
) -> Mapping:
    """Fit a person's mapping to a recording's calibration targets.

    Parameters
    ----------
    rec : Recording
    shared : SharedMapping or Mapping, optional
        What is known of people, or the same person's earlier mapping; then no target
        is needed.
    eyes : {"both", "left", "right"}
    extra : sequence of str
        Labels of further channels to use.
    weights : dict of float by eye, optional
        Share of each eye; by default by precision.
    min_confidence : float, optional
        Samples with less confidence count as missing, now and wherever the mapping is
        applied; by default what the recording's protocol says.

    Returns
    -------
    Mapping

    Raises
    ------
    InputError
        When nothing can be fitted: no usable sample and no prior, features that do not
        change, a shared mapping for other channels.
    """
    return fit_all([rec], shared, eyes, extra, weights, min_confidence)


def fit_all(
    recordings: Sequence[Recording],
    shared: SharedMapping | Mapping | None = None,
    eyes: str = "both",
    extra: Sequence[str] = (),
    weights: dict[str, float] | None = None,
    min_confidence: float | None = None,
    recordings_sha256: Sequence[str] = (),
) -> Mapping:
    """Fit one mapping to several recordings of one person, the last set-up's.

    Parameters and errors as for `fit`; `recordings_sha256` is kept as provenance.
    """
    recordings = only_recordings(recordings)
    prior = _prior(shared)
    labels = (extra,) if isinstance(extra, str) else tuple(extra)
    options = (prior, eyes, labels, min_confidence)
    person = person_of(recordings, *options)
    wanted = _wanted(weights, person.layout.names)
    return _mapping(recordings, person, wanted, tuple(recordings_sha256))


def check_prior(
    shared: SharedMapping | Mapping | None,
    plan: Layout,
    setup: geometry.Setup,
    looks: int,
) -> None:
    """Refuse what no fit could start from, before anybody is asked to look.

    Parameters
    ----------
    shared : SharedMapping or Mapping, optional
    plan : Layout
        How the stream will be read.
    setup : Setup
    looks : int
        How many targets will be looked at, at most.

    Raises
    ------
    InputError
        When it was learned from other features, or at another set-up and the looks
        are too few for that.
    """
    prior = _prior(shared)
    if prior is not None:
        prior = fitting(prior, plan)
        with_covariates(plan, prior.basis.covariates)
        warnings(setup, prior, looks)


def _prior(shared: SharedMapping | Mapping | None) -> SharedMapping | None:
    if isinstance(shared, Mapping):
        return shared.as_shared()
    if shared is None or isinstance(shared, SharedMapping):
        return shared
    raise InputError(
        f"shared is of type {type(shared).__name__} and no mapping; read a file with "
        "calibkit.SharedMapping.load or calibkit.Mapping.load first"
    )


def _wanted(weights: dict[str, float] | None, names: tuple[str, ...]) -> Array | None:
    if weights is None:
        return None
    wanted = np.array([float(weights.get(name, 0.0)) for name in names])
    if not (np.isfinite(wanted).all() and (wanted >= 0).all() and wanted.sum() > 0):
        raise InputError(
            f"the eye weights {weights!r} leave no eye of {', '.join(names)}; give "
            "positive numbers"
        )
    return wanted


def _mapping(
    recordings: Sequence[Recording],
    person: Person,
    wanted: Array | None,
    hashes: tuple[str, ...],
) -> Mapping:
    prior, found, last = person.prior, person.estimate, recordings[-1]
    basis, weights = _at_home(person)
    basis, weights, noise = as_kept(basis, weights, found.noise)
    looks = _look_rows(person)
    shares = eye_shares(basis, weights.cov, noise, wanted)
    return Mapping(
        layout=person.layout,
        setup=last.setup,
        basis=basis,
        weights=weights,
        noise=noise,
        shares=np.asarray(numbers(shares)),
        looks=looks,
        people=prior.people,
        lag_s=person.lag_s,
        notes=(*person.notes, *_doubts(person.layout, looks)),
        source={
            "person": last.person,
            "session": last.session,
            "created": last.created,
            "source_id": last.source_id,
            "stream": last.name,
        },
        recordings=hashes,
        channels=tuple(f"{c.eye} {c.type}" for c in last.channels),
    )


def _at_home(person: Person) -> tuple[Basis, Gaussian]:
    """Count covariates from where this person's were: there the mapping is known best.

    The same mapping; but its spread is looked up at the centre of covariates.
    """
    basis, extra = person.prior.basis, person.points.extra
    home = basis.extra_centre.copy()
    for e, k in np.ndindex(home.shape) if len(extra) else ():
        seen = extra[np.isfinite(extra[:, e, k]), e, k]
        if len(seen):
            home[e, k] = np.median(seen)
    moved, matrix = basis.moved(home)
    weights = person.estimate.weights
    return moved, Gaussian(
        mean=matrix @ weights.mean, cov=matrix @ weights.cov @ matrix.T
    )


def _look_rows(person: Person) -> NDArray[np.void]:
    rows = np.zeros(len(person.reasons), LOOK_DTYPE)
    for row, (index, reason) in zip(rows, person.reasons.items(), strict=True):
        target = person.targets[index]
        mine = np.flatnonzero(person.points.target == index)
        row["target"], row["role"], row["reason"] = index, target["role"], reason
        row["x"], row["y"] = target["x"], target["y"]
        row["samples"] = person.samples[index]
        row["away_x_deg"] = row["away_y_deg"] = np.nan
        if len(mine):
            row["weight"] = float(person.estimate.trust[mine].mean())
            away = np.median(person.estimate.away[mine], axis=0)
            row["away_x_deg"], row["away_y_deg"] = away
    rows.setflags(write=False)
    return rows


def _doubts(layout: Layout, looks: NDArray[np.void]) -> Iterator[str]:
    """Say so where most looks contradict a tracker's own screen positions.

    A person who looks elsewhere and a unit that is not the one said look alike here.
    """
    units = {source.unit for source in layout.eyes if source.kind == "screen"}
    apart = int((looks["weight"] < 0.5).sum())
    if units and len(looks) >= ENOUGH_LOOKS and 2 * apart > len(looks):
        said = ", ".join(sorted(unit or "no unit" for unit in units))
        yield (
            f"{apart} of {len(looks)} looks do not fit the tracker's own screen "
            f"positions: the person looked elsewhere, or these ({said}) are in another "
            "unit or scale than they should be, or counted from another corner; see "
            "calibkit streams --check"
        )


def predicted_sd_deg(mapping: Mapping) -> float:
    """Mean predicted sd per axis over the screen, in degrees, sample noise included.

    What a session watches to know when to stop.
    """
    axis = np.linspace(0.1, 0.9, 5)
    grid = np.stack(np.meshgrid(axis, axis), -1).reshape(-1, 2)
    hv = geometry.px_to_angles(mapping.setup, grid * mapping.setup.screen_px)
    return float(np.mean(mapping.evaluator.spread_at(hv)))


def load_prior(path: str | Path) -> SharedMapping | Mapping:
    """Read what a fit can start from.

    Parameters
    ----------
    path : path
        A shared mapping, a person's earlier mapping, or the name of a starter.
    """
    if str(path) in starter.names():
        return starter.load(str(path))
    try:
        return SharedMapping.load(path)
    except InputError as error:
        if f"{FORMAT!r} file" not in str(error):
            raise
    return Mapping.load(path)
