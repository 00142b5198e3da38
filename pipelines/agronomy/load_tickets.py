"""Grain flow and grain moisture of a log calibrated by loads weighed on a scale.

A flow sensor has one factor for each machine and crop, found from whole loads:
factor = sum of ticket masses / sum of logged masses, both as harvested, so that no moisture enters.
Source of the way (each combine scaled to its scaled loads): Shearer et al., ASAE Paper 971034, 1997.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import ENDS_95, quotient
from chaffinch.pipelines.array_types import Array, Indexes

# A load that differs by more than this factor from the others of its machine and crop was cut at other times than the
# ticket states, or while the log had gaps. Common practice, no source.
FURTHEST_FROM_OTHERS = 1.3
# Alone, a load beyond this says that its ticket or its unit is wrong. Common practice, no source.
LARGEST_FACTOR = 2.0
LONGEST_READING_S = 10.0

LOADS_SCHEMA = {
    "machine": pl.String(),
    "crop": pl.String(),
    "ticket": pl.String(),
    "time": pl.Datetime("us", "UTC"),
    "end_time": pl.Datetime("us", "UTC"),
    "mass_kg": pl.Float64(),
    "moisture_pct": pl.Float64(),
    "logged_kg": pl.Float64(),
    "logged_moisture_pct": pl.Float64(),
    "why": pl.String(),
}


@dataclass(frozen=True, slots=True)
class MoistureDrift:
    """Drift of a moisture sensor against the scale: slope [points a day] with its standard error, from the first
    load to the last, ``span_days`` later; ``loads`` that have both moistures.
    """

    points_per_day: float
    error: float
    span_days: float
    loads: int

    @property
    def clear(self) -> bool:
        """Whether its 95 % range, by Student's t, leaves zero out."""
        from scipy.special import stdtrit

        return abs(self.points_per_day) > float(stdtrit(self.loads - 2, ENDS_95[1])) * self.error


@dataclass(frozen=True, slots=True)
class FlowCalibration:
    """Calibration of one machine's sensors in one crop by weighed loads.

    factor : by which the logged grain flow is multiplied. loads : used for it. residual_pct : standard
    deviation of single loads about it, % (None for one load). error_pct : standard error of the factor, %
    (None for one load). moisture_offset_pct : logged less weighed moisture, points, mean of the loads that have
    both (None where none has). drift : how that changes over time (None below three loads, or where all were cut
    at one moment).
    """

    machine: str
    crop: str | None
    factor: float
    loads: int
    residual_pct: float | None
    error_pct: float | None
    moisture_offset_pct: float | None = None
    drift: MoistureDrift | None = None


def weigh_loads(readings: pl.DataFrame, tickets: pl.DataFrame) -> pl.DataFrame:
    """Logged mass and moisture of each weighed load of one machine: rows of ``LOADS_SCHEMA``, by ``time``.

    readings : of the machine, by time: ``time``, ``grain_flow_kg_s``; ``record_duration_s``,
    ``grain_moisture_pct`` and ``crop`` where there are any. tickets : of the machine, rows of ``load_tickets``.
    ``logged_kg`` is flow times duration over [time, end_time) as it passes the sensor; moisture is its
    mass-weighted mean. ``why``: a sentence where the load can't be used.
    """
    log = readings.drop_nulls(["time", "grain_flow_kg_s"]).sort("time")
    listed = tickets.sort("time", "end_time").unique(
        ["time", "end_time", "mass_kg"], keep="first", maintain_order=True
    )
    moments = log["time"].dt.epoch("us").to_numpy()
    start, end = (
        np.searchsorted(moments, listed[name].dt.epoch("us").to_numpy()) for name in ("time", "end_time")
    )
    kg = log["grain_flow_kg_s"].to_numpy() * _duration_s(log)
    known = np.full(log.height, np.nan)
    if "grain_moisture_pct" in log.columns:
        known = log["grain_moisture_pct"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    moist = np.isfinite(known)
    logged = _between(kg, start, end)
    with_moisture = _between(np.where(moist, kg, 0.0), start, end)
    moisture = quotient(_between(np.where(moist, kg * np.nan_to_num(known), 0.0), start, end), with_moisture)
    crops = [_crop(log, a, b) for a, b in zip(start.tolist(), end.tolist(), strict=True)]
    return _with_reasons(
        listed.with_columns(
            pl.Series("logged_kg", np.atleast_1d(logged), dtype=pl.Float64),
            pl.Series("logged_moisture_pct", np.atleast_1d(moisture), dtype=pl.Float64).fill_nan(None),
            pl.coalesce("crop", pl.Series(crops, dtype=pl.String)).alias("crop"),
        )
    )


def _duration_s(log: pl.DataFrame) -> Array:
    """Duration of each reading, s: as logged, else until the next one, but 10 s at most."""
    step = log["time"].diff().dt.total_microseconds().shift(-1) / 1e6
    usual = float(step.median() or 1.0) if step.count() else 1.0  # type: ignore[arg-type]
    gaps = step.fill_null(usual).clip(0.0, max(LONGEST_READING_S, usual))
    if "record_duration_s" in log.columns:
        gaps = log["record_duration_s"].cast(pl.Float64).fill_null(gaps)
    return gaps.to_numpy()


def _between(values: Array, start: Indexes, end: Indexes) -> Array:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return total[end] - total[start]


def _crop(log: pl.DataFrame, start: int, end: int) -> str | None:
    if "crop" not in log.columns or end <= start:
        return None
    named = log["crop"][start:end].drop_nulls()
    return str(named.mode().sort()[0]) if named.len() else None


def _with_reasons(loads: pl.DataFrame) -> pl.DataFrame:
    """Adds ``why`` to loads of one machine, by time: the most certain fault of a load."""
    ends_before = pl.col("end_time").cum_max().shift(1)
    ratio = pl.col("mass_kg") / pl.col("logged_kg")
    marked = loads.with_columns(
        _shares=((ends_before > pl.col("time")) | (pl.col("time").shift(-1) < pl.col("end_time"))).fill_null(
            False
        ),
        _ratio=pl.when((pl.col("logged_kg") > 0) & ratio.is_finite()).then(ratio),
    )
    usual = pl.when(~pl.col("_shares")).then("_ratio").median().over("crop")
    off = pl.max_horizontal(pl.col("_ratio") / usual, usual / pl.col("_ratio"))
    why = (
        pl.when("_shares")
        .then(pl.lit("It shares part of its time with another load of this machine."))
        .when(pl.col("_ratio").is_null())
        .then(pl.lit("The log has no grain flow in its time."))
        .when(~pl.col("_ratio").is_between(1 / LARGEST_FACTOR, LARGEST_FACTOR))
        .then(
            pl.lit("Scale and log differ by more than a factor of two; its unit or its times may be wrong.")
        )
        .when(off > FURTHEST_FROM_OTHERS)
        .then(
            pl.lit(
                "It differs by over 30 % from the other loads; its times may be wrong, or the log has holes."
            )
        )
    )
    return marked.with_columns(why.alias("why")).select(pl.col(c).cast(t) for c, t in LOADS_SCHEMA.items())


def calibrate_flow(loads: pl.DataFrame) -> Mapping[tuple[str, str | None], FlowCalibration]:
    """Calibration by machine and crop from ``weigh_loads``; loads with a ``why`` do not enter."""
    found = {}
    usable = loads.filter(pl.col("why").is_null()).sort("time")
    for (machine, crop), mine in usable.group_by("machine", "crop", maintain_order=True):
        weighed, logged = mine["mass_kg"].to_numpy(), mine["logged_kg"].to_numpy()
        factor = float(weighed.sum() / logged.sum())
        spread = None
        if mine.height > 1:
            apart = weighed / (factor * logged) - 1.0
            spread = 100.0 * float(np.sqrt((apart**2).sum() / (mine.height - 1)))
        found[(machine, crop)] = FlowCalibration(
            machine, crop, factor, mine.height, spread,
            spread / np.sqrt(mine.height) if spread is not None else None, *_moisture(mine),
        )  # fmt: skip
    return found


def _moisture(loads: pl.DataFrame) -> tuple[float | None, MoistureDrift | None]:
    """Offset of the machine's moisture [points] and how it drifts."""
    both = loads.drop_nulls(["moisture_pct", "logged_moisture_pct"])
    if both.height == 0:
        return None, None
    offset = (both["logged_moisture_pct"] - both["moisture_pct"]).to_numpy()
    days = both["time"].dt.epoch("us").to_numpy() / 86_400e6
    span, days = float(np.ptp(days)), days - days.mean()
    spread = float((days**2).sum())
    if both.height < 3 or span == 0:
        return float(offset.mean()), None
    slope = float((days * offset).sum() / spread)
    left = offset - offset.mean() - slope * days
    error = float(np.sqrt((left**2).sum() / (both.height - 2) / spread))
    return float(offset.mean()), MoistureDrift(slope, error, span, both.height)


def with_calibration(readings: pl.DataFrame, found: FlowCalibration | None) -> pl.DataFrame:
    """``readings`` with grain flow [kg/s] and moisture [%] as the scale would have them; as they are for None."""
    if found is None:
        return readings
    changed = []
    if "grain_flow_kg_s" in readings.columns:
        changed.append(pl.col("grain_flow_kg_s") * found.factor)
    if "grain_moisture_pct" in readings.columns and found.moisture_offset_pct is not None:
        changed.append((pl.col("grain_moisture_pct") - found.moisture_offset_pct).clip(0.0, 100.0))
    return readings.with_columns(changed)


def calibration_sentences(found: FlowCalibration) -> list[str]:
    """Sentences on the calibration: factor, residual, moisture."""
    loads = "1 weighed load" if found.loads == 1 else f"{found.loads} weighed loads"
    first = f"Grain flow is multiplied by {found.factor:.3f}, from {loads}"
    if found.residual_pct is None:
        first += "; one load can't show how precise that is."
    else:
        first += f"; single loads differ from it by {found.residual_pct:.1f} %, "
        first += f"so its error is about {found.error_pct:.1f} %."
    sentences = [first]
    if found.moisture_offset_pct is not None:
        side = "above" if found.moisture_offset_pct >= 0 else "below"
        sentences.append(
            f"The machine's moisture sensor reads {abs(found.moisture_offset_pct):.1f} points {side} the scale's, "
            "which is subtracted."
        )
    if found.drift is not None and found.drift.clear:
        moved = found.drift.points_per_day * found.drift.span_days
        sentences.append(
            f"Compared with the scale it moved by {moved:+.1f} points from the first load to the last: its moisture "
            "sensor drifts. Clean it, and have it checked."
        )
    return sentences
