"""Evidence for offsets of the clock of a settings log, every ten seconds, from one machine-field.

A step is sharp: a bin or two on its wrong side cost more likelihood than slow noise can hide. One step a minute
(``change_points.py``) is enough to doubt a clock, but too coarse to find it.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.change_points import NEAREST_BINS, OFFSETS_S, log_bayes_factor
from chaffinch.pipelines.estimate.model.covariance import Observations, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise

FINE_S = 10.0
FINE_OFFSETS_S = np.arange(OFFSETS_S[0], OFFSETS_S[-1] + FINE_S / 2, FINE_S)


def fine_clock_evidence(
    observed: Observations, noise: Noise, logged: tuple[int, ...], binned: Binned, seconds: Array
) -> Array:
    """Log Bayes factor of each logged change having had an effect against none, had it been made at each of
    ``FINE_OFFSETS_S`` from where it was logged; shape (121, changes).

    logged : changes that the design holds, its first columns. seconds : (n,) of the observed bins.
    """
    made_s = np.array([binned.changes[k].logged_s for k in logged if binned.changes[k].by_settings_log])
    rows = independent_rows(observed, noise)
    others = np.delete(rows.x, np.arange(rows.ground, rows.ground + len(logged)), axis=1)
    basis, _ = np.linalg.qr(others)
    n, q = observed.time_s.size, rows.ground
    steps = np.zeros((n + q, made_s.size, FINE_OFFSETS_S.size))
    for i, moment in enumerate(made_s):
        # A bin in which a change falls has its share of it.
        since = (observed.time_s[:, None] - (moment - FINE_OFFSETS_S)) / seconds[:, None]
        white = rows.factored.whiten((since + 0.5).clip(0, 1))
        white = np.vstack([white, np.zeros((q, FINE_OFFSETS_S.size))])
        steps[:, i] = white - basis @ (basis.T @ white)
    at = np.searchsorted(observed.time_s, made_s - FINE_OFFSETS_S[:, None])
    within = (at >= NEAREST_BINS) & (at <= n - NEAREST_BINS)
    evidence = np.zeros((FINE_OFFSETS_S.size, made_s.size))
    for o, here in enumerate(within):
        columns = steps[:, here, o]
        evidence[o, here] = log_bayes_factor(columns.T @ columns, columns.T @ rows.y)
    return evidence
