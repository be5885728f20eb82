"""The limit of what any linear mapping can do: prior and noise known.

The prior is the mean and covariance of *noise-free* mappings of other simulated people
(head still, pupil steady, no noise), the noise each person's own: covariance of what
their looks are off their own noise-free mapping. The posterior of both, run on the same
looks and checks as every other mapping, is what cannot be beaten by learning better,
only by other features (a study done apart from the project describes the recipe).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from accuracy_people import PRIOR_SEED, Array, Sitting, desk_of, means
from numpy.typing import NDArray

from calibkit import simulation
from calibkit.channels import Channel
from calibkit.fitted import bayes, features
from calibkit.fitted.anatomy_make import Exact, basis_of, exact
from calibkit.fitted.basis import Basis
from calibkit.fitted.bayes import Blocks, Gaussian
from calibkit.fitted.features import Layout
from calibkit.fitted.material import gather
from calibkit.fitted.observations import Points, prepare
from calibkit.geometry import angle_between, angles_to_px, px_to_angles


@dataclass(frozen=True, kw_only=True)
class Known:
    """Basis and true prior for a desk."""

    layout: Layout
    basis: Basis
    prior: Gaussian


def _plan(channels: Sequence[Channel]) -> Layout:
    plan = features.layout(channels)
    head = [n for n, g in zip(plan.covariates, plan.groups, strict=True) if g == "head"]
    pose = head if not plan.in_degrees and plan.eyes[0].kind != "pupil-reflex" else []
    return features.with_covariates(plan, pose)


def coefficients(basis: Basis, seen: Exact) -> Array:
    """Weights of the noise-free mapping, least squares per eye and axis."""
    terms = basis.functions(seen.xy, seen.extra)
    found = [np.linalg.lstsq(t, seen.gaze, rcond=None)[0].T for t in terms]
    return np.concatenate([f.ravel() for f in found])


def known(tracker: str, geometry: int, kinds: Sequence[str]) -> Known:
    """Prior of a desk from people who are neither tested nor in the learned prior."""
    desk = desk_of(tracker, geometry)
    seen = []
    for k, kind in enumerate(kinds):
        seed = PRIOR_SEED + 100_000 + 1000 * geometry + k
        who = simulation.person(tracker=tracker, kind=kind, seed=seed, desk=desk)
        seen.append(exact(who, seed))
    plan = _plan(who.channels)
    basis = basis_of(seen, plan, 2 if plan.covariates else 3)
    each = np.array([coefficients(basis, one) for one in seen])
    prior = Gaussian(mean=each.mean(axis=0), cov=np.cov(each.T))
    return Known(layout=plan, basis=basis, prior=prior)


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What is known of one sitting: looks by target, own noise, features at checks."""

    known: Known
    looks: Points
    noise: Array
    checks: Points
    sitting: Sitting

    def errors(self, calibration: Sequence[int]) -> Array:
        """Errors in degrees at the checks after some of the targets."""
        chosen = self.looks.take(np.isin(self.looks.target, calibration))
        made = _blocks(self.known.basis, chosen, self.noise)
        posterior = bayes.solve(self.known.prior, made).posterior
        there = _blocks(self.known.basis, self.checks, self.noise)
        spread = there.design @ posterior.cov @ np.swapaxes(there.design, -1, -2)
        spread = bayes.masked_noise(spread + there.noise, there.present)
        precision = np.linalg.inv(spread) * there.present[..., None, :]
        precision = precision * there.present[..., :, None]
        both = np.tile(np.eye(2), (len(self.known.layout.eyes), 1))
        answer = there.design @ posterior.mean
        pull = both.T @ (precision @ answer[..., None])
        total = both.T @ precision @ both
        seen = np.asarray(there.present.any(axis=1))
        error = np.full(len(seen), np.nan)
        found = np.linalg.solve(total[seen], pull[seen])[..., 0]
        setup = self.sitting.rec.setup
        error[seen] = angle_between(
            setup, angles_to_px(setup, found), self.sitting.true_px[seen]
        )
        return error


def limit_of(person: simulation.Person, day: int, sitting: Sitting, k: Known) -> Limit:
    """Find the person's own noise from all looks of an attentive sitting."""
    own = coefficients(k.basis, exact(person, day))
    rec = sitting.rec
    looks = gather(rec, k.layout).points
    checks = _checks(sitting, k.layout)
    made = prepare(k.basis, looks)
    left = (made.target - made.design @ own)[made.present.all(axis=1)]
    noise = left.T @ left / max(len(left), 1) + 1e-4 * np.eye(left.shape[1])
    return Limit(known=k, looks=looks, noise=noise, checks=checks, sitting=sitting)


def _checks(sitting: Sitting, plan: Layout) -> Points:
    rec, count = sitting.rec, len(sitting.true_px)
    signals = features.read(plan, sitting.samples, rec.setup)
    mean = np.array([means(e, sitting.label, count) for e in signals.xy])
    extra = np.array([_extra(e, sitting.label, count) for e in signals.extra])
    seen = np.isfinite(mean).all(-1).T
    eyes = len(plan.eyes)
    return Points(
        gaze=px_to_angles(rec.setup, sitting.true_px),
        mean=np.where(seen[..., None], mean.swapaxes(0, 1), 0.0),
        mean_cov=np.zeros((count, 2 * eyes, 2 * eyes)),
        extra=extra.swapaxes(0, 1),
        seen=seen,
        moving=np.zeros(count, bool),
        target=np.arange(count),
        spread=np.zeros((2 * eyes, 2 * eyes)),
    )


def _extra(values: Array, label: NDArray[np.int_], count: int) -> Array:
    if not values.shape[1]:
        return np.empty((count, 0))
    return means(values, label, count)


def _blocks(basis: Basis, found: Points, noise: Array) -> Blocks:
    made = prepare(basis, found)
    return Blocks(
        design=made.design,
        target=made.target,
        noise=np.broadcast_to(noise, (len(found), *noise.shape)),
        present=made.present,
    )
