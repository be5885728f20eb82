"""Fast evaluation of a mapping: polynomials in blocks, spread by look-up.

The variance of a prediction is a polynomial of twice the degree in all features. It
changes slowly over the screen, so it is worked out once on a grid of each eye's scaled
features and looked up for each sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibkit.fitted.basis import Basis, exponents, powers, to_powers
from calibkit.fitted.observations import Noise

Array = NDArray[np.float64]

EDGE, STEPS = 2.5, 10  # the grid spans +-EDGE scaled units, STEPS nodes per unit
SIDE = int(2 * EDGE * STEPS) + 1
# A person looks this near to the middle of a target, sd in degrees; what both eyes are
# off by beyond it is no aim of the person's but the tracker's error.
PERSON_DEG = 0.35
# Of a sample's noise, what is in a stated variance. Noise lasts: in the mean of a look
# of 0.2 s there is 0.3 to 0.85 of it (six kinds of simulated trackers), in a sample
# all, and regions are to hold for both.
SAMPLE_SHARE = 0.6
# Times as far apart as eyes usually are: not both can be on what is looked at then.
DISAGREE = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Evaluator:
    """A mapping ready to be evaluated.

    Parameters
    ----------
    basis : Basis
    coefficients : array (e, 2, terms of the polynomial)
        By plain powers of scaled features.
    slopes : array (e, 2, c)
        Of scaled covariates.
    eye_weights : array (e, 2)
        Share of each eye where both are seen, per axis.
    tables : array (1 + e, 2, SIDE²)
        Sd in degrees, where all eyes are seen (by the first eye's features) and for
        each eye alone.
    extra_cov : array (1 + e, 2, c, c)
        Covariance of the covariates' slopes, likewise.
    apart2 : array (2,), degrees²
        What two eyes may differ by, squared, until more is doubt about which is right.
    """

    basis: Basis
    coefficients: Array
    slopes: Array
    eye_weights: Array
    tables: Array
    extra_cov: Array
    apart2: Array

    def gaze(self, xy: Array, extra: Array) -> tuple[Array, Array]:
        """Field angles (n, 2) and their sd (n, 2) in degrees; NaN where unseen.

        Parameters
        ----------
        xy : array (e, n, 2)
        extra : array (e, n, c)

        Notes
        -----
        An eye whose features lie beyond all that a screen can need is left out while
        the other's do not: a shadow was taken for a pupil. Where eyes disagree far
        more than they do otherwise, one of them is right: the variance is that of
        either, by their shares.
        """
        eyes = len(xy)
        scaled = [self._scaled(xy[e], e) for e in range(eyes)]
        each = [self._one(scaled[e], extra[e], e) for e in range(eyes)]
        if eyes == 1:
            return each[0].T, self._sd(scaled[0], extra[0], 1, np.isfinite(each[0][0]))
        share = self.eye_weights[..., None]
        out = share[0] * each[0] + share[1] * each[1]
        seen = self._sound(each, scaled)
        all_seen = seen[0] & seen[1]
        sd = self._sd(scaled[0], extra[0], 0, all_seen)
        self._doubt(each, all_seen, sd)
        if all_seen.all():
            return out.T, sd
        for e in range(2):
            alone = seen[e] & ~seen[1 - e]
            if alone.any():
                out[:, alone] = each[e][:, alone]
                part = self._sd(scaled[e][:, alone], extra[e][alone], 1 + e, None)
                sd[alone] = part
        return out.T, sd

    def _sound(self, each: list[Array], scaled: list[Array]) -> list[NDArray[np.bool_]]:
        """Where each eye is seen (n,), unless far outside while the other is not."""
        seen: list[NDArray[np.bool_]] = [np.isfinite(one[0]) for one in each]
        reach = [np.fmax(np.abs(x), np.abs(y)) for x, y in scaled]
        if max(np.fmax.reduce(r, initial=0.0) for r in reach) <= EDGE:
            return seen
        sound = [s & ~(r > EDGE) for s, r in zip(seen, reach, strict=True)]
        return [seen[e] & (sound[e] | ~sound[1 - e]) for e in range(2)]

    def _doubt(self, each: list[Array], both: NDArray[np.bool_], sd: Array) -> None:
        """Widen sd (n, 2) where two eyes that are seen disagree."""
        for axis in range(2):
            apart = each[0][axis] - each[1][axis]
            more = apart * apart - self.apart2[axis]
            where = np.flatnonzero((more > 0.0) & both)
            if len(where):
                share = self.eye_weights[0, axis] * self.eye_weights[1, axis]
                part = sd[where, axis]
                sd[where, axis] = np.sqrt(part * part + share * more[where])

    def spread_at(self, hv: Array) -> Array:
        """Sd (k, 2) in degrees, sample noise and drift included, near gaze (k, 2)."""
        eyes = len(self.eye_weights)
        axis = np.arange(SIDE) / STEPS - EDGE
        grid = np.stack(np.meshgrid(axis, axis, indexing="ij"), -1).reshape(-1, 2)
        here = powers(grid, self.basis.degree) @ self.coefficients[0].T
        inside = np.flatnonzero(np.abs(grid).max(axis=1) <= 2.0)
        apart = np.linalg.norm(here[inside][None] - hv[:, None], axis=2)
        cell = inside[np.argmin(apart, axis=1)]
        state = 0 if eyes > 1 else 1
        found: Array = self.tables[state][:, cell].T
        return found

    def one_eye(self, xy: Array, extra: Array, e: int) -> Array:
        """Field angles (n, 2) that one eye alone gives."""
        return self._one(self._scaled(xy, e), extra, e).T

    def _scaled(self, xy: Array, e: int) -> Array:
        scaled = np.empty((2, len(xy)))
        for axis in range(2):
            np.subtract(xy[:, axis], self.basis.centre[e, axis], out=scaled[axis])
            scaled[axis] *= 1.0 / self.basis.scale[e, axis]
        return scaled

    def _one(self, scaled: Array, extra: Array, e: int) -> Array:
        x, y = scaled
        terms = np.empty((len(exponents(self.basis.degree)), len(x)))
        terms[0] = 1.0
        row = 1
        for total in range(1, self.basis.degree + 1):
            # Terms of a degree are the last degree's times x, and the last times y.
            np.multiply(terms[row - total : row], x, out=terms[row : row + total])
            np.multiply(terms[row - 1], y, out=terms[row + total])
            row += total + 1
        out = _weighted(self.coefficients[e], terms)
        if extra.shape[-1]:
            out += _weighted(self.slopes[e], self._covariates(extra, e))
        out[:, ~np.isfinite(out[0] + out[1])] = np.nan
        return out

    def _covariates(self, extra: Array, e: int) -> Array:
        units = (extra - self.basis.extra_centre[e]) / self.basis.extra_scale[e]
        filled: Array = np.where(np.isfinite(units), units, 0.0).T
        return filled

    def _sd(
        self, scaled: Array, extra: Array, state: int, seen: NDArray[np.bool_] | None
    ) -> Array:
        place = scaled * STEPS
        place += EDGE * STEPS + 0.5
        # Unseen samples go to some cell, and out again at the end.
        np.nan_to_num(place, copy=False, nan=0.0)
        np.clip(place, 0.0, SIDE - 1.0, out=place)
        cell = place.astype(np.int32)
        index = cell[0] * SIDE
        index += cell[1]
        sd = np.empty((len(index), 2))
        for axis in range(2):
            sd[:, axis] = self.tables[state, axis].take(index)
        reach = np.fmax(np.abs(scaled[0]), np.abs(scaled[1]))
        if np.fmax.reduce(reach, initial=0.0) > EDGE:
            sd *= self._growth(reach)[:, None]
        if extra.shape[-1]:
            units = self._covariates(extra, max(0, state - 1))
            for axis in range(2):
                each = _weighted(self.extra_cov[state, axis], units)
                each *= units
                more = each[0]
                for k in range(1, len(each)):
                    more += each[k]
                sd[:, axis] = np.sqrt(sd[:, axis] ** 2 + more)
        if seen is not None and not seen.all():
            sd[~seen] = np.nan
        return sd

    def _growth(self, reach: Array) -> Array:
        """Factor on the table's edge beyond it: as the highest power grows."""
        beyond = np.fmax(reach / EDGE, 1.0)
        growth = beyond.copy()
        for _ in range(self.basis.degree - 1):
            growth *= beyond
        return growth


def _weighted(weights: Array, terms: Array) -> Array:
    """Return weights (w, k) times terms (k, n), summed in one order for every n.

    A matrix product would order its sums by the number of samples, so that a sample's
    last bits would depend on its neighbours.
    """
    out: Array = weights[:, :1] * terms[0]
    part = np.empty_like(out)
    for k in range(1, len(terms)):
        out += np.multiply(weights[:, k, None], terms[k], out=part)
    return out


def eye_shares(basis: Basis, cov: Array, noise: Noise, wanted: Array | None) -> Array:
    """Share of each eye per axis (e, 2): inverse covariance over the screen, or asked.

    Parameters
    ----------
    basis, cov, noise
        Of the mapping.
    wanted : array (e,) or None
        Weights that the user gave.
    """
    eyes = len(basis.centre)
    if wanted is not None:
        return np.repeat((wanted / wanted.sum())[:, None], 2, axis=1)
    if eyes == 1:
        return np.ones((1, 2))
    axis = np.linspace(-0.8, 0.8, 5)
    grid = np.stack(np.meshgrid(axis, axis, indexing="ij"), -1).reshape(-1, 2)
    terms = _functions(basis, grid)
    shares = np.empty((2, 2))
    for a in range(2):
        both = np.empty((2, 2))
        for i in range(2):
            for j in range(2):
                part = _part(cov, basis.terms, (i, a), (j, a))
                both[i, j] = np.mean(np.sum((terms @ part) * terms, axis=1))
        both += np.diag(noise.eye[:, a] ** 2) + noise.sample[a::2, a::2]
        # The eye's own error bounds how far one eye can be preferred.
        share = np.linalg.solve(both, np.ones(2))
        share = np.clip(share / share.sum(), 0.0, 1.0)
        shares[:, a] = share / share.sum()
    return shares


def _functions(basis: Basis, scaled: Array) -> Array:
    """Functions (g, terms) at scaled features, covariates at their centre."""
    polynomial = powers(scaled, basis.degree) @ to_powers(basis.degree)
    none = np.zeros((len(scaled), len(basis.covariates)))
    return np.concatenate([polynomial, none], axis=1)


def _part(
    cov: Array, terms: int, first: tuple[int, int], second: tuple[int, int]
) -> Array:
    rows, columns = (2 * e + a for e, a in (first, second))
    part: Array = cov[
        rows * terms : (rows + 1) * terms, columns * terms : (columns + 1) * terms
    ]
    return part


def evaluator(
    basis: Basis, mean: Array, cov: Array, noise: Noise, shares: Array
) -> Evaluator:
    """Prepare a mapping for evaluation.

    Parameters
    ----------
    basis : Basis
    mean, cov : arrays (d,), (d, d)
        Of the weights.
    noise : Noise
    shares : array (e, 2)
    """
    eyes, count = len(basis.centre), len(exponents(basis.degree))
    shaped = mean.reshape(eyes, 2, basis.terms)
    coefficients = shaped[..., :count] @ to_powers(basis.degree).T
    axis = (np.arange(SIDE) / STEPS) - EDGE
    grid = np.stack(np.meshgrid(axis, axis, indexing="ij"), -1).reshape(-1, 2)
    places = [grid, _partner(basis, coefficients, grid)] if eyes == 2 else [grid]
    functions = [_functions(basis, place) for place in places]
    first = functions[0]
    covariates = len(basis.covariates)
    tables = np.empty((1 + eyes, 2, SIDE * SIDE))
    extra_cov = np.zeros((1 + eyes, 2, covariates, covariates))
    for a in range(2):
        for state in range(1 + eyes):
            share = shares[:, a] if state == 0 else np.eye(eyes)[state - 1]
            using = functions if state == 0 else [first] * eyes
            rows = [e for e in range(eyes) if share[e] > 0]
            joint = np.concatenate([share[e] * using[e] for e in rows], axis=1)
            part = np.block(
                [[_part(cov, basis.terms, (i, a), (j, a)) for j in rows] for i in rows]
            )
            variance = np.sum((joint @ part) * joint, axis=1)
            apart = np.diag(noise.eye[:, a] ** 2)
            apart += SAMPLE_SHARE * noise.sample[a::2, a::2]
            variance += share @ apart @ share + noise.drift[a] ** 2
            variance += max(noise.fixation[a] ** 2 - PERSON_DEG**2, 0.0)
            tables[state, a] = np.sqrt(np.clip(variance, 0.0, None))
            for i in rows:
                for j in rows:
                    both = _part(cov, basis.terms, (i, a), (j, a))[count:, count:]
                    extra_cov[state, a] += share[i] * share[j] * both
    return Evaluator(
        basis=basis,
        coefficients=coefficients,
        slopes=shaped[..., count:],
        eye_weights=shares,
        tables=tables,
        extra_cov=extra_cov,
        apart2=_apart2(tables, grid),
    )


def _apart2(tables: Array, grid: Array) -> Array:
    """Squared disagreement (2,) of two eyes until which it is as usual."""
    if len(tables) < 3:
        return np.full(2, np.inf)
    inside = np.abs(grid).max(axis=1) <= 1.0
    # Its median by hand: numpy's loads what takes long where gaze is waited for.
    ranked = np.sort(tables[1:, :, inside] ** 2, axis=-1)
    last = ranked.shape[-1] - 1
    middle = (ranked[..., last // 2] + ranked[..., -(-last // 2)]) / 2
    usual: Array = middle.sum(axis=0)
    return DISAGREE**2 * usual


def _partner(basis: Basis, coefficients: Array, grid: Array) -> Array:
    """Where the second eye's scaled features lie when the first eye's are on the grid.

    Both eyes look at the same place: a straight relation, by least squares inside the
    screen, is near enough for a variance.
    """
    axis = np.linspace(-1.0, 1.0, 9)
    inner = np.stack(np.meshgrid(axis, axis, indexing="ij"), -1).reshape(-1, 2)
    terms = powers(inner, basis.degree)
    gaze = [terms @ coefficients[e].T for e in range(2)]
    ones = np.ones((len(inner), 1))
    ahead = np.linalg.lstsq(np.hstack([ones, inner]), gaze[0], rcond=None)[0]
    back = np.linalg.lstsq(np.hstack([ones, gaze[1]]), inner, rcond=None)[0]
    there = np.hstack([np.ones((len(grid), 1)), grid]) @ ahead
    found: Array = np.hstack([np.ones((len(grid), 1)), there]) @ back
    return np.clip(found, -EDGE, EDGE)
