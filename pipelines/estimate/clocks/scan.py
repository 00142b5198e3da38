"""Evidence for offsets of the clock of a settings log, every ten seconds, from one field job.

A step is sharp: a bin or two on its wrong side cost more likelihood than slow noise can hide.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.change_points import NEAREST_BINS
from chaffinch.pipelines.estimate.model.covariance import Observations, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise

OFFSET_STEP_S = 10.0
OFFSETS_S = np.arange(-600.0, 600.0 + OFFSET_STEP_S / 2, OFFSET_STEP_S)
# Prior variance of effects that are not zero, in squared errors: the usual one is five errors high.
SPREAD = 25.0


def steps_at_offsets(
    observed: Observations, noise: Noise, logged: tuple[int, ...], binned: Binned, seconds: Array
) -> Array:
    """Estimate and error of the step at each logged change, had it been made at each of ``OFFSETS_S`` from where it
    was logged; shape (2, 121, changes), in the units of ``observed``; NaN where it would lie outside the log.

    logged : changes that the design holds, its first columns. seconds : (n,) of the observed bins.
    """
    made_s = np.array([binned.changes[k].logged_s for k in logged if binned.changes[k].by_settings_log])
    rows = independent_rows(observed, noise)
    others = np.delete(rows.x, np.arange(rows.ground, rows.ground + len(logged)), axis=1)
    basis, _ = np.linalg.qr(others)
    n, q = observed.time_s.size, rows.ground
    steps = np.zeros((n + q, made_s.size, OFFSETS_S.size))
    for i, moment in enumerate(made_s):
        # A bin in which a change falls has its share of it.
        since = (observed.time_s[:, None] - (moment - OFFSETS_S)) / seconds[:, None]
        white = rows.factored.whiten((since + 0.5).clip(0, 1))
        white = np.vstack([white, np.zeros((q, OFFSETS_S.size))])
        steps[:, i] = white - basis @ (basis.T @ white)
    at = np.searchsorted(observed.time_s, made_s - OFFSETS_S[:, None])
    within = (at >= NEAREST_BINS) & (at <= n - NEAREST_BINS)
    found = np.full((2, OFFSETS_S.size, made_s.size), np.nan)
    for o, here in enumerate(within):
        columns = steps[:, here, o]
        inverse = np.linalg.inv(columns.T @ columns + 1e-9 * np.eye(columns.shape[1]))
        found[:, o, here] = inverse @ columns.T @ rows.y, np.sqrt(np.diag(inverse))
    return found


def log_bayes_factors(steps: Array, precision: Array | float = 0.0, mean: Array | float = 0.0) -> Array:
    """Of each change having had an effect against none, (121, changes of all losses), from ``steps`` (2, 121, ...) of
    ``steps_at_offsets``; 0 where they are unknown.

    The prior variance of effects is ``SPREAD`` squared errors (as in the g-prior, Zellner 1986; from memory), less
    where other field jobs give the step a ``mean`` with ``precision`` (one over variance).
    """
    estimate, error = steps
    variance = 1 / (precision + 1 / (SPREAD * error**2))
    total = error**2 + variance
    away = (estimate - mean * precision * variance) ** 2 / total
    found = 0.5 * ((estimate / error) ** 2 - away - np.log(total / error**2))
    return np.asarray(np.nan_to_num(found, nan=0.0).reshape(len(found), -1), dtype=np.float64)
