"""Grain flow as pages show it: feed rate, yield, and the weighed loads that calibrate them."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from chaffinch.dashboards.figures.field_data import median_of
from chaffinch.dashboards.figures.parts import ShownTable, number, rows_of
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_units import ShownUnits
from chaffinch.pipelines.agronomy.exact import POUND_KG
from chaffinch.pipelines.agronomy.feed_rate import straw_per_grain_at, total_feed_rate_t_h
from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration, calibration_sentences
from chaffinch.pipelines.agronomy.yields import mass_at_market_moisture
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import crops

Fact = tuple[str, float | None, str]


@dataclass(frozen=True, slots=True)
class GrainFlow:
    """facts : (name, value, unit) of the page's head. notes : sentences on their calibration."""

    facts: tuple[Fact, ...]
    notes: tuple[str, ...]


def grain_flow(
    readings: pl.DataFrame,
    crop: str | None,
    farm: Farm,
    units: ShownUnits,
    cut_height_m: float | None,
    calibration: FlowCalibration | None,
) -> GrainFlow:
    """Feed rates, yields and moisture of steady work, medians.

    readings : after ``with_quantities``, with flow and moisture calibrated already. cut_height_m : usual cutting
    height, where it is known.
    """
    usable = readings.filter("usable")
    feed_t_h, moisture = median_of(usable, "feed_rate_t_h"), median_of(usable, "moisture_aligned_pct")
    straw, straw_note = _straw(crop, farm, cut_height_m)
    total = (
        float(total_feed_rate_t_h(feed_t_h, straw)) if feed_t_h is not None and straw is not None else None
    )
    scale, unit = (1.0, "t/h") if farm.units == "metric" else (1000.0 / POUND_KG / 60.0, "lb/min")
    market = farm.of_crop("market_moisture_pct", crop)
    wet = median_of(usable, "yield")
    dry = None
    if market is not None and "yield" in usable.columns and "moisture_aligned_pct" in usable.columns:
        at_market = mass_at_market_moisture(
            usable["yield"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
            usable["moisture_aligned_pct"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
            market,
        )
        dry = median_of(pl.DataFrame({"dry": at_market}).fill_nan(None), "dry")
    facts: list[Fact] = [("Grain feed rate", median_of(usable, "feed"), units.feed_rate[1])]
    facts += [("Total feed rate (estimated)", total * scale, unit)] if total is not None else []
    facts += [("Yield, wet", wet, units.grain_per_area[1])]
    facts += [(f"Yield at {market:g} %", dry, units.grain_per_area[1])] if dry is not None else []
    facts += [("Moisture", moisture, "%"), ("Speed", median_of(usable, "speed"), units.speed[1])]
    notes = [*calibration_sentences(calibration)] if calibration is not None else [_UNWEIGHED]
    return GrainFlow(tuple(facts), (*notes, *([straw_note] if total is not None else [])))


_UNWEIGHED = (
    "No weighed load calibrates the grain flow of this machine in this crop: feed rate and yield are the sensor's. "
    "Add load tickets in farm.toml or as a CSV file."
)


def loads_table(loads: pl.DataFrame, zone: str | None, farm: Farm) -> ShownTable | None:
    """The weighed loads of a machine in a crop against its log; None where there are none."""
    if loads.is_empty():
        return None
    scale, unit = (0.001, "t") if farm.units == "metric" else (1.0 / POUND_KG, "lb")
    digits = 2 if farm.units == "metric" else 0
    rows = []
    for row in loads.sort("time").iter_rows(named=True):
        off = 100.0 * (row["logged_kg"] / row["mass_kg"] - 1.0)
        when = f"{words.day(row['time'], zone)} {words.clock(row['time'], zone)}"
        rows.append(
            [
                f"{when} to {words.clock(row['end_time'], zone)}",
                row["ticket"] or "–",
                number(row["mass_kg"] * scale, digits),
                number(row["logged_kg"] * scale, digits),
                words.signed(off),
                number(row["moisture_pct"], 1),
                number(row["logged_moisture_pct"], 1),
                row["why"] or "–",
            ]
        )
    columns = (
        "Cut", "Ticket", f"Scale, {unit}", f"Log, {unit}", "Log vs scale, %", "Moisture, scale, %",
        "Moisture, log, %", "Why not used",
    )  # fmt: skip
    return ShownTable("Weighed loads against the log before calibration", columns, rows_of(rows))


def _straw(crop: str | None, farm: Farm, cut_height_m: float | None) -> tuple[float | None, str]:
    """Straw per grain at the cutting height, and a sentence on where it is from; None where none is known."""
    own, declared = farm.crops.get(crop or ""), crops().get(crop or "")
    ratio, source = (own.straw_per_grain, "farm.toml") if own else (None, "")
    if ratio is None and declared is not None and declared.straw_per_grain is not None:
        ratio, source = declared.straw_per_grain, declared.sources["straw_per_grain"]
    if ratio is None:
        return None, ""
    sentence = f"Total feed rate is estimated with {ratio:g} of straw (MOG) per grain by mass ({source})"
    stated = own.straw_cut_height_m if own else None
    height = own.crop_height_m if own else None
    if None not in (stated, height, cut_height_m):
        at_cut = float(straw_per_grain_at(ratio, stated, cut_height_m, height))  # type: ignore[arg-type]
        if at_cut == at_cut:
            return at_cut, f"{sentence}, which is {at_cut:.2g} at a cutting height of {cut_height_m:g} m."
    return ratio, f"{sentence}, at any cutting height; losses are compared at the same grain feed rate."
