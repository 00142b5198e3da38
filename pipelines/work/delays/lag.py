"""When the crop that entered the header reaches each sensor: what is found, and what is assumed.

A lag of the flow or of moisture is found from passes side by side (``by_neighbours``), that of a loss from its run
against the flow (``by_loss_and_feed``), each with an error; ``pool`` brings the days of a machine together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.array_types import Array, Indexes
from chaffinch.pipelines.work.random_effects import random_effects

SENSORS = ("grain", "separation", "cleaning", "moisture")


@dataclass(frozen=True, slots=True)
class Lag:
    """A delay from header to sensor, and its standard error, both in seconds. Around or below 0: the logger has moved
    the channel already.

    ``estimated`` False: a default. ``ways``: how it was found, of passes, feed, season.
    """

    seconds: float
    error_s: float
    estimated: bool = True
    ways: tuple[str, ...] = ()

    @property
    def range_s(self) -> tuple[float, float]:
        """95 % range, s."""
        return self.seconds - REACH_95 * self.error_s, self.seconds + REACH_95 * self.error_s


@dataclass(frozen=True, slots=True)
class Delays:
    """Delays from header to each of ``SENSORS``."""

    grain: Lag
    separation: Lag
    cleaning: Lag
    moisture: Lag

    def of(self, sensor: str) -> Lag:
        return getattr(self, sensor)

    @property
    def loss_s(self) -> float:
        """Of both loss sensors together: the middle, or that of the one that was found."""
        both = self.separation, self.cleaning
        found = [lag.seconds for lag in both if lag.estimated] or [lag.seconds for lag in both]
        return sum(found) / len(found)


# Smearing of each sensor, a first-order lag: flow and losses nearly always 1 to 6 s, the chamber of a moisture sensor
# more. From memory.
GRAIN_SMEAR_S, LOSS_SMEAR_S, MOISTURE_SMEAR_S = 3.0, 2.0, 7.0

# Header to sensor where the data can't tell. Test stands give 5 to 8 s from the elevator's foot (Univ. of
# Kentucky yield-monitor test stand, table 2); 10 to 14 s for a whole machine and about 8 s for the loss sensors
# are common practice, no source.
DEFAULT_DELAYS = Delays(*(Lag(seconds, 3.0, False) for seconds in (12.0, 8.0, 8.0, 15.0)))


def peak_of(correlation: Array, tried_s: Array | Indexes) -> float | None:
    """Where a parabola through the best of ``correlation`` and the two values on each side of it peaks; None at an
    edge. ``tried_s``: whole seconds at which it is known."""
    if not np.isfinite(correlation).any():
        return None
    best = int(np.nanargmax(correlation))
    if not 2 <= best <= correlation.size - 3:
        return None
    curve, slope, _ = np.polyfit(np.arange(-2.0, 3.0), correlation[best - 2 : best + 3], 2)
    return float(tried_s[best] + np.clip(-slope / (2 * curve) if curve < 0 else 0.0, -1, 1))


def jackknife_error(without_each: Sequence[float]) -> float:
    """Standard error of what is found, by what is found without each part of the log in turn."""
    return float(np.sqrt((len(without_each) - 1) * np.var(without_each)))


def pool(days: Sequence[Delays]) -> list[Delays]:
    """Delays of one machine by day (or any other part of its work), each drawn towards the machine's mean.

    Random effects: the days' true delays lie around the machine's with a spread that is estimated from how much
    more they differ than their errors say. A day is drawn to the mean by its error against that spread; a day
    without an estimate gets the mean, with the spread in its error. Without any estimate the default stays.
    """
    return [Delays(*own) for own in zip(*(_pool_one([d.of(s) for d in days]) for s in SENSORS), strict=True)]


def _pool_one(lags: Sequence[Lag]) -> list[Lag]:
    known_lags = [lag for lag in lags if lag.estimated]
    if not known_lags or len(lags) == 1:
        return list(lags)
    seconds, error = (np.array(v) for v in zip(*((x.seconds, x.error_s) for x in known_lags), strict=True))
    mean, spread2 = random_effects(seconds, error**2)
    mean_error2 = float(1 / (1 / (error**2 + spread2)).sum())
    whole = Lag(mean, float(np.sqrt(mean_error2 + spread2)), True, ("season",))
    return [_drawn(lag, whole, mean_error2, spread2) if lag.estimated else whole for lag in lags]


def _drawn(lag: Lag, whole: Lag, mean_error2: float, spread2: float) -> Lag:
    own = spread2 / (spread2 + lag.error_s**2)
    seconds = own * lag.seconds + (1 - own) * whole.seconds
    error = np.sqrt(own * lag.error_s**2 + (1 - own) ** 2 * mean_error2)
    return replace(lag, seconds=float(seconds), error_s=float(error), ways=(*lag.ways, "season"))
