"""A sensor's answer to starts, stops and changes of speed: dead time, smearing, shortening with flow.

Crop enters at a known rate but for the yield: width x speed while the machine works, nothing while it turns.
A sensor sees that intake after a dead time and smeared by a first-order lag (Arslan 2008, Sensors
8(2):952-962, models grain flow through the machine that way). The dead time shortens as flow rises: on the
yield-monitor test stand of the Univ. of Kentucky (table 2) from 8 s at 1.3 kg/s to 5 s at 21.2 kg/s, which is
about flow to the power -0.17. Every start and stop of work, and every change of speed, is a look at all three;
least squares over the whole log weighs them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.work.delays.lag import Lag, jackknife_error
from chaffinch.pipelines.work.delays.travel import Arrivals, Travel, relative_load

DEAD_TIMES_S = np.arange(0, 31)
SMEARS_S = np.array([0.7, 1.5, 2.5, 4.0, 6.0, 9.0])
SHORTENINGS = (0.15, 0.3, 0.45)
BLOCKS = 8
FEWEST_EDGES = 4
LEAST_CORRELATION = 0.3
FEWEST_SECONDS = 600
# Smearing of flow and loss sensors, from memory: 1 to 6 s nearly always.
PRIOR_SMEAR_S = 2.5
SMEAR_LOG_SD = 0.5
LOOKS_PER_EDGE = 5
# Shortening is believed where it explains more in nearly every part of the log: t of the gain over 8 blocks.
SURE_T = 2.4
LEAST_ERROR_S = 0.2
UNSURE_S = 1.5


def response_lag(
    intake: Array,
    signal: Array,
    power: float = 1.0,
    load: Array | None = None,
    shortens: bool | None = None,
) -> Lag | None:
    """Delay of ``signal`` behind ``intake`` (both per second; NaN in the signal where not logged).

    power : the signal is taken to rise with the intake to this power. load : relative to the usual, where more
    is known of it than the intake tells. shortens : whether another sensor of the machine has shown that dead
    times shorten, so that this one need not prove it again, or that they don't; None where none has.

    The signal's correlation with the delayed, smeared intake is computed over dead times, smearings and
    powers of the load, in eight blocks of the log; the blocks left out in turn give the error. None when the
    intake starts or stops fewer than four times, the fit is poor, or the best lies at the edge of what was
    tried.
    """
    edges = np.count_nonzero(np.diff((intake > 0).astype(np.int8)))
    if edges < FEWEST_EDGES or np.isfinite(signal).sum() < FEWEST_SECONDS:
        return None
    search = _Search(intake, signal, power, load)
    constant = search.constant()
    if constant is None or search.correlation(constant) < LEAST_CORRELATION:
        return None
    best = search.refined(constant)
    if shortens is not False:
        changing = search.refined(search.shortening(constant))
        if changing.shortening > 0.05 and search.better(changing, best, 0.0 if shortens else SURE_T):
            best = changing
    if best.dead_s > DEAD_TIMES_S[-2]:
        return None
    return search.with_error(best)


class _Search:
    """Correlation of one signal with the intake as it would arrive, by travel and block of the log."""

    def __init__(self, intake: Array, signal: Array, power: float, load: Array | None) -> None:
        known = np.isfinite(signal)
        self.power = power
        self.arrivals = Arrivals(intake**power, relative_load(intake) if load is None else load)
        self.value, self.weight = self._tamed(np.where(known, signal, 0.0)), known.astype(float)
        self.holes = np.flatnonzero(~known)
        # Each start or stop says about as much as a handful of seconds that are not alike.
        self.looks = LOOKS_PER_EDGE * np.count_nonzero(np.diff((intake > 0).astype(np.int8)))
        self.starts = [int(b[0]) for b in np.array_split(np.arange(signal.size), BLOCKS)]
        # Sums that are the same for every travel, by block: n, y, yy.
        self.count, self.y, self.yy = (self._by_block(v) for v in (self.weight, self.value, self.value**2))
        self._known: dict[Travel, Array] = {}

    def _tamed(self, mass: Array) -> Array:
        if self.power == 1.0:
            return mass
        above = np.maximum(mass, 0.0)
        return np.sqrt(above, out=above)

    def _by_block(self, values: Array) -> Array:
        return np.add.reduceat(values, self.starts)

    def moments(self, travel: Travel) -> Array:
        """Sums (n, x, y, xx, yy, xy) by block, shape (blocks, 6); x is the intake after ``travel``."""
        if travel not in self._known:
            x = self._tamed(self.arrivals.after(travel))
            seen = self.weight * x
            sums = (self._by_block(v) for v in (seen, seen * x, self.value * x))
            x_sum, xx, xy = sums
            self._known[travel] = np.column_stack([self.count, x_sum, self.y, xx, self.yy, xy])
        return self._known[travel]

    def correlation(self, travel: Travel) -> float:
        return float(self.correlations([travel])[0])

    def correlations(self, travels: Sequence[Travel]) -> Array:
        """Over the whole log, shape (travels,)."""
        return _correlation(np.array([self.moments(t).sum(axis=0) for t in travels]))

    def likely(self, correlation: Array, travels: Sequence[Travel]) -> Array:
        """Log likelihood of travels, shape of ``correlation`` (travels, ...), with what is known of smearing
        beforehand: dead time and smearing trade, and a log alone may take one for the other."""
        fit = -self.looks / 2 * np.log1p(-np.minimum(np.maximum(correlation, 0.0) ** 2, 0.9999))
        off = np.log(np.array([t.smear_s for t in travels]) / PRIOR_SMEAR_S) / SMEAR_LOG_SD
        return fit - (off**2 / 2).reshape(-1, *[1] * (np.ndim(correlation) - 1))

    def best(self, travels: Sequence[Travel]) -> Travel:
        likely = self.likely(self.correlations(travels), travels)
        return travels[int(np.argmax(np.nan_to_num(likely, nan=-np.inf)))]

    def constant(self) -> Travel | None:
        """The best pair of dead time and smearing without shortening; None at the edge of what is tried."""
        found = np.array([self._of_dead_times(float(smear)) for smear in SMEARS_S])
        if not np.isfinite(found).any():
            return None
        smear, dead = np.unravel_index(int(np.nanargmax(found)), found.shape)
        if dead == DEAD_TIMES_S.size - 1:
            return None
        return Travel(float(DEAD_TIMES_S[dead]), float(SMEARS_S[smear]))

    def _of_dead_times(self, smear_s: float) -> Array:
        """Correlation at each of ``DEAD_TIMES_S``, shape (dead times,): whole seconds, so products of parts of
        the same series, and sums of what has arrived but for the seconds that were not logged."""
        x, (y, holes) = self._tamed(self.arrivals.smeared(smear_s)), (self.value, self.holes)
        longest, seconds = int(DEAD_TIMES_S[-1]), x.size
        late = np.concatenate([np.zeros(longest), x])
        summed, squares = np.cumsum(x), np.cumsum(x * x)
        sums = np.empty((DEAD_TIMES_S.size, 3))
        for row, dead in enumerate(DEAD_TIMES_S.tolist()):
            unseen = late[holes + (longest - dead)]
            arrived = seconds - 1 - dead
            sums[row] = (
                summed[arrived] - unseen.sum(),
                squares[arrived] - unseen @ unseen,
                # Not ``@``: threads of linear algebra wait for each other over so little work.
                np.einsum("i,i->", x[: seconds - dead], y[dead:]),
            )
        n, y_sum, yy = (np.full(len(sums), fixed.sum()) for fixed in (self.count, self.y, self.yy))
        return _correlation(np.column_stack([n, sums[:, 0], y_sum, sums[:, 1], yy, sums[:, 2]]))

    def shortening(self, constant: Travel) -> Travel:
        """A start for the search with shortening: edges of work are seen at a low load, so the dead time at
        the usual load is shorter than the constant one."""
        shares = (0.55, 0.65, 0.75, 0.85, 1.0)
        smears = {constant.smear_s, max(0.6 * constant.smear_s, 0.7)}
        return self.best(
            [Travel(constant.dead_s * d, s, k) for k in SHORTENINGS for d in shares for s in smears]
        )

    def refined(self, travel: Travel) -> Travel:
        """Uphill from ``travel``: the peak of a parabola through the correlation around it, ever closer."""
        for scale in (1.0, 0.7, 0.4, 0.25):
            around = self.around(travel, scale)
            rho = self.correlations(around.travels)[:, None]
            peak = _peak(around, self.likely(rho, around.travels))
            moved = around.at(np.nan_to_num(np.clip(peak[:, 0], -2, 2)))
            travel = self.best([travel, moved, *around.travels])
        return travel

    def around(self, travel: Travel, scale: float) -> Around:
        return Around(travel, scale * np.array([1.0, 0.35, 0.1])[: 3 if travel.shortening else 2])

    def better(self, changing: Travel, constant: Travel, by_t: float) -> bool:
        gain = _left_over(self.moments(constant)) - _left_over(self.moments(changing))
        spread = float(np.std(gain, ddof=1))
        return bool(np.mean(gain) > by_t * spread / np.sqrt(gain.size))

    def with_error(self, travel: Travel) -> Lag:
        """``travel`` as a lag; its error from leaving out each block in turn (jackknife).

        Where the parabola around the best peaks without a block says how far that block had moved the answer.
        """
        around = self.around(travel, 0.7)
        moments = np.array([self.moments(t) for t in around.travels])
        without = _correlation(moments.sum(axis=1, keepdims=True) - moments)
        peaks = np.clip(_peak(around, self.likely(without, around.travels)), -3, 3)
        total = [around.at(peak).total_s for peak in peaks.T if np.isfinite(peak).all()]
        error = jackknife_error(total) if len(total) >= 4 else UNSURE_S
        return Lag.of(travel, min(max(error, LEAST_ERROR_S), 2 * UNSURE_S))


@dataclass(frozen=True, slots=True)
class Around:
    """Travels around ``centre``, on the corners and faces of a box of ``steps`` in dead time, log of smearing
    and, where there are three, shortening."""

    centre: Travel
    steps: Array

    @property
    def places(self) -> Array:
        """In steps from the centre, shape (travels, 2 or 3)."""
        return _places(self.steps.size)

    @property
    def travels(self) -> list[Travel]:
        return [self.at(place) for place in self.places]

    def at(self, place: Array) -> Travel:
        """The travel at a place; dead time down to 0, smearing 0.5 to 8 s, shortening 0 to 0.8."""
        dead, smear, shortening = (*(place * self.steps).tolist(), 0.0)[:3]
        return Travel(
            max(self.centre.dead_s + dead, 0.0),
            min(max(self.centre.smear_s * math.exp(smear), 0.5), 8.0),
            min(max(self.centre.shortening + shortening, 0.0), 0.8),
        )


@cache
def _places(size: int) -> Array:
    grid = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * size, indexing="ij"), -1).reshape(-1, size)
    kept = np.count_nonzero(grid, axis=1)
    return grid[(kept <= 1) | (kept == size)]


@cache
def _parabola(size: int) -> Array:
    """What makes the coefficients of a parabola of values at ``_places``, by least squares."""
    places, (first, second) = _places(size), np.triu_indices(size)
    return np.linalg.pinv(
        np.column_stack([np.ones(len(places)), places, places[:, first] * places[:, second]])
    )


def _peak(around: Around, values: Array) -> Array:
    """Where parabolas through ``values`` (travels, m) peak, in steps, shape (2 or 3, m); NaN for no peak."""
    size = around.steps.size
    fitted = _parabola(size) @ values
    curved = np.zeros((values.shape[1], size, size))
    for row, (a, b) in enumerate(zip(*np.triu_indices(size), strict=True)):
        curved[:, a, b] += fitted[1 + size + row]
        curved[:, b, a] += fitted[1 + size + row]
    # A signal that stands still correlates with nothing.
    curved[~np.isfinite(curved).all(axis=(1, 2))] = 0.0
    peaked = np.linalg.eigvalsh(curved)[:, -1] < 0
    out = np.full((size, values.shape[1]), np.nan)
    slope = fitted[1 : 1 + size].T[peaked]
    out[:, peaked] = np.linalg.solve(curved[peaked], -slope[..., None])[..., 0].T
    return out


def _correlation(m: Array) -> Array:
    """Correlation from summed moments of shape (..., 6)."""
    n, x, y, xx, yy, xy = np.moveaxis(m, -1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (n * xy - x * y) / np.sqrt((n * xx - x**2) * (n * yy - y**2))


def _left_over(m: Array) -> Array:
    """Sum of squares by block that one line through the whole log leaves over; moments of shape (blocks, 6)."""
    n, x, y, xx, _, xy = m.sum(axis=0)
    slope = (n * xy - x * y) / (n * xx - x**2)
    level = (y - slope * x) / n
    n, x, y, xx, yy, xy = m.T
    return yy - 2 * level * y - 2 * slope * xy + n * level**2 + 2 * level * slope * x + slope**2 * xx
