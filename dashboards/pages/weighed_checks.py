"""Loss checks as a field page shows them: kg/ha with the error of the count, and the share of the grain."""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.dashboards.figures.parts import ShownTable, number, rows_of
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_units import ShownUnits
from chaffinch.pipelines.agronomy.loss import share_of_harvested_and_lost_pct
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.pipelines.farm import Farm

# A check takes a stop and some minutes; its yield is that of steady work this near.
NEAR = "10m"


def checks_with_share(
    checks: pl.DataFrame, readings: pl.DataFrame, crop: str | None, farm: Farm, machine: str
) -> pl.DataFrame:
    """Rows of ``loss_check_kg_ha`` by time, with ``yield_kg_ha`` and ``loss_share_pct``, null where not known.

    readings : readings after ``mark_work``. The yield is that of the nearest minute of steady work, as harvested;
    the share is lost / (kept + lost), the loss taken at the same moisture.
    """
    stated = farm.machines.get(machine)
    weighed = loss_check_kg_ha(
        checks,
        thousand_kernel_mass_g=farm.of_crop("thousand_kernel_mass_g", crop),
        cut_width_m=stated.width_m if stated else None,
    ).sort("time", maintain_order=True)
    joined = weighed.join_asof(_yield_by_minute(readings), on="time", strategy="nearest", tolerance=NEAR)
    loss, kept = (
        joined[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        for name in ("loss_kg_ha", "yield_kg_ha")
    )
    share = pl.Series("loss_share_pct", np.atleast_1d(share_of_harvested_and_lost_pct(loss, kept)))
    return joined.with_columns(share.fill_nan(None))


def _yield_by_minute(readings: pl.DataFrame) -> pl.DataFrame:
    """``time`` and ``yield_kg_ha`` of steady work, medians of minutes."""
    schema: dict[str, pl.DataType] = {"time": pl.Datetime("us", "UTC"), "yield_kg_ha": pl.Float64()}
    if not {"speed_m_s", "working_width_m", "feed_rate_t_h"} <= set(readings.columns):
        return pl.DataFrame(schema=schema)
    width = "effective_width_m" if "effective_width_m" in readings.columns else "working_width_m"
    area_m2_s = pl.col("speed_m_s") * pl.coalesce(width, "working_width_m")
    kg_ha = pl.when(area_m2_s > 0.5).then(pl.col("feed_rate_t_h") / 3.6 / area_m2_s * 1e4)
    by_minute = (
        readings.filter("usable").group_by(pl.col("time").dt.truncate("1m")).agg(yield_kg_ha=kg_ha.median())
    )
    return (
        by_minute.drop_nulls().select(pl.col(name).cast(kind) for name, kind in schema.items()).sort("time")
    )


def checks_table(found: pl.DataFrame, units: ShownUnits, zone: str | None) -> ShownTable | None:
    """The checks of ``checks_with_share`` as a table; None where there are none."""
    if found.is_empty():
        return None
    scale, unit = units.mass_per_area
    rows = [
        [
            f"{words.day(row['time'], zone)} {words.clock(row['time'], zone)}",
            row["place"] or "machine",
            _scaled(row["loss_kg_ha"], scale),
            _scaled(row["standard_error_kg_ha"], scale),
            number(row["loss_share_pct"], 2),
            row["basis"] or "–",
            row["sentence"] or "–",
        ]
        for row in found.iter_rows(named=True)
    ]
    columns = (
        "When", "Where", f"Loss, {unit}", f"Standard error (count), {unit}",
        "Loss, % of total grain", "How", "Remark",
    )  # fmt: skip
    return ShownTable("Loss checks, over the cut width", columns, rows_of(rows))


def _scaled(value: float | None, scale: float) -> str:
    return number(None if value is None else value * scale, 0 if value is None or value * scale >= 10 else 1)
