"""Adjustments from a setting that a log carries in every row: where its value changes and stays.

Set values are exact and move in steps, perhaps over a few seconds while an actuator travels. Actual values
(a measured fan or drum speed) jitter with load; a change of theirs counts only when it stands out of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.ingest.text.number_parsing import plain_number
from chaffinch.schemas.declarations import Setting, settings

HELD_S = 20.0
COMPARED_S = 60.0
# A value is exact when at least this share of rows lies in runs of one value that last.
EXACT_SHARE = 0.8
# An exact value counts as changed from this part of the catalogue's step on; a jittering one from half.
EXACT_STEP_PART = 0.2
NOISE_MULTIPLE = 3.0
# How many times the usual difference of neighbouring minutes a change must exceed: a measured speed wanders
# with load over minutes too. Found by trying on autocorrelated wandering of 5 to 20 rpm over 30 to 300 s:
# five times gave 1 false change in 500 h and found every one of 100 rpm; four times gave 102.
WANDER_MULTIPLE = 5.0
SEARCHED_AT_ONCE = 65_536
# A rotating part below this part of its usual speed has been switched off, not adjusted.
STOPPED_PART = 0.4


@dataclass(frozen=True, slots=True)
class Held:
    """Changes of one setting: ``index`` into the rows given, values before and after."""

    index: np.ndarray
    before: np.ndarray
    after: np.ndarray


def adjustments_in(readings: pl.DataFrame, origin: str, kinds: tuple[str, ...]) -> pl.DataFrame | None:
    """Adjustments of every setting of these kinds that ``readings`` have a column for; None without any.

    ``readings``: columns row, time, machine and those of the settings. ``origin``: as in ``adjustments``.
    """
    found = [
        adjustments_of(readings.select("row", "time", "machine", setting.column), setting)
        for setting in settings().values()
        if setting.kind in kinds and setting.column in readings.columns
    ]
    found = [frame for frame in found if frame.height]
    if not found:
        return None
    whole = pl.concat(found).with_columns(origin=pl.lit(origin))
    return whole.sort("time", "row", "setting", maintain_order=True)


def adjustments_of(frame: pl.DataFrame, setting: Setting) -> pl.DataFrame:
    """Adjustments of ``setting`` in the readings of one or more machines.

    ``frame``: columns row, time (UTC), machine and ``setting.column`` (Float64 for numbers, else text).
    Returns rows of the contract of ``adjustments`` with origin ``setting column``, without delivery and file.
    The first value of a machine is not an adjustment. ``row`` and ``time`` are those of the first row that
    departs from the old value.
    """
    found: list[pl.DataFrame] = []
    for rows in frame.partition_by("machine", maintain_order=True):
        rows = rows.filter(pl.col("time").is_not_null()).sort("time", maintain_order=True)
        rows = rows.filter(pl.col(setting.column).is_not_null())
        if rows.height < 2:
            continue
        seconds = rows["time"].dt.epoch("us").to_numpy() / 1e6
        held = (
            _held_numbers(seconds, rows, setting)
            if setting.kind == "number"
            else _held_words(seconds, rows, setting)
        )
        if len(held.index):
            found.append(adjustments_from(rows[held.index.tolist()], setting, held.before, held.after))
    return pl.concat(found) if found else adjustments_from(frame.clear(), setting, (), ())


def adjustments_from(
    moments: pl.DataFrame, setting: Setting, before: Iterable[Any], after: Iterable[Any]
) -> pl.DataFrame:
    """Rows of ``adjustments`` at ``moments`` (row, time, machine), with the values of ``setting`` on either side."""
    from_value, to_value = (
        pl.Series([plain_number(v) if setting.kind == "number" else v for v in values], dtype=pl.String)
        for values in (before, after)
    )
    return moments.select(
        pl.col("row").cast(pl.Int64),
        "time",
        "machine",
        setting=pl.lit(setting.name),
        from_value=from_value,
        to_value=to_value,
        unit=pl.lit(setting.unit or None, pl.String),
        kind=pl.lit(setting.kind),
        origin=pl.lit("setting column"),
    )


def _held_numbers(seconds: np.ndarray, rows: pl.DataFrame, setting: Setting) -> Held:
    values = rows[setting.column].to_numpy()
    step = float(setting.step or 0.0)
    running = np.ones(len(values), bool)
    if setting.unit == "rpm":
        running = values > STOPPED_PART * np.quantile(values, 0.9)
    index = np.flatnonzero(running)
    if len(index) < 2:
        return _none()
    seconds, values = seconds[index], values[index]
    starts, ends, long = _runs(seconds, values)
    if (ends - starts)[long].sum() >= EXACT_SHARE * len(values):
        held = held_steps(seconds, values, EXACT_STEP_PART * step)
    else:
        held = held_shifts(seconds, values, step / 2)
    return Held(index[held.index], held.before, held.after)


def _held_words(seconds: np.ndarray, rows: pl.DataFrame, setting: Setting) -> Held:
    words, codes = np.unique(rows[setting.column].to_numpy().astype(str), return_inverse=True)
    held = held_steps(seconds, codes.astype(float), 0.5)
    return Held(held.index, words[held.before.astype(int)], words[held.after.astype(int)])


def _none() -> Held:
    return Held(np.empty(0, int), np.empty(0), np.empty(0))


def _runs(seconds: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Runs of one value: first row, row after the last, and whether the run lasts ``HELD_S``."""
    starts = np.flatnonzero(np.r_[True, np.diff(values) != 0])
    ends = np.r_[starts[1:], len(values)]
    until = np.r_[seconds[starts[1:]], seconds[-1]]
    return starts, ends, (until - seconds[starts]) >= HELD_S


def held_steps(seconds: np.ndarray, values: np.ndarray, least: float) -> Held:
    """Changes of an exact value that last ``HELD_S`` and exceed ``least``. ``seconds`` ascend.

    Values on the way (an actuator travelling) and slips that are corrected at once belong to no level.
    """
    starts, ends, long = _runs(seconds, values)
    # The very first level counts however short: it is what the machine was set to.
    long[0] = True
    starts, ends = starts[long], ends[long]
    index, before, after = [], [], []
    level, last_end = values[starts[0]], ends[0]
    for start, end in zip(starts[1:], ends[1:], strict=True):
        if abs(values[start] - level) > least:
            index.append(last_end)
            before.append(level)
            after.append(values[start])
            level = values[start]
        last_end = end
    return Held(np.array(index, int), np.array(before), np.array(after))


def held_shifts(seconds: np.ndarray, values: np.ndarray, least: float) -> Held:
    """Changes of a jittering value that last and stand out: medians over up to ``COMPARED_S`` on either side
    differ by more than ``least`` and three times the jitter. ``seconds`` ascend.
    """
    from scipy.ndimage import median_filter

    interval = max(float(np.median(np.diff(seconds))), 1e-3)
    window = max(3, int(2 * HELD_S / interval) // 2 * 2 + 1)
    if len(values) < window:
        return _none()
    level = median_filter(values, size=window, mode="nearest")
    jitter = 1.4826 * float(np.median(np.abs(values - level)))
    reach = max(3, int(COMPARED_S / interval))
    threshold = max(least, NOISE_MULTIPLE * jitter, WANDER_MULTIPLE * _wander(level, reach))
    index, before, after = [], [], []
    start = 0
    while start < len(values):
        reference = float(np.median(values[max(0, start) : start + reach]))
        at = _first_away(level, start, reference, threshold / 2)
        if at is None:
            break
        settled = _settled(level, at, window, threshold / 4)
        old = float(np.median(values[max(start, at - reach) : max(at - window // 2, start + 1)]))
        new = float(np.median(values[settled : settled + reach]))
        if (
            abs(new - old) > threshold
            and seconds[min(settled + window, len(values)) - 1] - seconds[settled] >= HELD_S / 2
        ):
            index.append(_departure(values, max(start, at - window), settled, old, new))
            before.append(round(old, 3))
            after.append(round(new, 3))
        start = max(settled, at + 1)
    return Held(np.array(index, int), np.array(before), np.array(after))


def _wander(level: np.ndarray, reach: int) -> float:
    """Usual difference of the smoothed value between neighbouring stretches of ``reach`` rows."""
    whole = len(level) // reach * reach
    if whole < 3 * reach:
        return 0.0
    minutes = np.median(level[:whole].reshape(-1, reach), axis=1)
    return 1.4826 * float(np.median(np.abs(np.diff(minutes))))


def _first_away(level: np.ndarray, start: int, reference: float, distance: float) -> int | None:
    """First row from ``start`` on that is further than ``distance`` from ``reference``."""
    for low in range(start, len(level), SEARCHED_AT_ONCE):
        away = np.abs(level[low : low + SEARCHED_AT_ONCE] - reference) > distance
        if away.any():
            return low + int(np.argmax(away))
    return None


def _settled(level: np.ndarray, at: int, window: int, tolerance: float) -> int:
    """First index from ``at`` on where the smoothed value stays within ``tolerance`` for a window."""
    last = len(level) - 1
    while at < last:
        ahead = level[at : at + window]
        out = np.flatnonzero(np.abs(ahead - ahead[-1]) > tolerance)
        if not len(out):
            return at
        at += int(out[-1]) + 1
    return last


def _departure(values: np.ndarray, first: int, last: int, old: float, new: float) -> int:
    """First row of the way from ``old`` to ``new``: past it, values stay on the new side of the middle."""
    middle = (old + new) / 2
    beyond = (values[first : last + 1] > middle) == (new > old)
    inside = np.flatnonzero(~beyond)
    return first + (int(inside[-1]) + 1 if len(inside) else 0)
