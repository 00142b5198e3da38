"""Rows of the derived table ``work``: made from the readings of a field job, and read back with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl
from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration, with_calibration
from chaffinch.pipelines.lake.readable import ReadableLake, job_id
from chaffinch.pipelines.work import ADDED_COLUMNS, mark_work
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.setting_state import settings_in_force
from chaffinch.schemas.declarations import reasons
from chaffinch.schemas.tables import tables

LONGEST_REST_DAYS = 30


# As of ``ReadableLake.readings``.
_ORDER = ("time", "file", "row", "delivery")


def harvests(readings: pl.DataFrame) -> list[pl.DataFrame]:
    """Readings of one field job parted where work rested for over a month: another harvest, another crop."""
    ordered = readings.sort("time", maintain_order=True)
    rested = (pl.col("time").diff() > pl.duration(days=LONGEST_REST_DAYS)).fill_null(False).cum_sum()
    return ordered.with_columns(rested.alias("_harvest")).partition_by(
        "_harvest", include_key=False, maintain_order=True
    )


def by_log_clock(adjustments: pl.DataFrame) -> pl.DataFrame:
    """Real adjustments with the time that the harvest log's clock showed, where it is known (``made_at``)."""
    if "made_at" not in adjustments.columns:
        return adjustments
    return adjustments.with_columns(pl.col("made_at").alias("time"))


def marked_harvests(
    readings: pl.DataFrame,
    adjustments: pl.DataFrame,
    calibration: FlowCalibration | None,
    delays: Sequence[Delays] | None = None,
) -> list[pl.DataFrame]:
    """Each harvest of a field job after ``mark_work``, with the settings in force.

    readings : of one field job. adjustments : those of its machine by the harvest log's clock. delays : of each
    harvest; read off the readings where they are not given.
    """
    found = []
    for k, harvest in enumerate(harvests(readings)):
        marked = mark_work(with_calibration(harvest, calibration), delays[k] if delays else None)
        found.append(marked.with_columns(*settings_in_force(marked, adjustments)))
    return found


def work_rows(marked: Sequence[pl.DataFrame], of: Mapping[str, str]) -> pl.DataFrame:
    """Rows of ``work`` for the harvests of a field job. of : its ``job`` and ``made_from``."""
    table = tables()["work"]
    sentences = {code: reason.sentence for code, reason in reasons().items()}
    whole = pl.concat(marked, how="diagonal").with_columns(
        *(pl.lit(value).alias(name) for name, value in of.items()),
        pl.col("unused_because").replace_strict(sentences, default=None).alias("reason"),
        pl.col("usable").cast(pl.Int8),
    )
    return table.conform(whole.select(c.name for c in table.columns if c.name in whole.columns))


def marked_readings(
    lake: ReadableLake,
    machine: str,
    field: str | None,
    day: date | None,
    adjustments: pl.DataFrame,
    calibration: FlowCalibration | None,
    readings: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Readings of a field job with their rows of ``work``: class, aligned channels, settings in force.

    A job that ``work`` does not hold as it is now is marked here; arguments are those of ``marked_harvests``.
    readings : of the job; read from the lake if not given.
    """
    if readings is None:
        readings = lake.readings(machine, field, day)
    work = lake.scan_of("work", [job_id(machine, field, day)]).collect().sort(_ORDER)
    if not work.select(_ORDER).equals(readings.select(_ORDER)):
        return pl.concat(marked_harvests(readings, adjustments, calibration), how="diagonal")
    settings = [name for name in work.columns if name in readings.columns and work[name].count()]
    held = [name for name in settings if name not in ("machine", "field", "crop", *_ORDER)]
    marks = work.select(pl.col(name).cast(kind) for name, kind in ADDED_COLUMNS.items())
    return readings.with_columns(*work.select(held), *marks)
