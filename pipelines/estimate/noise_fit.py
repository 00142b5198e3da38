"""The noise shared by the machine-fields of a season, by restricted maximum likelihood under a weak prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.estimate.likelihood import Stretch, independent_rows, slope
from chaffinch.pipelines.estimate.noise import LADDER_S, Noise
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Where the data hardly speak (one short field), the variances lean towards these: a tenth of the log outcome's
# variance at every scale, a factor of e^2 either way being no surprise.
PRIOR_SPREAD = 2.0
SHIFT_SPREAD = 0.6
RUNGS = LADDER_S.size
LOG_VARIANCE_BOUNDS = (-16.0, 6.0)
SHIFT_BOUNDS = (-1.0, 1.3)
GROUND_BOUNDS = (-8.0, 5.0)
# A gain in deviance that a season without any drift of the ground has once in tens of thousands.
GROUND_GAIN = 20.0
GROUND_TRIED = np.geomspace(0.02, 20.0, 13)


def fit_noise(stretches: Sequence[Stretch], start: Noise | None = None, tolerance: float = 2e-6) -> Noise:
    """Noise shared by ``stretches``: the mode of the restricted likelihood under the prior.

    start : where to begin; with drift of the ground in it, that is fitted too. tolerance : relative, on the
    deviance. Raises ``ValueError`` for no
    stretches.
    """
    from scipy.optimize import minimize

    if not stretches:
        raise ValueError("no stretch of work to fit the noise to")
    centre = _centre(stretches)
    first = centre if start is None else _logs(start)
    bounds = [LOG_VARIANCE_BOUNDS] * (RUNGS + 1) + [SHIFT_BOUNDS]
    found = minimize(
        _penalised,
        first,
        (stretches, centre),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds + [GROUND_BOUNDS] * (first.size - centre.size),
        options={"ftol": tolerance, "maxiter": 60},
    )
    return _noise(found.x)


def with_ground(stretches: Sequence[Stretch], noise: Noise) -> Noise:
    """``noise`` with drift of the ground where the data clearly show some, else as it is.

    The deviance at any variance v of the ground follows from the whitened columns Z of the ground with the
    design projected out, G = Z'Z and r = Z'y: it changes by log|I + v G| - r'(I / v + G)^-1 r (Woodbury).
    """
    change = np.zeros(GROUND_TRIED.size)
    for stretch in stretches:
        if stretch.ground is None:
            continue
        rows = independent_rows(replace(stretch, ground=None), noise, stretch.ground)
        p = stretch.design.shape[1]
        basis, _ = np.linalg.qr(rows.x[:, :p])
        ground = rows.x[:, p:] - basis @ (basis.T @ rows.x[:, p:])
        size, axes = np.linalg.eigh(ground.T @ ground)
        along = (axes.T @ (ground.T @ rows.y)) ** 2
        size = np.maximum(size, 0.0)
        grown = 1 + GROUND_TRIED[:, None] * size
        change += np.log(grown).sum(axis=1) - (GROUND_TRIED[:, None] * along / grown).sum(axis=1)
    best = int(np.argmin(change))
    return replace(noise, ground_variance=float(GROUND_TRIED[best])) if change[best] < -GROUND_GAIN else noise


def _penalised(logs: Array, stretches: Sequence[Stretch], centre: Array) -> tuple[float, Array]:
    """Deviance of all stretches plus the prior's, and its derivatives, by ``logs``."""
    noise = _noise(logs)
    spread = np.r_[np.full(RUNGS + 1, PRIOR_SPREAD), SHIFT_SPREAD]
    apart = (logs[: centre.size] - centre) / spread
    total = float(apart @ apart)
    by_logs = np.zeros(logs.size)
    by_logs[: centre.size] = 2 * apart / spread
    for stretch in stretches:
        one = slope(stretch, noise)
        total += one.deviance
        by_logs += np.r_[one.scales, one.second, one.shift, one.ground][: logs.size]
    return total, by_logs


def _noise(logs: Array) -> Noise:
    """From log variances of the scales and of a second, the shift, and the log ground variance if there is one."""
    variances = np.exp(logs[: RUNGS + 1])
    ground = float(np.exp(logs[RUNGS + 2])) if logs.size > RUNGS + 2 else 0.0
    return Noise(variances[:-1], float(variances[-1]), float(logs[RUNGS + 1]), ground)


def _logs(noise: Noise) -> Array:
    ground = [np.log(noise.ground_variance)] if noise.ground_variance > 0 else []
    return np.r_[np.log(np.r_[noise.scale_variances, noise.second_variance] + 1e-7), noise.shift, ground]


def _centre(stretches: Sequence[Stretch]) -> Array:
    """Where the prior lies: a tenth of the variance left by ordinary least squares at each scale."""
    tenth = float(np.median([_tenth(s) for s in stretches]))
    return np.r_[np.log(np.r_[np.full(RUNGS, tenth), 10 * tenth]), 0.0]


def _tenth(stretch: Stretch) -> float:
    fitted, *_ = np.linalg.lstsq(stretch.design, stretch.log_outcome, rcond=None)
    return float(np.var(stretch.log_outcome - stretch.design @ fitted)) / 10 + 1e-8
