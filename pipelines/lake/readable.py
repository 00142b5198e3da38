"""What readers need of a lake: one interface for the stored lake, for one year of it, and for tables in memory."""

from __future__ import annotations

import hashlib
import json
from abc import abstractmethod
from collections.abc import Collection, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import polars as pl
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.schemas.tables import tables

if TYPE_CHECKING:
    from pyarrow import Table
    from pyarrow.dataset import Dataset

_READING_ORDER = ("time", "file", "row", "delivery")


class ReadableLake(Protocol):
    """Tables with the columns of their contracts; only rows of deliveries that count."""

    @abstractmethod
    def scan(self, name: str) -> pl.LazyFrame:
        """Table ``name`` with the contract's columns; no rows where it does not exist yet."""

    def parquet_files(self, name: str) -> list[str] | None:
        """Files on this machine that hold table ``name``; None where its rows come from ``arrow``."""
        return None

    def arrow(self, name: str) -> Dataset | Table:
        """Table ``name`` as Arrow, read only as far as it is asked for where it is stored."""
        return self.scan(name).collect().to_arrow()

    def scan_of(self, name: str, ids: Collection[str]) -> pl.LazyFrame:
        """Rows of table ``name`` that ``ids`` own: deliveries, or field jobs."""
        return self.scan(name).filter(pl.col(tables()[name].owner).is_in(ids))

    def scan_readings(self, machine: str, field: str | None) -> pl.LazyFrame:
        """Rows of ``readings`` among which are all of one machine and field."""
        return self.scan("readings")

    def readings(
        self,
        machine: str,
        field: str | None,
        day: date | None = None,
        columns: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Readings of one machine in one field (None: those without a field), by time; ``day`` is a UTC date.

        A moment that several deliveries hold (a daily log and a longer one) comes once, each column from the
        first file that knows it.
        """
        wanted = list(columns) if columns is not None else list(tables()["readings"].polars_schema())
        here = (pl.col("machine") == machine) & pl.col("field").eq_missing(pl.lit(field, pl.String))
        if day is not None:
            here = here & (pl.col("time").dt.date() == day)
        found = (
            self.scan_readings(machine, field)
            .filter(here)
            .select(list(dict.fromkeys([*wanted, *_READING_ORDER])))
            .collect()
            .sort(_READING_ORDER)
        )
        return _each_moment_once(found).select(wanted)

    def machine_fields(self) -> pl.DataFrame:
        """One row per machine and field: machine, field, (commonest) crop, readings, first_time, last_time,
        day. Where no field is known there is one row per machine and UTC day; else ``day`` is null. ``job_id``
        gives the identifier of such a row.
        """
        day = pl.when(pl.col("field").is_null()).then(pl.col("day"))
        by_crop = (
            self.spans()
            .group_by("machine", "field", day.alias("day"), "crop")
            .agg(pl.col("readings").sum(), pl.col("first_time").min(), pl.col("last_time").max())
        )
        # Any named crop goes before none; of equally common ones the first by name.
        return (
            by_crop.sort(pl.col("crop").is_null(), -pl.col("readings"), "crop")
            .group_by("machine", "field", "day", maintain_order=True)
            .agg(
                pl.col("crop").first(),
                pl.col("readings").sum(),
                pl.col("first_time").min(),
                pl.col("last_time").max(),
            )
            .select("machine", "field", "crop", "readings", "first_time", "last_time", "day")
            .sort("first_time", "machine", "field", nulls_last=True)
        )

    def spans(self) -> pl.DataFrame:
        """One row per machine, field, crop and UTC day, in any order: readings, first_time, last_time."""
        return (
            self.scan("readings")
            .group_by("machine", "field", "crop", pl.col("time").dt.date().alias("day"))
            .agg(
                pl.len().cast(pl.Int64).alias("readings"),
                pl.col("time").min().alias("first_time"),
                pl.col("time").max().alias("last_time"),
            )
            .collect(engine="streaming")
        )

    @property
    def folder(self) -> Path | None:
        """Where the lake lies on this machine; None in an object store or in memory."""
        return None

    def ledger(self) -> pl.DataFrame:
        """The rows of ``deliveries``, by name."""
        return self.scan("deliveries").collect().sort("name", "delivery")

    def effects_at(self, moment: datetime) -> pl.DataFrame | None:
        """``effects`` as they stood at ``moment``; None where there were none, or they are kept no longer."""
        return None

    def whole_jobs(self) -> dict[str, str]:
        """Field jobs whose rows are in all derived tables, and the digest of what each was made from."""
        return {}

    def farm(self) -> Farm:
        """What the newest farm.toml states; the defaults where there was none."""
        text = self.farm_text()
        return Farm() if text is None else parse_farm(text, "farm.toml of the lake")

    def farm_text(self) -> str | None:
        """The text of the newest farm.toml; None where there was none."""
        stated = self.ledger().filter(pl.col("kind") == "farm", pl.col("stated").is_not_null())
        return stated.sort("taken_in_at", "name")["stated"][-1] if stated.height else None

    def picture(self, named: str) -> str | None:
        """The newest picture under ``named`` (a path, or the end of one) as a data URI; None for none."""
        kept = self.ledger().filter(pl.col("kind") == "picture", pl.col("stated").is_not_null())
        wanted = named.replace("\\", "/").removeprefix("./")
        ending = (pl.col("name") == wanted) | pl.col("name").str.ends_with(f"/{wanted}")
        found = kept.filter(ending).sort("taken_in_at", "name")
        return found["stated"][-1] if found.height else None


def job_id(machine: str, field: str | None, day: date | None) -> str:
    """Identifier of a field job, sixteen hexadecimal digits."""
    return hashlib.sha256(job_key(machine, field, day).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def job_key(machine: str, field: str | None, day: date | None) -> str:
    """Machine, field and day as JSON."""
    return json.dumps([machine, field, str(day) if day else None], ensure_ascii=False)


def _each_moment_once(readings: pl.DataFrame) -> pl.DataFrame:
    """Readings in ``_READING_ORDER`` with the rows that several deliveries hold for one moment made one."""
    shared = readings.select(pl.col("delivery").n_unique().over("time") > 1).to_series()
    if not shared.any():
        return readings
    once = (
        readings.filter(shared)
        .group_by("time", maintain_order=True)
        .agg(pl.exclude("time").drop_nulls().first())
        .select(readings.columns)
    )
    return pl.concat([readings.filter(~shared), once]).sort(_READING_ORDER)
