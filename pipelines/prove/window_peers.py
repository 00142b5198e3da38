"""What people do with a log: compare a quarter of an hour after an adjustment with one before it.

Both peers get the same bins of steady work as the estimator, so only the method differs. This favours them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.prove.newey_west import customary_lags, least_squares_newey_west
from numpy.typing import NDArray

WINDOW_S = 900.0
FEWEST_BINS = 6
RANGE_LEVEL = 0.95
# Compared as driven, not at the same feed rate.
AS_DRIVEN = ("throughput",)


class PeerAnswer(NamedTuple):
    """A log effect of change number ``change`` with its 95 % range; NaN where the peer has none."""

    change: int
    log_ratio: float
    low: float
    high: float


def verdict_of(low: pl.Expr, high: pl.Expr) -> pl.Expr:
    """The verdict that a 95 % range amounts to, by the estimator's rule."""
    clear = pl.when(low > 0).then(pl.lit("more")).when(high < 0).then(pl.lit("less"))
    ends = low.is_not_nan() & high.is_not_nan() & (low <= high)
    return pl.when(~ends).then(pl.lit("cannot tell")).otherwise(clear.otherwise(pl.lit("no clear change")))


def window_means(binned: Binned, outcome: str) -> list[PeerAnswer]:
    """Mean log outcome after minus before, with the standard error of independent readings."""
    from scipy.stats import norm

    answers = []
    for k in range(len(binned.changes)):
        before, after = _windows(binned, outcome, k)
        if min(before.sum(), after.sum()) < FEWEST_BINS:
            answers.append(_no_answer(k))
            continue
        y = binned.outcomes[outcome]
        error = np.sqrt(sum(np.var(y[side], ddof=1) / side.sum() for side in (before, after)))
        answers.append(
            _ranged(k, y[after].mean() - y[before].mean(), norm.ppf(0.5 + RANGE_LEVEL / 2) * error)
        )
    return answers


def window_regression(binned: Binned, outcome: str) -> list[PeerAnswer]:
    """The same windows regressed on feed rate, moisture and roll, with Newey-West standard errors."""
    from scipy.stats import t

    answers = []
    for k in range(len(binned.changes)):
        before, after = _windows(binned, outcome, k)
        if min(before.sum(), after.sum()) < FEWEST_BINS:
            answers.append(_no_answer(k))
            continue
        both = before | after
        x = _covariates(binned, outcome, both, after[both].astype(float))
        try:
            found, covariance = least_squares_newey_west(
                binned.outcomes[outcome][both], x, customary_lags(len(x))
            )
        except np.linalg.LinAlgError:
            answers.append(_no_answer(k))
            continue
        reach = t.ppf(0.5 + RANGE_LEVEL / 2, len(x) - x.shape[1])
        answers.append(_ranged(k, found[0], reach * np.sqrt(covariance[0, 0])))
    return answers


def _windows(binned: Binned, outcome: str, k: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Bins of the quarter of an hour on either side of change ``k`` that know the outcome."""
    known = np.isfinite(binned.outcomes[outcome])
    if outcome not in AS_DRIVEN:
        known &= np.isfinite(binned.feed_t_h)
    change, time_s = binned.changes[k], binned.time_s
    before = known & (binned.step == k) & (time_s >= change.first_s - WINDOW_S)
    after = known & (binned.step == k + 1) & (time_s <= change.last_s + WINDOW_S)
    return before, after


def _covariates(binned: Binned, outcome: str, rows: NDArray[np.bool_], step: Array) -> Array:
    columns = [step, np.ones(step.size)]
    held = () if outcome in AS_DRIVEN else (binned.feed_t_h, binned.moisture_pct, binned.roll_deg)
    for values in held:
        value = values[rows]
        if np.isfinite(value).all() and np.ptp(value) > 0:
            columns.append((value - value.mean()) / value.std())
    return np.column_stack(columns)


def _ranged(k: int, estimate: float, half: float) -> PeerAnswer:
    return PeerAnswer(k, float(estimate), float(estimate - half), float(estimate + half))


def _no_answer(k: int) -> PeerAnswer:
    return PeerAnswer(k, float("nan"), float("nan"), float("nan"))
