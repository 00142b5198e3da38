"""What a season report is made from: everything in the lake that belongs to one calendar year (UTC)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import polars as pl
from chaffinch.dashboards.words.shown_changes import ShownChange, changes_of, of_field
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.readable import ReadableLake


class YearOf(ReadableLake):
    """The part of a lake that belongs to one year.

    Adjustments of earlier years are included: they give the value before the first one of the year.
    """

    def __init__(self, lake: ReadableLake, year: int) -> None:
        self.lake = lake
        self.start = datetime(year, 1, 1, tzinfo=UTC)
        self.end = datetime(year + 1, 1, 1, tzinfo=UTC)

    def within(self, column: str = "time") -> pl.Expr:
        """Whether a moment lies in the year; a missing one does not."""
        return ((pl.col(column) >= self.start) & (pl.col(column) < self.end)).fill_null(False)

    def scan(self, name: str) -> pl.LazyFrame:
        frame = self.lake.scan(name)
        if name == "adjustments":
            return frame.filter(pl.col("time") < self.end)
        return frame.filter(self.within()) if name in ("readings", "loss_checks") else frame

    def whole_jobs(self) -> dict[str, str]:
        """Those of the lake: a field job that the year narrows was made from something else, and is made again."""
        return self.lake.whole_jobs()

    def scan_readings(self, machine: str, field: str | None) -> pl.LazyFrame:
        return self.lake.scan_readings(machine, field).filter(self.within())


@dataclass(frozen=True, slots=True)
class SeasonData:
    """The year's tables.

    where : one row a field job. effects, responses, loss_curves : of the year's readings alone. set_aside,
    deliveries : of files with rows of the year; ``undated`` : deliveries that could not be read, so that no year is
    known. estimated_again : the lake holds other years too, so the effects were estimated from this year's readings.
    """

    year: int
    lake: YearOf
    where: pl.DataFrame
    effects: pl.DataFrame
    responses: pl.DataFrame
    loss_curves: pl.DataFrame
    adjustments: pl.DataFrame
    deliveries: pl.DataFrame
    undated: pl.DataFrame
    set_aside: pl.DataFrame
    checks: pl.DataFrame
    estimated_again: bool


def season_data(lake: ReadableLake, year: int, farm: Farm) -> SeasonData:
    """Collect a year. Raises ``CallError`` where the lake holds no effect of it."""
    from chaffinch.pipelines.estimate import real_adjustments, refresh_answers

    of_year = YearOf(lake, year)
    tables = ("effects", "responses", "loss_curves")
    effects, responses, curves = (lake.scan(name).collect() for name in tables)
    single = effects.filter(pl.col("scope") == "adjustment")
    years = sorted(single["time"].dt.year().drop_nulls().unique().to_list())
    if year not in years:
        raise CallError(_none_of(year, years))
    if len(years) > 1:
        answers = refresh_answers(of_year, farm)
        effects, responses, curves = answers.effects, answers.responses, answers.loss_curves
        if effects.filter(pl.col("scope") == "adjustment").is_empty():
            raise CallError(_none_of(year, [y for y in years if y != year]))
    ledger = (
        lake.scan("deliveries").collect().filter(pl.col("status") != "retracted").sort("name", "delivery")
    )
    in_year = (pl.col("first_time") < of_year.end) & (pl.col("last_time") >= of_year.start)
    deliveries = ledger.filter(in_year.fill_null(False))
    undated = ledger.filter(pl.col("first_time").is_null() & (pl.col("status") == "could not be read"))
    return SeasonData(
        year,
        of_year,
        of_year.machine_fields().sort("first_time", "machine", "field", nulls_last=True),
        effects.drop("computed_at"),
        responses,
        curves,
        real_adjustments(of_year.scan("adjustments").collect()).filter(of_year.within()),
        deliveries,
        undated,
        lake.scan("set_aside")
        .collect()
        .join(deliveries.select("delivery").unique(), on="delivery", how="semi"),
        of_year.scan("loss_checks").collect(),
        len(years) > 1,
    )


def _none_of(year: int, years: list[int]) -> str:
    if not years:
        return (
            "The lake has no effects of adjustments yet. "
            "Ingest logs with adjustments and run: chaffinch estimate --lake LAKE"
        )
    listed = ", ".join(str(y) for y in years)
    return f"The lake has no effects of adjustments in {year}, only in {listed}."


@dataclass(frozen=True, slots=True)
class FieldChanges:
    """The changes of one field job. ``row``: its row of ``where``."""

    row: dict[str, Any]
    crop: str | None
    changes: list[ShownChange]


def changes_by_field(data: SeasonData) -> list[FieldChanges]:
    """Every change of the year, in the order of the fields; the settings of a joint change are one change."""
    found = []
    for row in data.where.iter_rows(named=True):
        mine = data.effects.filter(
            pl.col("scope") == "adjustment", pl.col("machine") == row["machine"], of_field(row)
        )
        elsewhere = data.effects.filter(
            (pl.col("scope") == "adjustment") & (pl.col("machine") == row["machine"]) & ~of_field(row)
        ).select("setting", "time")
        logged = data.adjustments.filter(
            pl.col("machine") == row["machine"],
            pl.col("time").is_between(row["first_time"], row["last_time"]),
        ).join(elsewhere, on=["setting", "time"], how="anti")
        crops = mine["crop"].drop_nulls()
        found.append(FieldChanges(row, crops[0] if crops.len() else row["crop"], changes_of(mine, logged)))
    return found
