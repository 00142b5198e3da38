"""How crop travels from header to sensor: a dead time that may shorten with load, then first-order smearing.

A search tries hundreds of travels on the same log; ``Arrivals`` works out once what many of them share.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array

# How fast the machine empties or fills, over which its load decides how fast crop travels; and the least and
# greatest share of the usual load for which a dead time is thought to change. From memory.
LOAD_MEMORY_S = 10.0
LOAD_BOUNDS = (0.3, 2.0)
# The travels around one place have three smearings, three shortenings and nine pairs of dead time and shortening.
MOST_SHARED = 18


@dataclass(frozen=True, slots=True)
class Travel:
    """How crop travels to a sensor: dead time at the usual load, smearing, power of the load."""

    dead_s: float
    smear_s: float
    shortening: float = 0.0

    @property
    def total_s(self) -> float:
        """Centroid of the response at the usual load: what brings channels together."""
        return self.dead_s + self.smear_s


def relative_load(intake: Array) -> Array:
    """Load of the machine relative to the usual one, shape (n,), per second; within ``LOAD_BOUNDS``."""
    working = intake > 0
    usual = float(np.median(intake[working])) if working.any() else 1.0
    return np.clip(smeared(intake / usual, LOAD_MEMORY_S), *LOAD_BOUNDS)


def smeared(series: Array, smear_s: float) -> Array:
    """First-order lag with time constant ``smear_s``, per second, at rest before the start."""
    from scipy.signal import lfilter

    keep = float(np.exp(-1.0 / smear_s))
    return lfilter([1.0 - keep], [1.0, -keep], series)


class Arrivals:
    """What a sensor sees of ``mass`` after any travel. mass, load (relative to the usual): per second, (n,)."""

    def __init__(self, mass: Array, load: Array) -> None:
        self._mass, self._summed = mass, np.cumsum(mass)
        self._log_load = np.log(load)
        self._second = np.arange(1.0, mass.size + 1.0)
        self._shared: dict[Hashable, Array] = {}

    def smeared(self, smear_s: float) -> Array:
        """The mass smeared, without dead time, per second."""
        return self._once(("smear", smear_s), lambda: smeared(self._mass, smear_s))

    def after(self, travel: Travel) -> Array:
        """What the sensor sees, per second, shape (n,). The dead time moves the summed mass, so none is lost."""
        if not travel.shortening:
            # A constant dead time and smearing may change places; there are fewer smearings than pairs of both.
            return _moved(self.smeared(travel.smear_s), travel.dead_s)
        return smeared(self._arrived(travel.dead_s, travel.shortening), travel.smear_s)

    def _arrived(self, dead_s: float, shortening: float) -> Array:
        def work() -> Array:
            arrival = np.maximum.accumulate(self._second + dead_s * self._hurry(shortening))
            return np.diff(np.interp(self._second, arrival, self._summed, left=0.0), prepend=0.0)

        return self._once(("dead", dead_s, shortening), work)

    def _hurry(self, shortening: float) -> Array:
        return self._once(("load", shortening), lambda: np.exp(-shortening * self._log_load))

    def _once(self, what: Hashable, work: Callable[[], Array]) -> Array:
        if what not in self._shared:
            if len(self._shared) >= MOST_SHARED:
                del self._shared[next(iter(self._shared))]
            self._shared[what] = work()
        return self._shared[what]


def _moved(mass: Array, dead_s: float) -> Array:
    """``mass`` later by a constant dead time; parts of a second share their mass between two."""
    whole = int(dead_s)
    part = dead_s - whole
    late = np.concatenate([np.zeros(whole + 1), mass])
    if not part:
        return late[1 : mass.size + 1]
    return (1.0 - part) * late[1 : mass.size + 1] + part * late[: mass.size]
