"""Set values that changed between two files of a machine: no single file shows such a change.

Where logs carry set values as columns, a change overnight lies between the last reading of one file and the first
of the next. These changes are an entry of their own in ``deliveries``, computed from all readings before each
estimate, so that they depend only on the files in the lake.
"""

from __future__ import annotations

import hashlib
from datetime import timedelta

import polars as pl
from chaffinch.pipelines.ingest.kinds.setting_changes import EXACT_STEP_PART, STOPPED_PART, adjustments_from
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import Delivery
from chaffinch.pipelines.parsed import Parsed
from chaffinch.schemas.declarations import Setting, settings
from chaffinch.schemas.tables import tables

NAME = "(set values between harvest logs)"
KIND = "setting columns"
# Readings at either end of a file whose middle is its level there.
COMPARED_READINGS = 60
END = timedelta(minutes=10)


def note_changes_between_files(lake: Lake) -> None:
    """Make the entry ``NAME`` of the ledger say what the readings of the lake show now; none where nothing."""
    ledger = lake.ledger()
    before = ledger.filter(ledger["name"] == NAME)["delivery"].to_list()
    found = changes_between_files(lake)
    if found.is_empty():
        lake.strike(before)
        return
    content = found.write_ndjson().encode()
    sha256 = hashlib.sha256(content).hexdigest()
    parsed = Parsed(KIND, adjustments=found, rows_read=found.height)
    delivery = Delivery(NAME, sha256, len(content), parsed, judgement="good", replaces=tuple(before))
    if before != [delivery.id]:
        lake.take_in([delivery])


def changes_between_files(lake: Lake) -> pl.DataFrame:
    """Rows of ``adjustments`` (without delivery and file), numbered from 1, by machine, time and setting."""
    columns = {s.column: s for s in settings().values() if s.kind in ("number", "ordered", "either_or")}
    counted = (
        lake.scan("readings")
        .select(pl.col(list(columns)).count())
        .collect(engine="streaming")
        .row(0, named=True)
    )
    parts = [_of_setting(lake, setting) for column, setting in columns.items() if counted[column]]
    found = pl.concat([pl.DataFrame(schema=_schema()), *parts], how="diagonal")
    return found.sort("machine", "time", "setting").with_columns(pl.int_range(1, pl.len() + 1).alias("row"))


def _of_setting(lake: Lake, setting: Setting) -> pl.DataFrame:
    number = setting.kind == "number"
    value, file = pl.col(setting.column), ["machine", "delivery"]
    kept = COMPARED_READINGS if number else 1
    ends = (
        _ends_of_files(lake, setting)
        .sort("time", maintain_order=True)
        .group_by(file, maintain_order=True)
        .agg(
            pl.col("first_time", "last_time").first(),
            (value.head(kept).median() if number else value.first()).alias("first"),
            (value.tail(kept).median() if number else value.last()).alias("last"),
            (value.head(kept).n_unique() + value.tail(kept).n_unique()).alias("values"),
        )
        .sort("machine", "first_time", "delivery")
        .with_columns(pl.col("last", "last_time", "values").shift(1).over("machine").name.prefix("previous_"))
        .filter(pl.col("previous_last_time") < pl.col("first_time"))
    )
    if number:
        step = float(setting.step or 0.0)
        exact = (pl.col("values") <= 3) & (pl.col("previous_values") <= 3)
        least = pl.when(exact).then(EXACT_STEP_PART * step).otherwise(step)
        ends = ends.filter((pl.col("first") - pl.col("previous_last")).abs() > least)
    else:
        ends = ends.filter(pl.col("first") != pl.col("previous_last"))
    moments = ends.select(pl.lit(0).alias("row"), pl.col("first_time").alias("time"), "machine")
    made = adjustments_from(moments, setting, ends["previous_last"], ends["first"])
    return made.with_columns(pl.lit("between two files").alias("note"))


def _ends_of_files(lake: Lake, setting: Setting) -> pl.DataFrame:
    """Readings with the setting in the first and last minutes of each file and machine."""
    value, file = pl.col(setting.column), ["machine", "delivery"]
    rows = lake.scan("readings").filter(value.is_not_null()).select(*file, "time", value)
    if setting.unit == "rpm":
        # A part that stands still was switched off, not adjusted.
        highest = rows.group_by(file).agg(value.max().alias("highest"))
        rows = rows.join(highest, on=file).filter(value > STOPPED_PART * pl.col("highest")).drop("highest")
    span = rows.group_by(file).agg(
        pl.col("time").min().alias("first_time"), pl.col("time").max().alias("last_time")
    )
    near = (pl.col("time") <= pl.col("first_time") + END) | (pl.col("time") >= pl.col("last_time") - END)
    return rows.join(span, on=file).filter(near).collect(engine="streaming")


def _schema() -> dict[str, pl.DataType]:
    """Of the rows of ``adjustments`` that are made here, in order."""
    whole = tables()["adjustments"].polars_schema()
    return {name: kind for name, kind in whole.items() if name not in ("delivery", "file")}
