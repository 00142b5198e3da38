"""When the crop that entered the header reaches each sensor.

Three looks at the data, combined by their own precision:

* *starts and stops of work*: the mean step response of a sensor after work starts and after it stops;
* *speed*: the lag at which a sensor best follows the travel speed, which acts at the header at once;
* *each other*: the lag between the loss sensors and the grain sensor, both of which follow the feed rate.

A lag found here is the centroid of the response: dead time plus the first-order smearing (Arslan 2008,
Sensors 8(2):952-962, models grain flow through the machine that way).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Header to sensor. Test stands give 5 to 8 s from the elevator's foot (Univ. of Kentucky yield-monitor test
# stand, table 2); 10 to 14 s is usual for a whole machine and 6 s for the loss sensors (common practice).
DEFAULT_GRAIN_DELAY_S = 12.0
DEFAULT_LOSS_DELAY_S = 6.0
DEFAULT_MOISTURE_DELAY_S = 15.0
DEFAULT_SPREAD_S = 3.0
LONGEST_DELAY_S = 30


@dataclass(frozen=True, slots=True)
class Lag:
    """A lag and its standard error, both in seconds."""

    seconds: float
    error_s: float


@dataclass(frozen=True, slots=True)
class Delays:
    """Delays from header to sensor, s; ``estimated`` is False where the data could not tell."""

    grain: Lag
    loss: Lag
    moisture: Lag
    estimated: bool


def step_lag(signal: Array, working: NDArray[np.bool_], starts: bool) -> Lag | None:
    """Time after starts (or stops) of work at which the mean response crosses half of its rise (or fall).

    signal, working : per second, NaN where not logged. Needs four events with 45 s of signal; None else.
    The error is a jackknife over events.
    """
    edges = np.flatnonzero(np.diff(working.astype(np.int8)) == (1 if starts else -1)) + 1
    before, after = 25, 40
    edges = edges[(edges >= before) & (edges + after < signal.size)]
    if starts:  # a start counts when the machine then works on for the whole window
        held = [working[e : e + after].all() and not working[e - 8 : e].any() for e in edges]
    else:
        held = [working[e - before : e].all() and not working[e : e + 12].any() for e in edges]
    edges = edges[np.asarray(held, dtype=bool)] if edges.size else edges
    window = (
        signal[edges[:, None] + np.arange(-before, after)] if edges.size else np.empty((0, before + after))
    )
    level = window[:, before + 22 :] if starts else window[:, :before]
    # A turn shorter than the response would end the window of a stop early: only its first 25 s are used.
    with np.errstate(invalid="ignore"):
        scale = np.array([np.nanmean(row) if np.isfinite(row).any() else np.nan for row in level])
    good = np.isfinite(scale) & (scale > 0)
    if good.sum() < 4:
        return None
    profiles = window[good, before:] / scale[good, None]
    lags = [_half_crossing(np.delete(profiles, i, axis=0), starts) for i in range(len(profiles))]
    whole = _half_crossing(profiles, starts)
    if whole is None or any(lag is None for lag in lags):
        return None
    n = len(lags)
    spread = np.sqrt((n - 1) / n * np.sum((np.asarray(lags, dtype=float) - np.mean(lags)) ** 2))
    return Lag(whole, float(max(spread, 0.5)))


def _half_crossing(profiles: Array, rising: bool) -> float | None:
    mean = np.nanmean(profiles, axis=0) if np.isfinite(profiles).any() else np.array([])
    if mean.size == 0:
        return None
    beyond = mean >= 0.5 if rising else mean <= 0.5
    crossed = np.flatnonzero(beyond)
    if crossed.size == 0 or crossed[0] == 0 or crossed[0] >= LONGEST_DELAY_S:
        return None
    k = int(crossed[0])
    step = mean[k] - mean[k - 1]
    return float(k - 1 + (0.5 - mean[k - 1]) / step) if step else float(k)


def following_lag(leader: Array, follower: Array, shortest_s: int, longest_s: int) -> Lag | None:
    """Lag in seconds at which ``follower`` best follows ``leader`` (both logs, per second, NaN outside work).

    Slow changes (over about 40 s) are taken out first, since drift correlates at any lag. The lag is found in
    up to eight stretches of equal length; their median is returned, its error from their spread. None when the
    peak is weak, at the edge, or the stretches disagree.
    """
    fast_leader, fast_follower = _without_slow(leader), _without_slow(follower)
    lags = np.arange(shortest_s, longest_s + 1)
    size = leader.size
    products = np.full((lags.size, size), np.nan)
    for i, lag in enumerate(lags):
        lo, hi = max(0, -lag), size - max(0, lag)
        products[i, lo:hi] = fast_leader[lo:hi] * fast_follower[lo + lag : hi + lag]
    found = [
        _peak(lags, np.nanmean(part, axis=1))
        for part in np.array_split(products, 8, axis=1)
        if (np.isfinite(part).sum(axis=1) > 300).all()
    ]
    peaks = np.array([p for p in found if p is not None])
    if len(peaks) < 3 or len(peaks) < 0.6 * len(found):
        return None
    spread = 1.4826 * np.median(np.abs(peaks - np.median(peaks)))
    if spread > 4:
        return None
    return Lag(float(np.median(peaks)), float(max(1.25 * spread / np.sqrt(len(peaks)), 0.3)))


def _without_slow(x: Array, width: int = 41) -> Array:
    known = np.isfinite(x)
    kernel = np.ones(width)
    weight = np.convolve(known, kernel, mode="same")
    mean = np.convolve(np.where(known, x, 0.0), kernel, mode="same") / np.maximum(weight, 1)
    return np.where(known & (weight > width / 2), x - mean, np.nan)


def _peak(lags: NDArray[np.int_], covariance: Array) -> float | None:
    k = int(np.argmax(covariance))
    noise = 1.4826 * np.median(np.abs(covariance - np.median(covariance)))
    if k in (0, lags.size - 1) or covariance[k] < 3 * noise:
        return None
    left, top, right = covariance[k - 1 : k + 2]
    bend = left - 2 * top + right
    return float(lags[k] + (0.5 * (left - right) / bend if bend < 0 else 0.0))


def combine(grain: list[Lag | None], loss: list[Lag | None], between: list[Lag | None]) -> Delays:
    """Weighted least squares for the grain and loss delay from lags of each and of grain behind loss.

    The defaults enter with a spread of 3 s, so that they rule only where the data can't tell.
    """
    rows = [([1.0, 0.0], Lag(DEFAULT_GRAIN_DELAY_S, DEFAULT_SPREAD_S))]
    rows += [([0.0, 1.0], Lag(DEFAULT_LOSS_DELAY_S, DEFAULT_SPREAD_S))]
    rows += [([1.0, 0.0], lag) for lag in grain if lag]
    rows += [([0.0, 1.0], lag) for lag in loss if lag]
    rows += [([1.0, -1.0], lag) for lag in between if lag]
    design = np.array([row for row, _ in rows])
    weight = np.array([1 / lag.error_s for _, lag in rows])
    found = np.array([lag.seconds for _, lag in rows])
    covariance = np.linalg.inv((design * weight[:, None]).T @ (design * weight[:, None]))
    seconds = covariance @ (design * weight[:, None] ** 2).T @ found
    errors = np.sqrt(np.diag(covariance))
    return Delays(
        Lag(float(seconds[0]), float(errors[0])),
        Lag(float(seconds[1]), float(errors[1])),
        Lag(DEFAULT_MOISTURE_DELAY_S, DEFAULT_SPREAD_S),
        estimated=any(lag is not None for lag in grain),
    )


def estimate_delays(
    working: NDArray[np.bool_], speed_m_s: Array, grain_flow: Array, losses: list[Array]
) -> Delays:
    """Delays of one machine in one field from series per second (NaN where not logged).

    losses : one series per loss sensor; they share one delay.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        in_work = np.where(working, 1.0, np.nan)
        log_speed = np.log(np.where(speed_m_s > 0.3, speed_m_s, np.nan)) * in_work
        log_flow = np.log(np.where(grain_flow > 0, grain_flow, np.nan)) * in_work
        log_losses = [np.log(np.where(x > 0, x, np.nan)) * in_work for x in losses]
    grain: list[Lag | None] = [
        step_lag(grain_flow, working, starts=True),
        step_lag(grain_flow, working, starts=False),
        following_lag(log_speed, log_flow, 0, LONGEST_DELAY_S),
    ]
    loss: list[Lag | None] = [following_lag(log_speed, x, -2, 20) for x in log_losses]
    between: list[Lag | None] = [following_lag(x, log_flow, -5, 20) for x in log_losses]
    return combine(grain, loss, between)
