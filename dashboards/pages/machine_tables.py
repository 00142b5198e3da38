"""The tables of a lake parted by machine, and what of them each field's page is made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl
from chaffinch.dashboards.pages.data_quality import deliveries_of, of_field
from chaffinch.dashboards.pages.digest import digest_of
from chaffinch.dashboards.pages.field_jobs import FieldJob
from chaffinch.dashboards.words import terms as words

if TYPE_CHECKING:
    from chaffinch.pipelines.work.load_calibration import WeighedLoads


@dataclass(frozen=True, slots=True)
class MachineTables:
    """Tables parted by machine (outlines by field, rows set aside by delivery), so that a thousand pages are
    not looked for in one long table each.
    """

    parts: dict[str, dict[tuple[Any, ...], pl.DataFrame]]
    none: dict[str, pl.DataFrame]

    @classmethod
    def of(cls, tables: dict[str, pl.DataFrame], weighed: WeighedLoads) -> MachineTables:
        ledger = tables["deliveries"]
        whole = {
            **{
                name: tables[name]
                for name in ("effects", "adjustments", "loss_checks", "fields", "set_aside")
            },
            "loads": weighed.loads,
            "deliveries": ledger.with_columns(pl.col("machines").alias("machine")).explode("machine"),
        }
        by = {"fields": "field", "set_aside": "delivery"}
        parts = {
            name: frame.partition_by(by.get(name, "machine"), as_dict=True) for name, frame in whole.items()
        }
        return cls(parts, {name: frame.clear() for name, frame in whole.items()})

    def get(self, name: str, key: str | None) -> pl.DataFrame:
        """Rows of a table for one machine, field or delivery."""
        return self.parts[name].get((key,), self.none[name])


def field_job(lots: MachineTables, row: dict[str, Any], ground: str) -> FieldJob:
    """The page of a row of ``machine_fields``, with what it is made from beside the readings."""
    machine, name = row["machine"], row["field"]
    deliveries = deliveries_of(lots.get("deliveries", machine).drop("machine"), machine, name)
    margin = pl.duration(minutes=10)
    span = pl.col("time").is_between(pl.lit(row["first_time"]) - margin, pl.lit(row["last_time"]) + margin)
    outlines = lots.get("fields", name).sort("delivery", "row")["boundary_wkt"]
    boundary = outlines[-1] if outlines.len() else None
    effects = lots.get("effects", machine)
    # An adjustment names no field: one that has its effect in another field belongs there.
    elsewhere = effects.filter((pl.col("scope") == "adjustment") & ~of_field(row)).select("setting", "time")
    adjustments = lots.get("adjustments", machine).filter(span)
    narrowed = {
        "effects": effects.filter(of_field(row)),
        "adjustments": adjustments.join(elsewhere, on=["setting", "time"], how="anti"),
        "loss_checks": lots.get("loss_checks", machine).filter(
            span,
            pl.col("field").eq_missing(pl.lit(name, pl.String)) | pl.col("field").is_null(),
        ),
        "deliveries": deliveries,
        "set_aside": pl.concat(
            [lots.none["set_aside"], *(lots.get("set_aside", one) for one in deliveries["delivery"].unique())]
        ),
    }
    loads = lots.get("loads", machine)
    digest = digest_of([ground, repr(sorted(row.items())), boundary or "", loads, *narrowed.values()])

    return FieldJob(words.field_href(row), digest, machine, name, row.get("day"), boundary, narrowed)
