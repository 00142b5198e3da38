"""When the crop that entered the header reaches each sensor.

Crop enters at a known rate but for the yield: width x speed while the machine works, nothing while it turns.
A sensor sees that intake after a dead time and smeared by a first-order lag (Arslan 2008, Sensors
8(2):952-962, models grain flow through the machine that way). Every start and stop of work, and every change
of speed, is a look at both; least squares over the whole log weighs them all. What counts for bringing channels
together is the centroid of the response: dead time plus smearing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Header to sensor where the data can't tell. Test stands give 5 to 8 s from the elevator's foot (Univ. of
# Kentucky yield-monitor test stand, table 2); 10 to 14 s for a whole machine and about 8 s for the loss sensors
# are common practice, no source.
DEFAULT_GRAIN_DELAY_S = 12.0
DEFAULT_LOSS_DELAY_S = 8.0
DEFAULT_MOISTURE_DELAY_S = 15.0
DEFAULT_ERROR_S = 3.0

DEAD_TIMES_S = np.arange(0, 31)
SMEARS_S = np.array([0.7, 1.5, 2.5, 4.0, 6.0, 9.0])
BLOCKS = 8
FEWEST_EDGES = 4


@dataclass(frozen=True, slots=True)
class Lag:
    """A delay and its standard error, both in seconds. ``estimated`` is False for a default."""

    seconds: float
    error_s: float
    estimated: bool = True


@dataclass(frozen=True, slots=True)
class Delays:
    """Delays from header to sensor."""

    grain: Lag
    loss: Lag
    moisture: Lag

    @property
    def estimated(self) -> bool:
        return self.grain.estimated


DEFAULT_DELAYS = Delays(
    Lag(DEFAULT_GRAIN_DELAY_S, DEFAULT_ERROR_S, False),
    Lag(DEFAULT_LOSS_DELAY_S, DEFAULT_ERROR_S, False),
    Lag(DEFAULT_MOISTURE_DELAY_S, DEFAULT_ERROR_S, False),
)


def response_lag(intake: Array, signal: Array) -> Lag | None:
    """Delay of ``signal`` behind ``intake`` (both per second; NaN in the signal where not logged).

    For every dead time (0 to 30 s) and smearing (0.7 to 9 s) the signal's correlation with the delayed, smeared
    intake is computed in eight blocks of the log. The best pair over all blocks gives the delay; the spread of
    the blocks' own best pairs gives its error. None when the intake starts or stops fewer than four times, the
    fit is poor, or the best pair lies at the edge of what was tried.
    """
    active = intake > 0
    if np.count_nonzero(np.diff(active.astype(np.int8))) < FEWEST_EDGES or np.isfinite(signal).sum() < 600:
        return None
    known = np.isfinite(signal)
    blocks = np.array_split(np.arange(signal.size), BLOCKS)
    moments = np.array([_moments(_smeared(intake, s), signal, known, blocks) for s in SMEARS_S])
    whole = _correlation(moments.sum(axis=2))
    best = _best_delay(whole)
    if best is None or np.nanmax(whole) < 0.3:
        return None
    own = [_best_delay(_correlation(moments[:, :, b])) for b in range(len(blocks))]
    parts = np.array([x for x in own if x is not None])
    if parts.size < 3:
        return Lag(best, 1.5)
    spread = 1.4826 * float(np.median(np.abs(parts - np.median(parts))))
    return Lag(best, max(1.25 * spread / np.sqrt(parts.size), 0.2)) if spread < 5 else None


def _smeared(intake: Array, smear_s: float) -> Array:
    from scipy.signal import lfilter

    keep = float(np.exp(-1.0 / smear_s))
    return lfilter([1.0 - keep], [1.0, -keep], intake)


def _moments(x: Array, y: Array, known: NDArray[np.bool_], blocks: Sequence[NDArray[np.int_]]) -> Array:
    """Sums (n, x, y, xx, yy, xy) at every dead time and block: shape (dead times, blocks, 6)."""
    out = np.empty((DEAD_TIMES_S.size, len(blocks), 6))
    value, weight = np.where(known, y, 0.0), known.astype(float)
    edges = [b[0] for b in blocks]
    for i, dead in enumerate(DEAD_TIMES_S):
        late = np.concatenate([np.zeros(dead), x[: x.size - dead]])
        sums = (weight, weight * late, value, weight * late**2, value**2, late * value)
        out[i] = np.column_stack([np.add.reduceat(s, edges) for s in sums])
    return out


def _correlation(m: Array) -> Array:
    """Correlation from summed moments of shape (..., 6)."""
    n, x, y, xx, yy, xy = np.moveaxis(m, -1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (n * xy - x * y) / np.sqrt((n * xx - x**2) * (n * yy - y**2))


def _best_delay(correlation: Array) -> float | None:
    """Dead time plus smearing at the best of correlation (smears, dead times), dead time refined by a parabola."""
    if not np.isfinite(correlation).any():
        return None
    s, d = np.unravel_index(int(np.nanargmax(correlation)), correlation.shape)
    if d == DEAD_TIMES_S.size - 1:
        return None
    refined = float(DEAD_TIMES_S[d])
    if d > 0:
        left, top, right = correlation[s, d - 1 : d + 2]
        if np.isfinite([left, right]).all() and left - 2 * top + right < 0:
            refined += 0.5 * (left - right) / (left - 2 * top + right)
    return refined + float(SMEARS_S[s])


def combine(lags: Sequence[Lag | None], default: Lag) -> Lag:
    """Weighted mean of the lags that were found, the default where there are none."""
    found = [lag for lag in lags if lag is not None]
    if not found:
        return default
    weight = np.array([1 / lag.error_s**2 for lag in found])
    mean = float(weight @ [lag.seconds for lag in found] / weight.sum())
    return Lag(mean, float(1 / np.sqrt(weight.sum())))


def estimate_delays(intake: Array, grain_flow: Array, losses: Sequence[Array]) -> Delays:
    """Delays of one machine from series per second.

    intake : width x speed while working, 0 outside; any unit. grain_flow : NaN where not logged.
    losses : one series per loss sensor; they share one delay. Loss rises about with the cube of feed rate as a
    mass, so its root is compared with the intake to the power 1.5, which tames its spikes.
    """
    grain = response_lag(intake, grain_flow)
    loss = [response_lag(intake**1.5, np.sqrt(np.maximum(x, 0))) for x in losses]
    return Delays(
        combine([grain], DEFAULT_DELAYS.grain), combine(loss, DEFAULT_DELAYS.loss), DEFAULT_DELAYS.moisture
    )
