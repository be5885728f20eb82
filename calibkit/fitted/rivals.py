"""Other ways to map, to set beside ours: least squares, robust, thin plate.

Each is fitted per eye to the means of the same looks, in degrees, and the eyes that are
seen are averaged: the comparison is of the mappings, not of what they are fed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.errors import CallError, InputError
from calibkit.fitted import features
from calibkit.fitted.basis import powers
from calibkit.fitted.features import Layout
from calibkit.fitted.fitting import fit
from calibkit.fitted.mapping import Gaze, Mapping
from calibkit.fitted.material import gather
from calibkit.fitted.prior import SharedMapping
from calibkit.geometry import Setup
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
Predict = Callable[[Array], Array]

NAMES = (
    "offset",
    "affine",
    "quadratic",
    "quadratic-robust",
    "thin-plate",
    "hierarchical",
)
_SMOOTHING = np.concatenate([[0.0], np.logspace(-4, 2, 25)])
_SUBSETS = 400


@dataclass(frozen=True, kw_only=True, eq=False)
class Rival:
    """A mapping of another kind: `apply` as a Mapping's.

    Parameters
    ----------
    name : str
    layout : Layout
    setup : Setup
    predict : one function per eye, features (n, 2) to degrees (n, 2), or None
    sd_deg : float
        Root mean square of the left-out residuals per axis; NaN where none can be left
        out.
    """

    name: str
    layout: Layout
    setup: Setup
    predict: tuple[Predict | None, ...]
    sd_deg: float

    def apply(self, samples: NDArray[np.floating]) -> Gaze:
        """Gaze of raw samples: the mean of the eyes that are seen."""
        found = features.read(self.layout, samples, self.setup)
        total, number = np.zeros((len(samples), 2)), np.zeros((len(samples), 1))
        for xy, predict in zip(found.xy, self.predict, strict=True):
            seen = np.isfinite(xy[:, 0])
            if predict is not None and seen.any():
                total[seen] += predict(xy[seen])
                number[seen] += 1.0
        with np.errstate(invalid="ignore"):
            angles = total / number
        px = geometry.angles_to_px(self.setup, angles)
        return Gaze(xy=px, sd=self.sd_deg * geometry.px_per_degree(self.setup, px))


def fit_rival(
    name: str,
    rec: Recording,
    shared: SharedMapping | None = None,
    eyes: str = "both",
) -> Rival | Mapping:
    """Fit one of the mappings to a recording's calibration targets.

    Parameters
    ----------
    name : str
        One of NAMES.
    rec : Recording
    shared : SharedMapping, optional
        What "hierarchical" starts from, and "offset" shifts where features are raw.
    eyes : {"both", "left", "right"}

    Returns
    -------
    object with `apply(samples)`

    Raises
    ------
    CallError
        For an unknown name.
    InputError
        With fewer usable targets than it has unknowns.
    """
    if name not in NAMES:
        raise CallError(
            f"there is no mapping {name!r} to compare; choose {', '.join(NAMES)}"
        )
    if name == "hierarchical":
        return fit(rec, shared, eyes)
    plan = features.with_covariates(features.layout(rec.channels, eyes), ())
    looks = gather(rec, plan).at_lag(0.1)
    if name == "offset" and not plan.in_degrees:
        return _shifted(rec, shared, eyes)
    predict: list[Predict | None] = []
    left: list[Array] = []
    for e in range(len(plan.eyes)):
        seen = looks.seen[:, e]
        x, y = looks.mean[seen, e], looks.gaze[seen]
        made = _FITS[name](x, y) if len(x) >= _FEWEST[name] else None
        predict.append(made[0] if made else None)
        left.append(made[1] if made else np.empty((0, 2)))
    if not any(predict):
        raise InputError(
            f"{len(looks)} usable target(s); the {name} mapping needs at least "
            f"{_FEWEST[name]}"
        )
    residuals = np.concatenate(left)
    good = np.isfinite(residuals).all(axis=1)
    sd = float(np.sqrt(np.mean(residuals[good] ** 2))) if good.any() else float("nan")
    return Rival(
        name=name, layout=plan, setup=rec.setup, predict=tuple(predict), sd_deg=sd
    )


def _shifted(rec: Recording, shared: SharedMapping | None, eyes: str) -> Rival:
    """Shift the mean of people by the mean error: what one point can do."""
    if shared is None:
        raise InputError(
            "the offset mapping of raw camera features needs a shared mapping to shift"
        )
    start = fit(rec.with_targets([]), shared, eyes)
    plan, evaluator = start.layout, start.evaluator
    looks = gather(rec, plan).at_lag(0.1)

    def of_eye(e: int) -> Predict:
        none = np.full((len(plan.covariates),), np.nan)

        def predict(xy: Array) -> Array:
            return evaluator.one_eye(xy, np.tile(none, (len(xy), 1)), e)

        seen = looks.seen[:, e]
        error = looks.gaze[seen] - predict(looks.mean[seen, e])
        shift = error.mean(axis=0) if len(error) else np.zeros(2)
        return lambda xy: predict(xy) + shift

    predictions = tuple(of_eye(e) for e in range(len(plan.eyes)))
    return Rival(
        name="offset",
        layout=plan,
        setup=rec.setup,
        predict=predictions,
        sd_deg=float("nan"),
    )


def _scaled(x: Array) -> tuple[Array, Array]:
    middle, scale = x.mean(axis=0), x.std(axis=0)
    return middle, np.where(scale > 0, scale, 1.0)


def _polynomial(degree: int) -> Callable[[Array, Array], tuple[Predict, Array]]:
    def make(x: Array, y: Array) -> tuple[Predict, Array]:
        middle, scale = _scaled(x)
        terms = powers((x - middle) / scale, degree)
        found = np.linalg.lstsq(terms, y, rcond=None)[0]
        hat = terms @ np.linalg.pinv(terms)
        free = 1.0 - np.diag(hat)
        with np.errstate(divide="ignore", invalid="ignore"):
            left = (y - terms @ found) / np.where(free > 1e-9, free, np.nan)[:, None]
        return lambda xy: powers((xy - middle) / scale, degree) @ found, left

    return make


def _offset(x: Array, y: Array) -> tuple[Predict, Array]:
    shift = (y - x).mean(axis=0)
    count = len(x)
    left = (y - x - shift) * (count / (count - 1) if count > 1 else np.nan)
    return lambda xy: xy + shift, left


def _robust_quadratic(x: Array, y: Array) -> tuple[Predict, Array]:
    """Least trimmed squares over subsets of six, then least squares on what agrees."""
    middle, scale = _scaled(x)
    terms = powers((x - middle) / scale, 2)
    chosen = _subsets(len(x), 6)
    kept = min(len(x), max(7, int(np.ceil(0.7 * len(x)))))
    best: tuple[float, Array] | None = None
    for rows in chosen:
        found = np.linalg.lstsq(terms[rows], y[rows], rcond=None)[0]
        error = np.linalg.norm(terms @ found - y, axis=1)
        score = float(np.sum(np.sort(error)[:kept] ** 2))
        if best is None or score < best[0]:
            best = (score, error)
    assert best is not None
    limit = max(2.5 * float(np.sort(best[1])[kept - 1]) / 1.5, 0.7)
    agree = best[1] <= limit
    agree = agree if agree.sum() >= 6 else np.ones(len(x), bool)
    return _polynomial(2)(x[agree], y[agree])


def _subsets(count: int, size: int) -> list[list[int]]:
    """All subsets where they are few, else a fixed random part of them."""
    if count <= 11:
        return [list(rows) for rows in combinations(range(count), size)]
    rng = np.random.default_rng(0)
    return [rng.permutation(count)[:size].tolist() for _ in range(_SUBSETS)]


def _thin_plate(x: Array, y: Array) -> tuple[Predict, Array]:
    """Smoothing thin plate, its smoothness by leaving one out (Wahba 1990, ch. 2)."""
    middle, scale = _scaled(x)
    at = (x - middle) / scale
    kernel, plane = _kernel(at, at), np.column_stack([np.ones(len(at)), at])
    best: tuple[float, Array, Array] | None = None
    for smooth in _SMOOTHING:
        smoother = _plate_matrix(kernel, plane, float(smooth))
        hat = kernel @ smoother[:-3] + plane @ smoother[-3:]
        free = 1.0 - np.diag(hat)
        if (free < 1e-6).any():
            continue
        left = (y - hat @ y) / free[:, None]
        score = float(np.mean(left**2))
        if best is None or score < best[0]:
            best = (score, smoother @ y, left)
    if best is None:
        return _polynomial(1)(x, y)
    weights = best[1]

    def predict(xy: Array) -> Array:
        points = (xy - middle) / scale
        out: Array = _kernel(points, at) @ weights[:-3]
        out += weights[-3] + points @ weights[-2:]
        return out

    return predict, best[2]


def _kernel(a: Array, b: Array) -> Array:
    """Thin plate r² log r between points (n, 2) and (m, 2)."""
    square = np.sum((a[:, None] - b[None]) ** 2, axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = 0.5 * square * np.log(square)
    return np.where(square > 0, value, 0.0)


def _plate_matrix(kernel: Array, plane: Array, smooth: float) -> Array:
    """Matrix (n + 3, n) from observations to the weights of kernels and plane."""
    n = len(kernel)
    system = np.zeros((n + 3, n + 3))
    system[:n, :n] = kernel + smooth * np.eye(n)
    system[:n, n:], system[n:, :n] = plane, plane.T
    inverse: Array = np.asarray(np.linalg.pinv(system), float)
    return inverse[:, :n]


_FITS: dict[str, Callable[[Array, Array], tuple[Predict, Array]]] = {
    "offset": _offset,
    "affine": _polynomial(1),
    "quadratic": _polynomial(2),
    "quadratic-robust": _robust_quadratic,
    "thin-plate": _thin_plate,
}
_FEWEST = {
    "offset": 1,
    "affine": 3,
    "quadratic": 6,
    "quadratic-robust": 7,
    "thin-plate": 4,
}
