"""A structural time series of a whole field job: local level, irregular, adjustments as regressors.

Harvey 1989, *Forecasting, Structural Time Series Models and the Kalman Filter* (from memory), as statsmodels
has it. Bins of one minute on the clock; minutes without steady work are missing observations.
"""

from __future__ import annotations

import warnings

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import build_design
from chaffinch.pipelines.prove.window_peers import RANGE_LEVEL, PeerAnswer

MINUTE_S = 60.0


def structural_time_series(binned: Binned, outcome: str) -> list[PeerAnswer]:
    """Effects of all changes of one field job at once; takes seconds.

    Coefficients are states of the filter, so that each allows for the others' uncertainty, as under a restricted
    likelihood. The library's default, maximum likelihood, makes less of the same model.
    """
    from scipy.stats import norm

    answers = {k: PeerAnswer(k, *[float("nan")] * 3) for k in range(len(binned.changes))}
    design = build_design(binned, outcome)
    if design is None:
        return list(answers.values())
    regressors = [i for i, name in enumerate(design.names) if name != "intercept"]
    y, x = minutes(
        binned.time_s[design.use],
        binned.seconds[design.use],
        binned.outcomes[outcome][design.use],
        design.columns[:, regressors],
    )
    found, errors = _fitted(y, x)
    for i, k in enumerate(design.steps):
        half = norm.ppf(0.5 + RANGE_LEVEL / 2) * errors[i]
        answers[k] = PeerAnswer(k, float(found[i]), float(found[i] - half), float(found[i] + half))
    return list(answers.values())


def _fitted(y: Array, x: Array) -> tuple[Array, Array]:
    """Coefficients (p,) and their standard errors (p,)."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    with warnings.catch_warnings():
        # It warns of start values and of searches that end at a variance of zero.
        warnings.simplefilter("ignore")
        model = UnobservedComponents(y, "local level", exog=x, mle_regression=False)
        fitted = model.fit(disp=False, maxiter=100)
    # States: the level, then the regressors.
    covariance = fitted.smoothed_state_cov[1:, 1:, -1]
    return fitted.smoothed_state[1:, -1], np.sqrt(np.maximum(np.diag(covariance), 0.0))


def minutes(time_s: Array, seconds: Array, y: Array, x: Array) -> tuple[Array, Array]:
    """Means by minute of the clock, weighed by seconds: outcome (m,) with NaN where empty, regressors (m, p).

    Regressors of empty minutes are those of the minute before; they bear on nothing, yet must be there.
    """
    minute = np.floor((time_s - time_s[0]) / MINUTE_S).astype(np.int64)
    count = int(minute[-1]) + 1
    weight = np.bincount(minute, seconds, count)
    filled = weight > 0
    both = np.column_stack([y, x])
    sums = np.column_stack([np.bincount(minute, seconds * column, count) for column in both.T])
    means = sums[filled] / weight[filled, None]
    latest = np.cumsum(filled) - 1
    out = means[latest]
    return np.where(filled, out[:, 0], np.nan), out[:, 1:]
