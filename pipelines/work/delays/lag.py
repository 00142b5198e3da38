"""When the crop that entered the header reaches each sensor: what is found, and what is assumed.

A lag is found in three ways (``response``: starts and stops of work; ``neighbours``: passes driven in opposite
directions side by side; ``follow``: loss against feed), each with an error; ``combine`` weighs them, ``pool``
brings the days of a machine together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from chaffinch.pipelines.work.delays.travel import Travel

# Header to sensor where the data can't tell. Test stands give 5 to 8 s from the elevator's foot (Univ. of
# Kentucky yield-monitor test stand, table 2); 10 to 14 s for a whole machine and about 8 s for the loss sensors
# are common practice, no source.
DEFAULT_GRAIN_DELAY_S = 12.0
DEFAULT_LOSS_DELAY_S = 8.0
DEFAULT_MOISTURE_DELAY_S = 15.0
DEFAULT_ERROR_S = 3.0

K = TypeVar("K")

SENSORS = ("grain", "separation", "cleaning", "moisture")


@dataclass(frozen=True, slots=True)
class Lag:
    """A delay from header to sensor at the usual load, and its standard error, both in seconds. Around or below 0:
    the logger has moved the channel already.

    ``estimated`` False: a default. ``smear_s``: how much of it is smearing, None where only the sum is known.
    ``shortening``: power of the load with which the dead time shortens, 0 where it does not. ``ways``: how
    it was found, of starts, passes, feed, season.
    """

    seconds: float
    error_s: float
    estimated: bool = True
    smear_s: float | None = None
    shortening: float = 0.0
    ways: tuple[str, ...] = ()

    @classmethod
    def of(cls, travel: Travel, error_s: float) -> Lag:
        return cls(travel.total_s, error_s, True, travel.smear_s, travel.shortening, ("starts",))

    @property
    def range_s(self) -> tuple[float, float]:
        """95 % range, s."""
        return self.seconds - 1.96 * self.error_s, self.seconds + 1.96 * self.error_s


@dataclass(frozen=True, slots=True)
class Delays:
    """Delays from header to sensor. ``loss``: of both loss sensors together; ``separation`` and ``cleaning``
    are their own, the same as ``loss`` where only one number is known."""

    grain: Lag
    loss: Lag
    moisture: Lag
    separation: Lag | None = None
    cleaning: Lag | None = None

    def of(self, sensor: str) -> Lag:
        """The lag of one of ``SENSORS``."""
        own = getattr(self, sensor)
        return self.loss if own is None else own

    @property
    def estimated(self) -> bool:
        return self.grain.estimated


DEFAULT_DELAYS = Delays(
    Lag(DEFAULT_GRAIN_DELAY_S, DEFAULT_ERROR_S, False),
    Lag(DEFAULT_LOSS_DELAY_S, DEFAULT_ERROR_S, False),
    Lag(DEFAULT_MOISTURE_DELAY_S, DEFAULT_ERROR_S, False),
)


def combine(lags: Sequence[Lag | None], default: Lag) -> Lag:
    """Weighted mean of the lags that were found, the default where there are none.

    Where they disagree by more than their errors allow, the error grows by the ratio (Birge 1932). Smearing
    and shortening are those of the surest lag that knows them.
    """
    found = sorted((lag for lag in lags if lag is not None), key=lambda lag: lag.error_s)
    if not found:
        return default
    weight = np.array([1 / lag.error_s**2 for lag in found])
    seconds = np.array([lag.seconds for lag in found])
    mean = float(weight @ seconds / weight.sum())
    ratio = 1.0
    if len(found) > 1:
        ratio = max(1.0, float(np.sqrt(weight @ (seconds - mean) ** 2 / (len(found) - 1))))
    known = next((lag for lag in found if lag.smear_s is not None), None)
    return Lag(
        mean,
        ratio * float(1 / np.sqrt(weight.sum())),
        True,
        known.smear_s if known else None,
        known.shortening if known else 0.0,
        tuple(dict.fromkeys(way for lag in found for way in lag.ways)),
    )


def both_losses(separation: Lag, cleaning: Lag) -> Lag:
    """One lag for both loss sensors: the middle; with those that were found, where only one was."""
    if separation.estimated != cleaning.estimated:
        return separation if separation.estimated else cleaning
    middle = (separation.seconds + cleaning.seconds) / 2
    error = float(np.hypot(separation.error_s, cleaning.error_s)) / 2
    return replace(separation, seconds=middle, error_s=error)


def pool(days: Mapping[K, Delays]) -> dict[K, Delays]:
    """Delays of one machine by day (or any other stretch of work), each drawn towards the machine's mean.

    Random effects by the moments of DerSimonian and Laird (1986): the days' true delays lie around the
    machine's with a spread that is estimated from how much more they differ than their errors say. A day is
    drawn to the mean by its error against that spread; a day that can't tell gets the mean, with the
    spread in its error. Where no day tells, the default stays.
    """
    names = list(days)
    pooled = {s: _pool_one([days[n].of(s) for n in names]) for s in SENSORS}
    out = {}
    for k, name in enumerate(names):
        own = {s: pooled[s][k] for s in SENSORS}
        out[name] = Delays(loss=both_losses(own["separation"], own["cleaning"]), **own)
    return out


def _pool_one(lags: Sequence[Lag]) -> list[Lag]:
    known_lags = [lag for lag in lags if lag.estimated]
    if not known_lags or len(lags) == 1:
        return list(lags)
    seconds, error = (np.array(v) for v in zip(*((x.seconds, x.error_s) for x in known_lags), strict=True))
    spread2 = _spread_squared(seconds, error)
    weight = 1 / (error**2 + spread2)
    mean, mean_error2 = float(weight @ seconds / weight.sum()), float(1 / weight.sum())
    known = [lag for lag in known_lags if lag.smear_s is not None]
    smear = float(np.median([x.smear_s for x in known if x.smear_s is not None])) if known else None
    power = float(np.median([x.shortening for x in known])) if known else 0.0
    whole = Lag(mean, float(np.sqrt(mean_error2 + spread2)), True, smear, power, ("season",))
    return [_drawn(lag, whole, mean_error2, spread2) if lag.estimated else whole for lag in lags]


def _drawn(lag: Lag, whole: Lag, mean_error2: float, spread2: float) -> Lag:
    own = spread2 / (spread2 + lag.error_s**2)
    seconds = own * lag.seconds + (1 - own) * whole.seconds
    error = np.sqrt(own * lag.error_s**2 + (1 - own) ** 2 * mean_error2)
    return replace(
        lag,
        seconds=float(seconds),
        error_s=float(error),
        smear_s=whole.smear_s,
        shortening=whole.shortening,
        ways=(*lag.ways, "season"),
    )


def _spread_squared(seconds: np.ndarray, error: np.ndarray) -> float:
    weight = 1 / error**2
    mean = weight @ seconds / weight.sum()
    q = float(weight @ (seconds - mean) ** 2)
    scale = float(weight.sum() - (weight**2).sum() / weight.sum())
    return max(0.0, (q - (seconds.size - 1)) / scale) if scale > 0 else 0.0
