"""What the project set out to reach, beside what was measured."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from accuracy_tables import ALONE, HIERARCHICAL, LIMIT, Rows, head, line

PUPIL, SCREEN, WEBCAM = "pupil-reflex", "screen", "webcam"


def goals(rows: Rows) -> Iterator[str]:
    """A table: the goal, the figure, held or missed; of costs, how sure that is."""
    yield from ("", "**Goals**", "")
    yield from head("goal", "measured", "", "95 % interval")
    for text, value, most, *rest in _all(rows):
        if np.isnan(value):
            continue
        low = rest[0] if len(rest) == 1 else -np.inf
        verdict = "held" if low <= value <= most else "**missed**"
        sure = "{:.2f}-{:.2f}".format(*rest) if len(rest) == 2 else ""
        yield line(text, f"{value:.2f}", verdict, sure)


# What it is, what was measured, and the most; the least, or the measured's interval.
Goal = (
    tuple[str, float, float]
    | tuple[str, float, float, float]
    | tuple[str, float, float, float, float]
)


def _all(rows: Rows) -> Iterator[Goal]:
    yield from _absolute(rows)
    yield from _relative(rows)
    yield from _inattention(rows)
    yield from _cover(rows)
    yield from _other(rows)


def _main(rows: Rows, tracker: str, n: int, lapse: float = 0.0) -> Rows:
    return rows.of("main", tracker, HIERARCHICAL, n, lapse)


def _absolute(rows: Rows) -> Iterator[Goal]:
    table = (
        (PUPIL, 1, 0.82, 2.3),
        (PUPIL, 2, 0.57, 1.5),
        (PUPIL, 3, 0.47, 1.25),
        (PUPIL, 5, 0.42, 1.1),
        (PUPIL, 9, 0.38, 1.0),
        (PUPIL, 16, 0.34, 0.95),
        (SCREEN, 1, 0.80, np.nan),
        (SCREEN, 2, 0.57, np.nan),
        (SCREEN, 5, 0.40, np.nan),
        (WEBCAM, 1, 2.2, np.nan),
        (WEBCAM, 5, 1.75, np.nan),
        (WEBCAM, 9, 1.65, 5.5),
    )
    for tracker, n, median, p95 in table:
        cell = _main(rows, tracker, n)
        yield f"{tracker}, {n} points: median <= {median:g}", cell.median, median
        if np.isfinite(p95):
            yield f"{tracker}, {n} points: 95 % <= {p95:g}", cell.p95, p95
    steady = {
        PUPIL: (0.71, 0.57, 0.50, 0.46),
        SCREEN: (0.73, 0.53, 0.37, 0.31),
        WEBCAM: (2.16, 1.89, 1.74, 1.61),
    }
    nine = rows.of("steady", WEBCAM, HIERARCHICAL, 9).p95
    yield "webcam, steady, 9 points: 95 % <= 3.7", nine, 3.7
    for tracker, medians in steady.items():
        for n, median in zip((1, 2, 5, 9), medians, strict=True):
            value = rows.of("steady", tracker, HIERARCHICAL, n).median
            yield f"{tracker}, steady, {n} points: median <= {median:g}", value, median
        for n in (5, 9):
            calm = rows.of("steady", tracker, HIERARCHICAL, n)
            rough = rows.of("steady", tracker, HIERARCHICAL, n, 0.4)
            value, low, high = rough.cost(calm)
            text = f"{tracker}, steady, {n} points: 40 % inattention <= 1.3x"
            yield text, value, 1.3, low, high


def _relative(rows: Rows) -> Iterator[Goal]:
    def least_squares(tracker: str, name: str, n: int) -> float:
        return rows.of("main", tracker, name, n).median

    def ratio(n: int, other: float) -> float:
        return _main(rows, PUPIL, n).median / other

    five = least_squares(PUPIL, "quadratic", 5)
    yield "pupil-reflex, 2 points by quadratic of 5 <= 1.1", ratio(2, five), 1.1
    yield "pupil-reflex, 3 points by quadratic of 5 < 1", ratio(3, five), 1.0
    thirteen = least_squares(PUPIL, "quadratic", 13)
    yield "pupil-reflex, 5 points by quadratic of 13 <= 1.05", ratio(5, thirteen), 1.05
    limit = least_squares(PUPIL, LIMIT, 5)
    yield "pupil-reflex, 5 points by the limit <= 1.45", ratio(5, limit), 1.45
    for n in (3, 5, 9, 13, 16):
        value = _main(rows, SCREEN, n).median / least_squares(SCREEN, "affine", n)
        yield f"screen, {n} points by affine <= 1.05", value, 1.05
    for n in (1, 3, 5, 9):
        alone = rows.of("main", SCREEN, ALONE, n).median
        raw = rows.of("main", SCREEN, ALONE, 0).median
        yield (
            f"screen, no prior, {n} points by the tracker's answer <= 1",
            alone / raw,
            1,
        )


def _inattention(rows: Rows) -> Iterator[Goal]:
    for lapse, n, most in (
        (0.4, 5, 1.4),
        (0.4, 9, 1.25),
        (0.4, 16, 1.15),
        (0.2, 5, 1.2),
        (0.2, 9, 1.1),
    ):
        text = f"pupil-reflex, {n} points, {lapse:.0%} inattention <= {most}x"
        value, low, high = _main(rows, PUPIL, n, lapse).cost(_main(rows, PUPIL, n))
        yield text, value, most, low, high
    value = _main(rows, PUPIL, 9, 0.4).p95 / _main(rows, PUPIL, 9).p95
    yield "pupil-reflex, 9 points, 40 % inattention: 95 % <= 1.35x", value, 1.35
    calm = rows.of("stop", PUPIL, "stop", 0)
    rough = rows.of("stop", PUPIL, "stop", 0, 0.4)
    if calm.rows and rough.rows:
        points = [np.mean([r.value for r in part.rows]) for part in (rough, calm)]
        yield "stop by precision, 40 %: error <= 1.1x", rough.median / calm.median, 1.1
        yield "stop by precision, 40 %: points <= 2x", float(points[0] / points[1]), 2.0


def _cover(rows: Rows) -> Iterator[Goal]:
    for tracker in (PUPIL, SCREEN, WEBCAM):
        low = 0.80 if tracker == WEBCAM else 0.85
        for n in (0, 1, 2, 5, 9, 16):
            text = f"{tracker}, {n} points: 90 % regions hold {low:.2f} to 0.95"
            yield text, _main(rows, tracker, n).cover, 0.95, low


def _other(rows: Rows) -> Iterator[Goal]:
    nine = _main(rows, PUPIL, 9).median
    glide = rows.of("glide", PUPIL, "glide", 10)
    yield "glide of 10 s by nine points <= 1.15", glide.median / nine, 1.15
    lags = [row.value for row in glide.rows]
    if lags:
        spread = 1000.0 * float(np.subtract(*np.percentile(lags, [75, 25])))
        yield "glide of 10 s: quartiles of the lag apart <= 50 ms", spread, 50.0
    pooled = "other desks, pooled"
    for tracker in (PUPIL, SCREEN):
        for n in (1, 2, 3, 5, 9) if tracker == SCREEN else (3, 5, 9):
            here = rows.of("foreign", tracker, "this desk", n).median
            value = rows.of("foreign", tracker, pooled, n).median / here
            yield f"{tracker}, {n} points: pooled prior <= 1.1x this desk's", value, 1.1
    for tracker, most in ((PUPIL, 0.45), (SCREEN, 0.40)):
        value = rows.of("own", tracker, "own earlier session", 0).median
        yield f"{tracker}, own earlier session, 0 points <= {most}", value, most
