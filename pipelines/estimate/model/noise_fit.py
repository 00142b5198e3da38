"""The noise shared by the field jobs of a season, by restricted maximum likelihood under a weak prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.covariance import Observations, independent_rows
from chaffinch.pipelines.estimate.model.likelihood import gradient
from chaffinch.pipelines.estimate.model.noise import LADDER_S, Noise

# Weak prior, which decides where data are few (one short field): a tenth of the log outcome's
# variance at every scale, a factor of e^2 either way being no surprise.
PRIOR_SPREAD = 2.0
SHIFT_SPREAD = 0.6
RUNGS = LADDER_S.size
# Log variances of the scales and of a second, the shift, the log variance of the ground.
BOUNDS = [(-16.0, 6.0)] * (RUNGS + 1) + [(-1.0, 1.3), (-8.0, 5.0)]
MOST_ITERATIONS = 40
# Far from the mode the curvature is a poor guide, of the shift above all.
LONGEST_STEP = np.r_[np.full(RUNGS + 1, 2.0), 0.4, 2.0]
SHORTEST_SHARE = 1e-4
# A gain in deviance that a season without any drift of the ground has once in tens of thousands.
GROUND_GAIN = 20.0
GROUND_TRIED = np.geomspace(0.02, 20.0, 13)


def fit_noise(
    all_observed: Sequence[Observations], start: Noise | None = None, within: float = 0.01
) -> Noise:
    """Noise shared by ``all_observed``: the mode of the restricted likelihood under the prior.

    start : where to begin; with drift of the ground in it, that is fitted too. within : how much lower the
    deviance at the mode may lie, as far as its curvature tells. Raises ``ValueError`` for no all_observed.

    Newton's steps by the average information, shortened where they lead uphill.
    """
    if not all_observed:
        raise ValueError("no observed of work to fit the noise to")
    centre = _centre(all_observed)
    logs = centre if start is None else _logs(start)
    lowest, highest = (np.array(ends)[: logs.size] for ends in zip(*BOUNDS, strict=True))
    here = _penalised(logs, all_observed, centre)
    for _ in range(MOST_ITERATIONS):
        # At a bound nothing is to be gained beyond it.
        free = ~(((logs <= lowest) & (here.gradient > 0)) | ((logs >= highest) & (here.gradient < 0)))
        step = np.zeros(logs.size)
        step[free] = -np.linalg.solve(here.hessian[np.ix_(free, free)], here.gradient[free])
        if -0.5 * float(step @ here.gradient) < within:
            break
        share = min(1.0, 1 / float(np.max(np.abs(step) / LONGEST_STEP[: logs.size])))
        while share > SHORTEST_SHARE:
            further = np.clip(logs + share * step, lowest, highest)
            there = _penalised(further, all_observed, centre)
            if there.deviance < here.deviance:
                break
            share /= 3
        else:
            break
        logs, here = further, there
    return _noise(logs)


def by_noise(all_observed: Sequence[Observations], noise: Noise) -> tuple[Array, Array]:
    """Slope (m,) and curvature (m, m) of the deviance of ``all_observed`` by the logs of the noise's parameters."""
    m = _logs(noise).size
    slope, bent = np.zeros(m), np.zeros((m, m))
    for observed in all_observed:
        one = gradient(observed, noise)
        slope += np.r_[one.scales, one.second, one.shift, one.ground][:m]
        bent += one.information[:m, :m]
    return slope, bent


def curvature(all_observed: Sequence[Observations], noise: Noise) -> Array:
    """Curvature (m, m) of the penalised deviance at the noise that was fitted to ``all_observed``."""
    return _penalised(_logs(noise), all_observed, _centre(all_observed)).hessian


def noise_moved(noise: Noise, bent: Array, slope: Array, more: Array) -> Noise:
    """Where one step of Newton's brings the ``noise``, fitted with the curvature ``bent``, when evidence is added.

    slope, more : of the deviance of what is added, as ``by_noise`` has them.
    """
    logs = _logs(noise)
    lowest, highest = (np.array(ends)[: logs.size] for ends in zip(*BOUNDS, strict=True))
    free = ~(((logs <= lowest) & (slope > 0)) | ((logs >= highest) & (slope < 0)))
    step = np.zeros(logs.size)
    step[free] = -np.linalg.solve((bent + more)[np.ix_(free, free)], slope[free])
    longest = LONGEST_STEP[: logs.size]
    return _noise(np.clip(logs + np.clip(step, -longest, longest), lowest, highest))


def with_ground(all_observed: Sequence[Observations], noise: Noise) -> Noise:
    """``noise`` with drift of the ground where the data clearly show some, else as it is.

    The deviance at any variance v of the ground follows from the whitened columns Z of the ground with the
    design projected out, G = Z'Z and r = Z'y: it changes by log|I + v G| - r'(I / v + G)^-1 r (Woodbury).
    """
    change = np.zeros(GROUND_TRIED.size)
    for observed in all_observed:
        if observed.ground is None:
            continue
        rows = independent_rows(replace(observed, ground=None), noise, observed.ground)
        p = observed.design.shape[1]
        basis, _ = np.linalg.qr(rows.x[:, :p])
        ground = rows.x[:, p:] - basis @ (basis.T @ rows.x[:, p:])
        size, axes = np.linalg.eigh(ground.T @ ground)
        along = (axes.T @ (ground.T @ rows.y)) ** 2
        size = np.maximum(size, 0.0)
        grown = 1 + GROUND_TRIED[:, None] * size
        change += np.log(grown).sum(axis=1) - (GROUND_TRIED[:, None] * along / grown).sum(axis=1)
    best = int(np.argmin(change))
    return replace(noise, ground_variance=float(GROUND_TRIED[best])) if change[best] < -GROUND_GAIN else noise


@dataclass(frozen=True, slots=True)
class _Surface:
    """Deviance of all all_observed plus the prior's at a place, its first derivatives, about its second ones."""

    deviance: float
    gradient: Array
    hessian: Array


def _penalised(logs: Array, all_observed: Sequence[Observations], centre: Array) -> _Surface:
    noise, m = _noise(logs), logs.size
    spread = np.r_[np.full(RUNGS + 1, PRIOR_SPREAD), SHIFT_SPREAD]
    apart = (logs[: centre.size] - centre) / spread
    deviance, by_logs, hessian = float(apart @ apart), np.zeros(m), np.zeros((m, m))
    for observed in all_observed:
        one = gradient(observed, noise)
        deviance += one.deviance
        by_logs += np.r_[one.scales, one.second, one.shift, one.ground][:m]
        hessian += one.information[:m, :m]
    # By the log of a variance, the second derivative has the first one in it; where the data want none of the
    # variance, that is all there is.
    hessian[range(m), range(m)] += np.where(np.arange(m) == RUNGS + 1, 0.0, np.maximum(by_logs, 0.0))
    by_logs[: centre.size] += 2 * apart / spread
    hessian[range(centre.size), range(centre.size)] += 2 / spread**2
    return _Surface(deviance, by_logs, hessian)


def _noise(logs: Array) -> Noise:
    """From log variances of the scales and of a second, the shift, and the log ground variance if there is one."""
    variances = np.exp(logs[: RUNGS + 1])
    ground = float(np.exp(logs[RUNGS + 2])) if logs.size > RUNGS + 2 else 0.0
    return Noise(variances[:-1], float(variances[-1]), float(logs[RUNGS + 1]), ground)


def _logs(noise: Noise) -> Array:
    ground = [np.log(noise.ground_variance)] if noise.ground_variance > 0 else []
    return np.r_[np.log(np.r_[noise.scale_variances, noise.second_variance] + 1e-7), noise.shift, ground]


def _centre(all_observed: Sequence[Observations]) -> Array:
    """Where the prior lies: a tenth of the variance left by ordinary least squares at each scale."""
    tenth = float(np.median([_tenth(s) for s in all_observed]))
    return np.r_[np.log(np.r_[np.full(RUNGS, tenth), 10 * tenth]), 0.0]


def _tenth(observed: Observations) -> float:
    fitted, *_ = np.linalg.lstsq(observed.design, observed.log_outcome, rcond=None)
    return float(np.var(observed.log_outcome - observed.design @ fitted)) / 10 + 1e-8
