"""How far a loss sensor runs ahead of the grain flow: cross-correlation of loss and feed inside passes.

Loss rises with feed rate, so every swing of yield or speed shows in both, at either sensor's delay. Only what
swings within two minutes inside passes is compared.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.delays.lag import GRAIN_SMEAR_S, LOSS_SMEAR_S, Lag, jackknife_error, peak_of
from chaffinch.pipelines.work.series import smeared

TRIED_S = np.arange(-30, 31)
SWING_S = 120
BLOCKS = 12
LEAST_CORRELATION = 0.15
LEAST_ERROR_S = 0.3
WORST_ERROR_S = 2.0


def follow_lag(flow: Array, loss: Array, steady: Flags, grain: Lag) -> Lag | None:
    """Delay of a loss sensor from its lag behind the grain flow and the flow's own delay; None without a clear
    peak, or where it lies before the header.

    flow, loss : per second. steady : seconds well inside passes. grain : delay of the flow. Each is smeared by
    what smears the other, so that only their dead times differ. Loss rises about with the cube of feed rate
    as a mass, so its root is compared with the flow to the power 1.5.
    """
    feed = _swings(smeared(np.nan_to_num(flow) ** 1.5, LOSS_SMEAR_S), steady & np.isfinite(flow))
    lost = _swings(
        smeared(np.sqrt(np.maximum(np.nan_to_num(loss), 0)), GRAIN_SMEAR_S), steady & np.isfinite(loss)
    )
    moments = _moments(feed, lost)
    whole = _correlation(moments.sum(axis=1))
    peak = peak_of(whole, TRIED_S)
    if peak is None or np.nanmax(whole) < LEAST_CORRELATION:
        return None
    left = [peak_of(_correlation(moments.sum(axis=1) - moments[:, b]), TRIED_S) for b in range(BLOCKS)]
    known = [x for x in left if x is not None]
    if len(known) < BLOCKS - 2:
        return None
    error = max(jackknife_error(known), LEAST_ERROR_S)
    dead, whole_error = grain.seconds - GRAIN_SMEAR_S + peak, float(np.hypot(error, grain.error_s))
    if error > WORST_ERROR_S or dead + REACH_95 * whole_error < 0:
        return None
    return Lag(dead + LOSS_SMEAR_S, whole_error, True, ("feed",))


def _swings(series: Array, known: Flags) -> Array:
    """What differs from the mean of the two minutes around; NaN where unknown."""
    window = np.ones(SWING_S + 1)
    total = np.convolve(np.where(known, series, 0.0), window, "same")
    count = np.convolve(known.astype(float), window, "same")
    return np.where(known & (count > 30), series - total / np.maximum(count, 1.0), np.nan)


def _moments(feed: Array, lost: Array) -> Array:
    """Sums (xx, yy, xy) by block of feed against loss each of ``TRIED_S`` later, shape (lags, blocks, 3)."""
    feed_known, lost_known = np.isfinite(feed), np.isfinite(lost)
    x, y = np.where(feed_known, feed, 0.0), np.where(lost_known, lost, 0.0)
    xx, yy = x * x, y * y
    feed_known, lost_known = feed_known.astype(float), lost_known.astype(float)
    out = np.zeros((TRIED_S.size, BLOCKS, 3))
    for i, lag in enumerate(TRIED_S.tolist()):
        seconds = x.size - abs(lag)
        first = slice(max(-lag, 0), max(-lag, 0) + seconds)
        later = slice(max(lag, 0), max(lag, 0) + seconds)
        starts = seconds // BLOCKS * np.arange(BLOCKS) + np.minimum(np.arange(BLOCKS), seconds % BLOCKS)
        products = (xx[first] * lost_known[later], yy[later] * feed_known[first], x[first] * y[later])
        out[i] = np.column_stack([np.add.reduceat(v, starts) for v in products])
    return out


def _correlation(sums: Array) -> Array:
    with np.errstate(invalid="ignore", divide="ignore"):
        return sums[..., 2] / np.sqrt(sums[..., 0] * sums[..., 1])
