"""Rules on the numbers that a stream sends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from calibkit.channels import SENTINELS, FeatureSource, feature_sources, groups
from calibkit.language import _
from calibkit.streams.rules import Finding, found
from calibkit.streams.sight import Sight

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
LOST, FROZEN, SAME = 0.05, 0.05, 0.95
SENTINEL_SHARE, SENTINEL_RUNS = 0.005, 2
NEGATIVE, OUTSIDE, UNIT_SHARE = 0.2, 0.01, 0.95
FLOAT32_WHOLE = 2.0**24
COARSE = 15
ENOUGH = 50  # samples, before anything is said of their values
_OTHERS = ("head", "position", "diameter", "confidence")


def values(sight: Sight) -> Iterator[Finding]:
    """Judge the values."""
    if not len(sight.samples):
        return
    sources = feature_sources(sight.channels)
    for eye, source in sources.items():
        yield from _eye(sight, eye, sight.samples[:, list(source.columns)])
        if source.kind == "screen":
            yield from _screen(sight, source)
    yield from _identical(sight, sources)
    yield from _other_channels(sight)


def _zeros(part: Array) -> Bools:
    marks: Bools = np.any([np.all(part == s, axis=1) for s in SENTINELS], axis=0)
    return marks


def _eye(sight: Sight, eye: str, part: Array) -> Iterator[Finding]:
    finite = np.isfinite(part).all(axis=1)
    lost = float(1 - finite.mean())
    if lost > LOST:
        what = _("{share:.1%} of the samples have no {eye} eye (not a number)")
        yield found("eye-lost", what.format(share=lost, eye=_(eye)), lost, "share")
    zeros = _zeros(part)
    if zeros.any():
        share = float(zeros.mean())
        what = _("{share:.1%} of the samples say 0 or -1 for the {eye} eye")
        yield found("zeros", what.format(share=share, eye=_(eye)), share, "share")
    seen = finite & ~zeros
    if seen.sum() < ENOUGH:
        return
    if np.ptp(part[seen], axis=0).max() == 0:
        count = int(seen.sum())
        what = _("the {eye} eye's positions are the same in {count} samples")
        what = what.format(eye=_(eye), count=count)
        yield found("eye-constant", what, count, "samples")
        return
    mark = sentinel(part, seen)
    if mark is not None:
        value, share = mark
        # With a decimal point in any language: so the channel map wants them.
        numbers = ", ".join(f"{v:g}" for v in value)
        what = _("{share:.1%} of the {eye} eye's samples are exactly ({numbers})")
        what = what.format(share=share, eye=_(eye), numbers=numbers)
        yield found("sentinel-undeclared", what, share, "share")
        seen = seen & ~np.all(part == value, axis=1)
    yield from _still(sight, eye, part, seen)


def _still(sight: Sight, eye: str, part: Array, seen: Bools) -> Iterator[Finding]:
    known = part[seen]
    levels = min(len(np.unique(known[:, k])) for k in range(known.shape[1]))
    if 1 < levels <= COARSE and len(known) > 4 * COARSE:
        step = _step(known)
        what = _("the {eye} eye takes {count} values, {step:g} apart")
        what = what.format(eye=_(eye), count=levels, step=step)
        yield found("coarse", what, levels, "values")
        return
    pairs = seen[1:] & seen[:-1]
    same = np.all(np.diff(part, axis=0) == 0, axis=1)[pairs]
    share = float(same.mean()) if len(same) else 0.0
    # Whole numbers repeat by themselves while an eye is steady.
    if share > (0.5 if sight.found.form.startswith("int") else FROZEN):
        what = _("{share:.1%} of the samples repeat the {eye} eye's values exactly")
        yield found("eye-frozen", what.format(share=share, eye=_(eye)), share, "share")


def _step(known: Array) -> float:
    steps = [np.diff(np.unique(known[:, k])) for k in range(known.shape[1])]
    return float(min(step.min() for step in steps if len(step)))


def sentinel(part: Array, seen: Bools) -> tuple[Array, float] | None:
    """Find a value that stands for "not seen".

    Parameters
    ----------
    part : array (n, k)
        An eye's position channels.
    seen : array (n,) of bool
        Samples that are finite and no usual mark of absence.

    Returns
    -------
    (value (k,), share of samples), or None; it must come exactly again, in more than
    one stretch, and lie further from all others, in some channel, than these from each
    other
    """
    rows, place, counts = np.unique(
        part[seen], axis=0, return_inverse=True, return_counts=True
    )
    order = np.argsort(counts)[::-1][:3]
    for top in order:
        share = counts[top] / len(part)
        others = np.delete(rows, top, axis=0)
        if share < SENTINEL_SHARE or counts[top] < 3 or len(others) < 3:
            continue
        here = np.zeros(len(part), bool)
        here[seen] = place.reshape(-1) == top
        runs = np.count_nonzero(np.diff(here.astype(int)) == 1) + int(here[0])
        width = np.subtract(*np.percentile(others, [98, 2], axis=0))
        far = np.abs(others - rows[top]).min(axis=0) > np.maximum(width, 1e-12)
        if runs >= SENTINEL_RUNS and far.any():
            return rows[top], float(share)
    return None


def _screen(sight: Sight, source: FeatureSource) -> Iterator[Finding]:
    part = sight.samples[:, list(source.columns)]
    part = part[np.isfinite(part).all(axis=1) & ~_zeros(part)]
    if len(part) < ENOUGH:
        return
    yield from _unit(part, source)
    negative = float((part < 0).mean(axis=0).max())
    if negative > NEGATIVE:
        what = _("{share:.0%} of the {eye} eye's screen positions are negative")
        what = what.format(share=negative, eye=_(source.eye))
        yield found("origin-centre", what, negative, "share")
    size = sight.size(source.unit or "px")
    if size is not None:
        away = float(((part < -size) | (part > 2 * size)).any(axis=1).mean())
        if away > OUTSIDE:
            what = _("{share:.1%} of the {eye} eye's positions are far outside")
            what = what.format(share=away, eye=_(source.eye))
            yield found("outside", what, away, "share")


def _unit(part: Array, source: FeatureSource) -> Iterator[Finding]:
    small = float(((part > -0.5) & (part < 1.5)).all(axis=1).mean())
    large = float((np.abs(part) > 3).any(axis=1).mean())
    if source.unit in ("px", "mm", "") and small > UNIT_SHARE:
        what = _(
            "{share:.0%} of the {eye} eye's positions lie within -0.5 to 1.5, though "
            "their unit is {unit}"
        ).format(share=small, eye=_(source.eye), unit=source.unit or _("not said"))
        yield found("unit-mismatch", what, small, "share")
    if source.unit == "normalized" and large > UNIT_SHARE:
        what = _(
            "{share:.0%} of the {eye} eye's positions are beyond 3, though normalized"
        ).format(share=large, eye=_(source.eye))
        yield found("unit-mismatch", what, large, "share")


def _identical(sight: Sight, sources: dict[str, FeatureSource]) -> Iterator[Finding]:
    if set(sources) != {"left", "right"}:
        return
    left, right = (sight.samples[:, list(sources[e].columns)] for e in sources)
    if left.shape != right.shape:
        return
    known = np.isfinite(left).all(axis=1) & ~_zeros(left)
    if known.sum() < ENOUGH or np.ptp(left[known], axis=0).max() == 0:
        return
    same = float((left == right).all(axis=1)[known].mean())
    if same > SAME:
        what = _("both eyes send the same values in {share:.0%} of the samples")
        yield found("eyes-identical", what.format(share=same), same, "share")


def _other_channels(sight: Sight) -> Iterator[Finding]:
    yield from _directions(sight)
    constant = []
    for column, channel in enumerate(sight.channels):
        known = sight.samples[:, column]
        known = known[np.isfinite(known)]
        if len(known) < ENOUGH:
            continue
        kind, label = channel.type.lower(), channel.label
        if kind == "confidence" and (known.min() < 0 or known.max() > 1):
            worst = known.max() if known.max() > 1 else known.min()
            yield _confidence(label, float(worst))
        if sight.found.form == "float32" and np.abs(known).max() > FLOAT32_WHOLE:
            most = float(np.abs(known).max())
            step = float(np.spacing(np.float32(min(most, 3e38))))
            what = _("{label} holds {most:.4g}, where float32 has steps of {step:g}")
            what = what.format(label=label, most=most, step=step)
            yield found("float32-epoch", what, step, "")
        if kind.startswith(_OTHERS) and np.ptp(known) == 0:
            constant.append(label)
    if constant:
        what = _("{labels} never changed").format(labels=_some(constant))
        yield found("channel-constant", what, len(constant), "channels")


def _confidence(label: str, worst: float) -> Finding:
    what = _("the confidence {label} reaches {worst:g}")
    return found("confidence-range", what.format(label=label, worst=worst), worst)


def _some(labels: Sequence[str]) -> str:
    return ", ".join(labels[:6]) + (", ..." if len(labels) > 6 else "")


def _directions(sight: Sight) -> Iterator[Finding]:
    for eye in feature_sources(sight.channels):
        for columns in groups(sight.channels, "Direction", eye, "XYZ")[:1]:
            length = np.linalg.norm(sight.samples[:, list(columns)], axis=1)
            length = length[np.isfinite(length) & (length > 0)]
            off = float(np.median(length)) if len(length) >= ENOUGH else 1.0
            if abs(off - 1) > 0.05:
                what = _("the {eye} eye's directions are {length:.2f} long")
                what = what.format(eye=_(eye), length=off)
                yield found("direction-length", what, off, "")
