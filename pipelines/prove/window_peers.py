"""What people do with a log: compare a quarter of an hour after an adjustment with one before it.

Both peers get the same bins of steady work as the estimator, so only the method differs. This favours them.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.estimate.data.bins import Binned

WINDOW_S = 900.0
FEWEST_BINS = 6
RANGE_LEVEL = 0.95
# What is judged of a range, and how its columns end in tables of the lake.
ENDS = {"estimate": "", "low": "_low", "high": "_high"}
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

    y, reach = binned.outcomes[outcome], norm.ppf(0.5 + RANGE_LEVEL / 2)

    def answer(before: Flags, after: Flags) -> tuple[float, float]:
        error = np.sqrt(sum(np.var(y[side], ddof=1) / side.sum() for side in (before, after)))
        return y[after].mean() - y[before].mean(), reach * error

    return _on_each_change(binned, outcome, answer)


def window_regression(binned: Binned, outcome: str) -> list[PeerAnswer]:
    """The same windows regressed on feed rate, moisture and roll, with standard errors of Newey and West 1987."""
    from scipy.stats import t
    from statsmodels.regression.linear_model import OLS

    y = binned.outcomes[outcome]

    def answer(before: Flags, after: Flags) -> tuple[float, float]:
        both = before | after
        x = _covariates(binned, outcome, both, after[both].astype(float))
        if np.linalg.matrix_rank(x) < x.shape[1]:
            raise np.linalg.LinAlgError
        how = {"maxlags": customary_lags(len(x)), "use_correction": True}
        found = OLS(y[both], x).fit(cov_type="HAC", cov_kwds=how)
        return found.params[0], t.ppf(0.5 + RANGE_LEVEL / 2, found.df_resid) * found.bse[0]

    return _on_each_change(binned, outcome, answer)


def customary_lags(n: int) -> int:
    """Lags for ``n`` observations: floor(4 (n / 100)^(2/9)), after Newey and West 1994 (from memory)."""
    return int(4 * (n / 100) ** (2 / 9))


def _on_each_change(
    binned: Binned, outcome: str, answer: Callable[[Flags, Flags], tuple[float, float]]
) -> list[PeerAnswer]:
    """What ``answer`` makes of the windows before and after each change: effect and half its range."""
    answers = []
    for k in range(len(binned.changes)):
        before, after = _windows(binned, outcome, k)
        found = half = float("nan")
        if min(before.sum(), after.sum()) >= FEWEST_BINS:
            with suppress(np.linalg.LinAlgError):
                found, half = answer(before, after)
        answers.append(PeerAnswer(k, float(found), float(found - half), float(found + half)))
    return answers


def _windows(binned: Binned, outcome: str, k: int) -> tuple[Flags, Flags]:
    """Bins of the quarter of an hour on either side of change ``k`` that know the outcome."""
    known = np.isfinite(binned.outcomes[outcome])
    if outcome not in AS_DRIVEN:
        known &= np.isfinite(binned.feed_t_h)
    change, time_s = binned.changes[k], binned.time_s
    before = known & (binned.step == k) & (time_s >= change.first_s - WINDOW_S)
    after = known & (binned.step == k + 1) & (time_s <= change.last_s + WINDOW_S)
    return before, after


def _covariates(binned: Binned, outcome: str, rows: Flags, step: Array) -> Array:
    columns = [step, np.ones(step.size)]
    held = () if outcome in AS_DRIVEN else (binned.feed_t_h, binned.moisture_pct, binned.roll_deg)
    for values in held:
        value = values[rows]
        if np.isfinite(value).all() and np.ptp(value) > 0:
            columns.append((value - value.mean()) / value.std())
    return np.column_stack(columns)
