"""The table ``loss_curves``: where each machine works on its loss curve, so that effects can be valued."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.season import FitsOf, SeasonOutcome, fits_of
from chaffinch.pipelines.estimate.results.calibration import Calibration, MachineCrop, calibration_of
from chaffinch.pipelines.estimate.results.capacity import CAPACITY_LOSSES, feed_slope
from chaffinch.pipelines.work.random_effects import random_effects
from chaffinch.schemas.tables import tables

Row = dict[str, Any]


def loss_curves_table(
    fields: Sequence[Binned],
    season: Mapping[str, SeasonOutcome],
    calibrations: Mapping[MachineCrop, Calibration],
) -> pl.DataFrame:
    """Rows of ``loss_curves``: of each field job, and of each machine and crop together.

    The slope of a field is drawn towards those of the other fields, as far as they agree; that of a machine is the
    mean over its fields.
    """
    table = tables()["loss_curves"]
    fits = fits_of(season)
    rows = [row for binned in fields if (row := _of_field(binned, season, fits, calibrations)) is not None]
    if not rows:
        return table.empty()
    slopes = np.array([row["slope"] for row in rows], dtype=float)
    errors = np.array([row["slope_error"] for row in rows], dtype=float)
    known = np.isfinite(slopes) & np.isfinite(errors) & (errors > 0)
    middle, between = random_effects(slopes[known], errors[known] ** 2)
    together = list(_of_machines(rows, between))
    for row, slope, error, usable in zip(rows, slopes, errors, known, strict=True):
        if not usable:
            row["slope"], row["slope_error"] = (middle, between**0.5) if known.any() else (None, None)
        elif between > 0:
            own = 1 / error**2 / (1 / error**2 + 1 / between)
            row["slope"], row["slope_error"] = own * slope + (1 - own) * middle, own**0.5 * error
        else:
            row["slope"], row["slope_error"] = middle, float(1 / np.sqrt((1 / errors[known] ** 2).sum()))
    frame = pl.DataFrame(rows + together, schema_overrides=dict(table.polars_schema()))
    return table.conform(frame).sort("machine", "crop", "field", "first_time", nulls_last=True)


def _of_field(
    binned: Binned,
    season: Mapping[str, SeasonOutcome],
    fits: FitsOf,
    calibrations: Mapping[MachineCrop, Calibration],
) -> Row | None:
    known = (binned.feed_t_h > 0) & (binned.area_m2_s > 0)
    if not known.any():
        return None
    feed, area, seconds = binned.feed_t_h[known], binned.area_m2_s[known], binned.seconds[known]
    hours, hectares = seconds.sum() / 3600, float(area @ seconds) / 1e4
    low, high = np.quantile(feed, [0.05, 0.95])
    slope, error = _slope(binned, season, fits)
    loss, loss_error = _loss(binned, calibration_of(binned, calibrations))
    return {
        **binned.place,
        "first_time": datetime.fromtimestamp(float(binned.time_s[0]), UTC),
        "hours": float(hours),
        "area_ha_h": hectares / hours,
        "feed_t_h": float(feed @ seconds) / seconds.sum(),
        "feed_low_t_h": float(low),
        "feed_high_t_h": float(high),
        "yield_t_ha": float(feed @ seconds) / 3600 / hectares,
        "loss_kg_ha": loss,
        "loss_log_error": loss_error,
        "slope": slope,
        "slope_error": error,
    }


def _slope(
    binned: Binned, season: Mapping[str, SeasonOutcome], fits: FitsOf
) -> tuple[float | None, float | None]:
    """d ln(loss share) / d ln(feed rate) at the typical feed rate, by the machine's loss, else the one logged."""
    for name in CAPACITY_LOSSES:
        fitted = fits.get((id(binned), name))
        slope, error = feed_slope(fitted) if fitted is not None else (None, None)
        if error is not None:
            return slope, error * season[name].placebos.widen
    return None, None


def _loss(binned: Binned, calibration: Calibration | None) -> tuple[float | None, float | None]:
    known = np.isfinite(binned.loss_signal) & (binned.area_m2_s > 0)
    if calibration is None or not known.any():
        return None, None
    at = calibration.at(float(np.median(binned.time_s)))
    signal = float(binned.loss_signal[known].sum() / binned.area_m2_s[known].sum())
    level = float(np.exp(at.log_kg_s_per_unit)) * signal * 1e4
    return (level, at.error) if np.isfinite(level) and level > 0 else (None, None)


def _of_machines(rows: Sequence[Row], between: float) -> Iterator[Row]:
    """Each machine and crop: means by hours or area of its fields; slopes weigh by errors and spread of fields."""
    groups: dict[tuple[str, str | None], list[Row]] = {}
    for row in rows:
        groups.setdefault((row["machine"], row["crop"]), []).append(row)
    for (machine, crop), mine in groups.items():
        hours = np.array([row["hours"] for row in mine])
        hectares = hours * np.array([row["area_ha_h"] for row in mine])
        feed = float(hours @ np.array([row["feed_t_h"] for row in mine])) / hours.sum()
        weighed = [(row, a) for row, a in zip(mine, hectares, strict=True) if row["loss_kg_ha"]]
        area = sum(a for _, a in weighed)
        sloped = [row for row in mine if row["slope"] is not None and row["slope_error"]]
        precision = np.array([1 / (row["slope_error"] ** 2 + between) for row in sloped])
        slopes = np.array([row["slope"] for row in sloped])
        yield {
            "machine": machine,
            "field": None,
            "crop": crop,
            "first_time": None,
            "hours": float(hours.sum()),
            "area_ha_h": float(hectares.sum() / hours.sum()),
            "feed_t_h": feed,
            "feed_low_t_h": min(row["feed_low_t_h"] for row in mine),
            "feed_high_t_h": max(row["feed_high_t_h"] for row in mine),
            "yield_t_ha": feed * hours.sum() / hectares.sum(),
            "loss_kg_ha": sum(row["loss_kg_ha"] * a for row, a in weighed) / area if area else None,
            "loss_log_error": max(row["loss_log_error"] for row, _ in weighed) if area else None,
            "slope": float(precision @ slopes / precision.sum()) if sloped else None,
            "slope_error": float(precision.sum() ** -0.5) if sloped else None,
        }
