"""Changes and loss checks outside the logs of their machine: usually a wrong clock or time zone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl
from chaffinch.pipelines.lake import ReadableLake

NEAR = timedelta(minutes=30)
# Machines are set up before work begins, so a single row outside means nothing.
LEAST_ROWS, LEAST_SHARE = 2, 0.5
# A shift by whole hours is named if it brings this share of the rows into the logs.
FITS = 0.9
_BETWEEN = pl.col("time").is_between(pl.col("first") - NEAR, pl.col("last") + NEAR)
_WHAT = {"adjustments": "changes", "loss_checks": "loss checks"}


@dataclass(frozen=True, slots=True)
class OutsideLogs:
    """Rows of one machine in one file that lie outside its logs, and the days (UTC) on which they do."""

    machine: str
    days: tuple[date, ...]
    sentence: str


def rows_outside_logs(lake: ReadableLake, only: set[str] | None = None) -> tuple[OutsideLogs, ...]:
    """One for each delivery (of ``only``, where given) and machine of which half of the rows, on days with readings
    of the machine, lie more than half an hour outside them.
    """
    return tuple(one for table, what in _WHAT.items() for one in _of_table(lake, only, table, what))


def _of_table(lake: ReadableLake, only: set[str] | None, table: str, what: str) -> Iterator[OutsideLogs]:
    rows = lake.scan(table)
    if only is not None:
        rows = rows.filter(pl.col("delivery").is_in(list(only)))
    if table == "adjustments":
        rows = rows.filter(pl.col("origin") == "settings log")
    noted = rows.select("file", "machine", "time").drop_nulls().collect()
    if noted.is_empty():
        return
    days = noted["time"].dt.date().unique().to_list()
    spans = (
        lake.spans()
        .filter(pl.col("machine").is_in(noted["machine"].unique().to_list()), pl.col("day").is_in(days))
        .group_by("machine", "day", "field")
        .agg(pl.col("first_time").min().alias("first"), pl.col("last_time").max().alias("last"))
    )
    suspects = _suspects(noted, spans)
    for (file, machine), its in suspects.group_by("file", "machine", maintain_order=True):
        of_machine = spans.filter(machine=machine)
        on_days = its.filter(pl.col("time").dt.date().is_in(of_machine["day"].to_list()))["time"]
        outside = ~_inside(on_days, of_machine)
        if outside.sum() < max(LEAST_ROWS, LEAST_SHARE * outside.len()):
            continue
        sentence = (
            f"{file}: {outside.sum()} of {on_days.len()} {what} of '{machine}' lie outside its logs of the same day"
            f"{_shift(on_days, of_machine)}. Is its clock or time zone wrong? State time_zone in farm.toml, or "
            f"correct the times."
        )
        days = on_days.filter(outside).dt.date().unique().sort().to_list()
        yield OutsideLogs(str(machine), tuple(days), sentence)


def _suspects(noted: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    """All rows of the files and machines that have enough rows outside. Most seasons have none; one join shows it."""
    rows = noted.with_row_index("at").with_columns(pl.col("time").dt.date().alias("on"))
    by_day = pl.concat(
        rows.with_columns(pl.col("on").dt.offset_by(f"{days}d").alias("day")) for days in (-1, 0, 1)
    )
    found = by_day.join(spans, on=["machine", "day"]).group_by("at").agg(
        (pl.col("on") == pl.col("day")).any().alias("on_day"), _BETWEEN.any().alias("inside")
    )  # fmt: skip
    each = rows.join(found.filter("on_day"), on="at").group_by("file", "machine").agg(
        (~pl.col("inside")).sum().alias("outside"), pl.len()
    )  # fmt: skip
    enough = pl.max_horizontal(pl.lit(LEAST_ROWS), LEAST_SHARE * pl.col("len"))
    return noted.join(
        each.filter(pl.col("outside") >= enough), on=["file", "machine"], how="semi", maintain_order="left"
    )


def _inside(times: pl.Series, spans: pl.DataFrame) -> pl.Series:
    """Whether each time lies in one of the spans or within ``NEAR`` of it."""
    pairs = times.to_frame("time").with_row_index().join(spans.select("first", "last"), how="cross")
    return pairs.group_by("index").agg(_BETWEEN.any()).sort("index")["time"]


def _shift(times: pl.Series, spans: pl.DataFrame) -> str:
    """The shift by the fewest whole hours that would put the times into the logs, in words."""
    for hours in sorted(range(-12, 13), key=abs):
        if hours and _inside(times + timedelta(hours=hours), spans).sum() >= FITS * times.len():
            return f"; they would fit {abs(hours)} h {'later' if hours > 0 else 'earlier'}"
    return ""
