"""The regression over windows, one of the peers, against its published formula written out."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.prove.window_peers import customary_lags, window_regression
from scipy.stats import t

MIDDLE, BINS = 600.0, 120


def one_change(*, moving: bool) -> Binned:
    """Ten minutes of bins on either side of one change; ``moving``: the feed rate moves, else it is the step."""
    rng = np.random.default_rng(11)
    time_s = np.arange(BINS) * 10.0 + 5
    step = (time_s > MIDDLE).astype(int)
    feed = 30 + rng.standard_normal(BINS).cumsum() if moving else 30.0 + step
    still = np.zeros(BINS)
    noise = np.convolve(rng.standard_normal(BINS + 9), np.ones(10), "valid")
    rows = pl.DataFrame({"time": [datetime(2026, 7, 20, tzinfo=UTC)], "setting": ["fan_speed"]})
    return Binned(
        "A", "Mill", "wheat", [Change(MIDDLE, MIDDLE, rows)], time_s, np.full(BINS, 10.0), step, still, still,
        feed, still, still, still, still, still, still, still, {"cleaning_loss": 0.5 * step + noise}, {}, False,
    )  # fmt: skip


def test_effect_and_range():
    """Newey and West 1987, Econometrica 55(3):703-708: Bartlett weights 1 - lag / (lags + 1), here with the factor
    n / (n - p) of small samples; written out as sums over lags."""
    binned = one_change(moving=True)
    feed = (binned.feed_t_h - binned.feed_t_h.mean()) / binned.feed_t_h.std()
    x, y = np.column_stack([binned.step, np.ones(BINS), feed]), binned.outcomes["cleaning_loss"]
    bread = np.linalg.inv(x.T @ x)
    effect = bread @ x.T @ y
    scores = x * (y - x @ effect)[:, None]
    meat, lags = scores.T @ scores, 4
    for lag in range(1, lags + 1):
        between = scores[lag:].T @ scores[:-lag]
        meat += (1 - lag / (lags + 1)) * (between + between.T)
    error = np.sqrt((BINS / (BINS - 3) * bread @ meat @ bread)[0, 0])

    (found,) = window_regression(binned, "cleaning_loss")

    assert found.log_ratio == pytest.approx(effect[0])
    assert found.high - found.log_ratio == pytest.approx(t.ppf(0.975, BINS - 3) * error)


def test_a_feed_rate_that_moves_with_the_setting_has_no_answer():
    (found,) = window_regression(one_change(moving=False), "cleaning_loss")
    assert np.isnan([found.log_ratio, found.low, found.high]).all()


@pytest.mark.parametrize(("n", "lags"), [(100, 4), (180, 4), (1000, 6)])
def test_customary_lags(n, lags):
    """floor(4 (n / 100)^(2/9)): 4, 4.56, 6.67; own arithmetic on the rule (from memory)."""
    assert customary_lags(n) == lags
