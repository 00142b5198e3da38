"""Measurement noise of the flow sensor, removed from the feed rate by regression calibration.

A noisy covariate explains less than it should, and the rest is attributed to the settings: a driver who goes faster
after each adjustment seems to lose more at the same feed rate. So bins hold the expected feed rate given the whole
log (Carroll, Ruppert, Stefanski and Crainiceanu 2006, Measurement Error in Nonlinear Models, chapter 4).
"""

from __future__ import annotations

from dataclasses import replace
from math import comb
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned, interval_s
from chaffinch.pipelines.estimate.data.design import LOSSES
from chaffinch.pipelines.estimate.model.bin_means import apart
from chaffinch.pipelines.estimate.model.covariance import Observations, factor
from chaffinch.pipelines.estimate.model.noise_fit import fit_noise
from chaffinch.pipelines.work import seconds_of
from numpy.typing import NDArray

# Crop is smeared over seconds on its way to the sensor, so differences of this order hold almost none of its own
# variation at one reading a second. At one in five they hold as much as the noise or more: the feed rate is then
# smoothed too much, which is the smaller error.
ORDER = 5
FEWEST_DIFFERENCES = 50
FEWEST_BINS = 30
# A standard deviation of a normal distribution in median absolute deviations.
SD_OF_MEDIAN = 1.4826


def flow_noise(marked: pl.DataFrame) -> float:
    """Variance of the log of one second's grain flow that is the flow sensor's own; 0 where none is logged."""
    if "grain_flow_kg_s" not in marked.columns:
        return 0.0
    usable, time_s = marked["usable"].to_numpy(), seconds_of(marked["time"])
    interval = interval_s(time_s)
    runs = np.cumsum(np.diff(time_s[usable], prepend=0.0) > 1.5 * interval)
    flow = marked["grain_flow_kg_s"].cast(pl.Float64).to_numpy().astype(float)[usable]
    return second_variance(flow, runs, interval)


def second_variance(flow: Array, runs: NDArray[Any], interval_s: float) -> float:
    """Variance of the log of one second's flow that is the sensor's own; 0 where too little work lies in a row.

    flow : (n,) readings ``interval_s`` apart, whatever their unit. runs : (n,) number of the unbroken run of
    readings that each belongs to. From differences of a high order (Hall, Kay and Titterington 1990, Biometrika
    77:521-528), by their median size, so that steps and faults do not count.
    """
    if flow.size <= ORDER:
        return 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        differences = np.diff(np.log(flow), ORDER)
    known = differences[(runs[ORDER:] == runs[:-ORDER]) & np.isfinite(differences)]
    if known.size < FEWEST_DIFFERENCES:
        return 0.0
    size = SD_OF_MEDIAN * float(np.median(np.abs(known)))
    return size**2 / comb(2 * ORDER, ORDER) * interval_s


def without_sensor_noise(binned: Binned, variance: float) -> Binned:
    """The field job with the feed rate to be expected where the sensor's noise has ``variance`` a second.

    With V the covariance of the log feed rates x as logged and W that of their noise, the expectation is
    x - W V^-1 (x - mean); V is fitted to the log. Loss shares refer to that feed rate as well.
    """
    known = np.isfinite(binned.feed_t_h) & (binned.feed_t_h > 0)
    if variance <= 0 or known.sum() < FEWEST_BINS:
        return binned
    time_s, seconds, x = binned.time_s[known], binned.seconds[known], np.log(binned.feed_t_h[known])
    scale = SD_OF_MEDIAN * float(np.median(np.abs(np.diff(x)))) / np.sqrt(2)
    if scale <= 0:
        return binned
    ones = np.ones((x.size, 1))
    observed = Observations(time_s, ones, x / scale, 1 / seconds, seconds=apart(time_s, seconds))
    factored = factor(observed, fit_noise([observed], within=0.1))
    level, rest = factored.whiten(observed.known).T
    rest = rest - level * (level @ rest) / (level @ level)
    noise = variance / seconds / scale * factored.back(rest[:, None])[:, 0]
    feed_t_h, log_noise = binned.feed_t_h.copy(), np.zeros(binned.feed_t_h.size)
    feed_t_h[known] *= np.exp(-noise)
    log_noise[known] = noise
    # The feed rate is what a loss is divided by, so that its noise is in the shares too.
    shares = {name: binned.outcomes[name] + log_noise for name in LOSSES if name in binned.outcomes}
    return replace(binned, feed_t_h=feed_t_h, outcomes={**binned.outcomes, **shares})
