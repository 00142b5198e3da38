"""Readings of one field job to bins of ten seconds of steady work.

A bin never crosses the end of a pass or an adjustment. Ten seconds lose nothing: the fastest noise that is not
white has a time constant above that, the shared part of slower noise is kept whole, and the white part's
variance is known from the seconds in a bin. What is gained: a loss signal that counts kernels is summed before
its log is taken, so that a second without a kernel does not become minus infinity.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.sun import sun_height_deg
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.around_changes import AroundChange
from chaffinch.pipelines.estimate.data.changes import Change, group_changes, left_out_s, made_at
from chaffinch.pipelines.work import cut_width_m
from chaffinch.pipelines.work.passes import since_start_and_to_end
from chaffinch.pipelines.work.series import loss_column, seconds_of
from numpy.typing import NDArray

BIN_S = 10.0
MOISTURE_SPAN_S = 30.0
# A bin without any loss signal has no logarithm. Leaving it out selects on the outcome; more of them than this bias
# an effect: a signal that starts at half of the usual loss shows effects 1.5 times as large as they are.
MOST_ZERO = 0.02
# Zero seconds beyond this multiple of what counting kernels explains show a dead band.
BEYOND_COUNTING = 5.0
PLAIN_SPAN_S = 900.0


@dataclass(frozen=True, slots=True)
class Binned:
    """One field job in bins, all arrays of shape (n,), sorted by time.

    seconds : seconds of usable work in the bin. step : number of changes before the bin. since_start_s,
    until_end_s : of the bin's pass. feed_t_h : grain feed rate.
    area_m2_s : area cut a second. loss_signal : both loss signals summed, as logged. outcomes : log of each
    outcome, NaN where unknown; losses per grain kept, until ``crop_entered`` makes them and the feed rate per grain
    that entered. flaws : codes of what is wrong with an outcome's signal. calibrated : losses are logged in kg/s.
    loss_delay_s : from the header to the loss sensors; a bin's crop meets a change that long before it is shown.
    sun_deg : height of the sun; None or NaN where the place is not known. summed : of ``summed_up``, by change.
    """

    machine: str
    field: str | None
    crop: str | None
    changes: list[Change]
    time_s: Array
    seconds: Array
    step: NDArray[np.int_]
    since_start_s: Array
    until_end_s: Array
    feed_t_h: Array
    moisture_pct: Array
    roll_deg: Array
    pitch_deg: Array
    east_m: Array
    north_m: Array
    area_m2_s: Array
    loss_signal: Array
    outcomes: dict[str, Array]
    flaws: dict[str, list[str]]
    calibrated: bool
    loss_delay_s: float = 0.0
    sun_deg: Array | None = None
    summed: Sequence[AroundChange] = ()

    @property
    def place(self) -> dict[str, str | None]:
        """Machine, field and crop, as rows of tables name them."""
        return {"machine": self.machine, "field": self.field, "crop": self.crop}

    def kept(self, which: NDArray[np.bool_], changes: list[Change], step: NDArray[np.int_]) -> Binned:
        """The bins of ``which`` (n,), with other changes and each bin's number of them before it, (n,)."""
        arrays: dict[str, Any] = {
            name: value[which]
            for name in self.__slots__
            if isinstance(value := getattr(self, name), np.ndarray) and name != "step"
        }
        outcomes = {name: values[which] for name, values in self.outcomes.items()}
        return replace(self, **arrays, outcomes=outcomes, changes=changes, step=step[which])

    def before_change(self, seconds: float) -> NDArray[np.bool_]:
        """Bins at most ``seconds`` before a change, by the clock, shape (n,)."""
        first = np.append([c.first_s for c in self.changes], np.inf)
        return first[np.searchsorted(first, self.time_s)] - self.time_s <= seconds

    def seconds_around(self, k: int) -> tuple[float, float]:
        """Seconds of usable work between change ``k`` and its neighbours, before and after."""
        if self.summed:
            return self.summed[k].seconds
        return float(self.seconds[self.step == k].sum()), float(self.seconds[self.step == k + 1].sum())

    def around(self, k: int) -> AroundChange:
        """The work around change ``k``."""
        return self.summed[k] if self.summed else _around(self, k)

    def summed_up(self) -> Binned:
        """The field job without its bins but the first: what names it, and the work around its changes."""
        first = np.arange(self.time_s.size) == 0
        around = [_around(self, k) for k in range(len(self.changes))]
        return replace(self.kept(first, self.changes, self.step), summed=around)


def _around(binned: Binned, k: int) -> AroundChange:
    before, after = binned.step == k, binned.step == k + 1
    weighed = before & np.isfinite(binned.loss_signal) & (binned.area_m2_s > 0)
    near = before | after
    moisture = binned.moisture_pct[near & np.isfinite(binned.moisture_pct)]
    feed = binned.feed_t_h[near & (binned.feed_t_h > 0)]
    unknown = float("nan")
    return AroundChange(
        binned.seconds_around(k),
        float(binned.loss_signal[weighed].sum() / binned.area_m2_s[weighed].sum())
        if weighed.any()
        else unknown,
        float(moisture.mean()) if moisture.size else unknown,
        float(np.log(feed).mean()) if feed.size else unknown,
        _plain_percent(binned, k),
    )


def _plain_percent(binned: Binned, k: int) -> dict[str, float]:
    change = binned.changes[k]
    before = (binned.step == k) & (binned.time_s > change.first_s - PLAIN_SPAN_S)
    after = (binned.step == k + 1) & (binned.time_s < change.last_s + PLAIN_SPAN_S)
    found = {}
    for outcome, values in binned.outcomes.items():
        known = np.isfinite(values)
        if (known & before).any() and (known & after).any():
            apart = values[known & after].mean() - values[known & before].mean()
            found[outcome] = float(100 * np.expm1(apart))
    return found


def interval_s(time_s: Array) -> float:
    """Usual time between readings, s."""
    gaps = np.diff(time_s)
    gaps = gaps[(gaps > 0) & (gaps < 60)]
    return float(np.median(gaps)) if gaps.size else 1.0


def bin_work(marked: pl.DataFrame, adjustments: pl.DataFrame, loss_delay_s: float = 6.0) -> Binned | None:
    """Bins of one field job; None when it holds no usable work.

    marked : readings after ``mark_work``. adjustments : real adjustments of the machine (any field).
    """
    time_s = seconds_of(marked["time"])
    usable = marked["usable"].to_numpy()
    if usable.sum() < 2:
        return None
    interval = interval_s(time_s)
    work_s = np.repeat(time_s[usable], max(1, round(interval)))
    inside = adjustments.filter(made_at(adjustments).is_between(marked["time"].min(), marked["time"].max()))
    changes = [
        c
        for c in group_changes(inside, work_s)
        if work_s[0] < c.last_s and c.first_s - loss_delay_s < work_s[-1]
    ]
    first, last = left_out_s(changes)
    began = np.searchsorted(first - loss_delay_s, time_s, side="right")
    step = np.searchsorted(last - loss_delay_s, time_s, side="right")
    usable = usable & (began == step)
    binned = _sum_up(marked, usable, time_s, step, changes, interval)
    return None if binned is None else replace(binned, loss_delay_s=loss_delay_s)


def _sum_up(
    marked: pl.DataFrame,
    usable: NDArray[np.bool_],
    time_s: Array,
    step: NDArray[np.int_],
    changes: list[Change],
    interval: float,
) -> Binned | None:
    rows = np.flatnonzero(usable)
    if rows.size < 2:
        return None
    passes = marked["pass_number"].fill_null(0).to_numpy()[rows]
    slot = np.floor(time_s[rows] / max(BIN_S, interval)).astype(np.int64)
    new = (np.diff(passes) != 0) | (np.diff(slot) != 0) | (np.diff(step[rows]) != 0)
    starts = np.concatenate([[0], np.flatnonzero(new) + 1])

    def column(name: str) -> Array:
        if name not in marked.columns:
            return np.full(rows.size, np.nan)
        return marked[name].cast(pl.Float64).to_numpy().astype(float)[rows]

    def mean(values: Array) -> Array:
        known = np.isfinite(values)
        count = np.add.reduceat(known.astype(float), starts)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.add.reduceat(np.where(known, values, 0.0), starts) / np.where(count > 0, count, np.nan)

    count = np.diff(np.concatenate([starts, [rows.size]])).astype(float)
    east, north = _metres(column("latitude"), column("longitude"))
    place = [column(name) for name in ("latitude", "longitude")]
    outcomes, flaws, calibrated = _outcomes(marked, column, starts)
    since, until = since_start_and_to_end(time_s, marked["pass_number"].fill_null(0).to_numpy())
    return Binned(
        machine=marked["machine"][0],
        field=marked["field"][0],
        crop=marked["crop"].drop_nulls().mode()[0] if marked["crop"].count() else None,
        changes=changes,
        time_s=mean(time_s[rows]),
        seconds=count * interval,
        step=step[rows][starts],
        since_start_s=mean(since[rows]),
        until_end_s=mean(until[rows]),
        feed_t_h=mean(column("feed_rate_t_h")),
        moisture_pct=_smooth(mean(column("moisture_aligned_pct")), mean(time_s[rows])),
        roll_deg=mean(column("roll_deg")),
        pitch_deg=mean(column("pitch_deg")),
        east_m=mean(east),
        north_m=mean(north),
        area_m2_s=mean(column("speed_m_s") * cut_width_m(marked)[rows]),
        loss_signal=mean(column("separation_loss_aligned")) + mean(column("cleaning_loss_aligned")),
        outcomes=outcomes,
        flaws=flaws,
        calibrated=calibrated,
        sun_deg=_sun(mean(time_s[rows]), *place),
    )


def _sun(time_s: Array, latitude: Array, longitude: Array) -> Array:
    """Height of the sun over the middle of the field, (n,); NaN where positions are not known."""
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return np.full(time_s.size, np.nan)
    return sun_height_deg(time_s, float(np.median(latitude[known])), float(np.median(longitude[known])))


def _smooth(values: Array, time_s: Array) -> Array:
    """Mean over the bins within half a minute either way; NaN where none is known.

    Grain moisture changes over minutes; within seconds a sensor shows mostly its own noise, and a noisy covariate
    explains less than it should (errors in variables).
    """
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    low = np.searchsorted(time_s, time_s - MOISTURE_SPAN_S)
    high = np.searchsorted(time_s, time_s + MOISTURE_SPAN_S, side="right")
    with np.errstate(invalid="ignore", divide="ignore"):
        return (total[high] - total[low]) / np.where(
            count[high] > count[low], count[high] - count[low], np.nan
        )


def _metres(latitude: Array, longitude: Array) -> tuple[Array, Array]:
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return np.full(latitude.size, np.nan), np.full(latitude.size, np.nan)
    lat0, lon0 = np.median(latitude[known]), np.median(longitude[known])
    return (longitude - lon0) * 111_320.0 * np.cos(np.radians(lat0)), (latitude - lat0) * 110_574.0


def _log_ratio(top: Array, bottom: Array, starts: NDArray[np.int_]) -> Array:
    """Log of sum(top) / sum(bottom) in each bin; NaN where either is unknown or not above zero."""
    both = np.isfinite(top) & np.isfinite(bottom)
    above = np.add.reduceat(np.where(both, top, 0.0), starts)
    below = np.add.reduceat(np.where(both, bottom, 0.0), starts)
    enough = np.add.reduceat(both.astype(float), starts) >= 0.5 * np.add.reduceat(np.ones(both.size), starts)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(above / below)
    return np.where(enough & np.isfinite(value), value, np.nan)


def _outcomes(
    marked: pl.DataFrame, column: Callable[[str], Array], starts: NDArray[np.int_]
) -> tuple[dict[str, Array], dict[str, list[str]], bool]:
    feed = column("feed_rate_t_h")
    kg_s = feed / 3.6
    outcomes: dict[str, Array] = {}
    flaws: dict[str, list[str]] = {}
    losses: dict[str, Array] = {}
    for place in ("separation_loss", "cleaning_loss"):
        if (logged := loss_column(marked, place)) is None:
            continue
        step = _smallest_step(column(logged))
        value, flaws[place] = _without_faults(column(f"{place}_aligned"), step)
        losses[place] = value
        outcomes[place] = _log_ratio(value, kg_s, starts)
        if _often_zero(value, starts, step):
            flaws[place].append("signal_often_zero")
    often_zero = ["signal_often_zero"] * any("signal_often_zero" in flaws[place] for place in losses)
    calibrated = all(loss_column(marked, p) == f"{p}_kg_s" for p in losses) and bool(losses)
    if len(losses) == 2:
        total = losses["separation_loss"] + losses["cleaning_loss"]
        outcomes["machine_loss"] = _log_ratio(total, kg_s, starts)
        flaws["machine_loss"] = often_zero + ([] if calibrated else ["uncalibrated_sum"])
    if np.isfinite(feed).any():
        outcomes["throughput"] = _log_ratio(feed, np.ones(feed.size), starts)
    for outcome, name in (
        ("broken_grain", "broken_grain_pct"),
        ("non_grain", "non_grain_pct"),
        ("returns", "returns_signal"),
    ):
        if name in marked.columns and marked[name].count() > 0:
            outcomes[outcome] = _log_ratio(column(name), np.ones(feed.size), starts)
    if "fuel_rate_l_h" in marked.columns and marked["fuel_rate_l_h"].count() > 0 and np.isfinite(feed).any():
        outcomes["fuel_per_tonne"] = _log_ratio(column("fuel_rate_l_h"), feed, starts)
    return outcomes, {**{k: [] for k in outcomes}, **flaws}, calibrated


def _smallest_step(logged: Array) -> float:
    """Least difference of two values of a signal as logged: one kernel, where it counts them.

    Channels that were moved by part of a second have values in between.
    """
    return float(np.min(np.diff(np.unique(logged[np.isfinite(logged)])), initial=np.inf))


def _often_zero(value: Array, starts: NDArray[np.int_], step: float) -> bool:
    """Whether the sensor shows nothing too often: in whole bins, or in more seconds than a count of kernels would.

    A count of mean m is zero in a share e^-m of the seconds (Poisson); m is the usual signal in its ``step``.
    """
    known = np.isfinite(value)
    count = np.add.reduceat(known.astype(float), starts)
    total = np.add.reduceat(np.where(known, value, 0.0), starts)
    if not (count > 0).any() or np.mean(total[count > 0] == 0) > MOST_ZERO:
        return bool((count > 0).any())
    positive = value[known & (value > 0)]
    by_counting = np.exp(-np.median(positive) / step)
    return bool(np.mean(value[known] == 0) > max(MOST_ZERO, BEYOND_COUNTING * by_counting))


def _without_faults(value: Array, step: float) -> tuple[Array, list[str]]:
    """A loss signal without drop-outs, and what is wrong with it.

    A ceiling is a single highest value that holds over 2 % of the readings.
    """
    known = value[np.isfinite(value)]
    if known.size == 0 or np.ptp(known) == 0:
        return value, ["signal_dead"]
    if _drops_out(known, step):
        value = np.where(value == 0, np.nan, value)
    at_top = np.mean(known >= known.max() * (1 - 1e-9))
    return value, ["signal_saturated"] if at_top > 0.02 and np.unique(known).size > 20 else []


def _drops_out(known: Array, step: float) -> bool:
    """Whether zeros are drop-outs: up to a fifth of the readings, and the signal falls to them from its usual height.

    Counts of a few kernels are sometimes zero by chance, and a signal enters a dead band from low values.
    """
    positive = known[known > 0]
    falls = np.flatnonzero((known[2:] == 0) & (known[1:-1] > 0))
    if falls.size == 0 or positive.size < 0.8 * known.size:
        return False
    usual = np.median(positive)
    # The last reading before may be half way down, where channels were moved by part of a second.
    before = np.maximum(known[falls], known[falls + 1])
    return bool(usual > 8 * step and np.median(before) > 0.5 * usual)
