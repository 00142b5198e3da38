"""What a lake holds, as its readers see it: only rows of deliveries that the ledger counts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.lake.delivery import DATA_TABLES, RETRACTED
from chaffinch.pipelines.lake.delta import DeltaTables
from chaffinch.schemas.tables import tables

if TYPE_CHECKING:
    import polars as pl
    from chaffinch.pipelines.farm import Farm

INPUTS_KEY = "chaffinch.inputs"
FIELDS_KEY = "chaffinch.fields"
DELAYS_KEY = "chaffinch.delays"
_READING_ORDER = ("time", "file", "row", "delivery")


class ReadableLake:
    """The lake at ``uri``, to be read: a folder, or an object store's URI whose access is in the environment."""

    def __init__(self, uri: str | Path) -> None:
        self.uri = str(uri).rstrip("/") or "/"
        self.delta = DeltaTables(self.uri)
        self.is_remote = self.delta.is_remote
        self._ledger: tuple[object, pl.DataFrame] | None = None

    def is_there(self) -> bool:
        """Whether anything was ever taken in, as far as the storage shows now."""
        return self.delta.exists("deliveries")

    def scan(self, name: str) -> pl.LazyFrame:
        """Table ``name`` with the contract's columns; no rows where it does not exist yet.

        Raises ``CallError`` for a name that is no table, ``LakeError`` where the table can't be read.
        """
        import polars as pl

        if name not in tables():
            raise CallError(f"There is no table '{name}'. Tables are {', '.join(tables())}.")
        if not self.delta.exists(name):
            return tables()[name].empty().lazy()
        frame = self.delta.scan(name)
        if name in DATA_TABLES:
            frame = frame.filter(pl.col("delivery").is_in(self._counted()))
        return frame

    def ledger(self) -> pl.DataFrame:
        """The rows of ``deliveries``, by name."""
        if not self.delta.exists("deliveries"):
            return tables()["deliveries"].empty()
        # Asked for before nearly every other table.
        state = self.delta.state("deliveries")
        if self._ledger is None or self._ledger[0] != state:
            self._ledger = state, self.delta.scan("deliveries").collect().sort("name", "delivery")
        return self._ledger[1]

    def _counted(self) -> list[str]:
        """Identifiers of the deliveries whose rows count."""
        ledger = self.ledger()
        return ledger.filter(ledger["status"] != RETRACTED)["delivery"].to_list()

    def readings(
        self,
        machine: str,
        field: str | None,
        day: date | None = None,
        columns: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Readings of one machine in one field (None: those without a field), by time; ``day`` is a UTC date.

        Opens only the deliveries that the ledger names for them. A moment that several deliveries hold (a
        daily log and a longer one) comes once, each column from the first file that knows it.
        """
        import polars as pl

        ledger = self.ledger().filter((pl.col("kind") != "farm") & pl.col("machines").list.contains(machine))
        if field is not None:
            ledger = ledger.filter(pl.col("fields").list.contains(field))
        wanted = list(columns) if columns is not None else list(tables()["readings"].polars_schema())
        ids = ledger["delivery"].to_list()
        if not ids or not self.delta.exists("readings"):
            return tables()["readings"].empty().select(wanted)
        here = pl.col("field").is_null() if field is None else pl.col("field") == field
        if day is not None:
            here = here & (pl.col("time").dt.date() == day)
        found = (
            self.delta.scan("readings")
            .filter(pl.col("delivery").is_in(ids), pl.col("machine") == machine, here)
            .select(list(dict.fromkeys([*wanted, *_READING_ORDER])))
            .collect()
            .sort(_READING_ORDER)
        )
        return _each_moment_once(found).select(wanted)

    def machine_fields(self) -> pl.DataFrame:
        """One row per machine and field: machine, field, (commonest) crop, readings, first_time, last_time,
        day. Where no field is known there is one row per machine and UTC day; else ``day`` is null.
        """
        import polars as pl

        day = pl.when(pl.col("field").is_null()).then(pl.col("time").dt.date())
        by_crop = (
            self.scan("readings")
            .group_by("machine", "field", day.alias("day"), "crop")
            .agg(
                pl.len().cast(pl.Int64).alias("readings"),
                pl.col("time").min().alias("first_time"),
                pl.col("time").max().alias("last_time"),
            )
            .collect(engine="streaming")
        )
        # Any named crop tells more than none; of equally common ones the first by name.
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

    def farm(self) -> Farm:
        """The farm.toml taken in last; the defaults where there was none."""
        from chaffinch.pipelines.farm import Farm, parse_farm

        text = self.farm_text()
        return Farm() if text is None else parse_farm(text)

    def farm_text(self) -> str | None:
        """The text of the farm.toml taken in last; None where there was none."""
        import polars as pl

        stated = self.ledger().filter(pl.col("kind") == "farm", pl.col("stated").is_not_null())
        return stated.sort("taken_in_at", "name")["stated"][-1] if stated.height else None

    def picture(self, named: str) -> str | None:
        """The picture taken in last under ``named`` (a path, or the end of one) as a data URI; None for none."""
        import polars as pl

        kept = self.ledger().filter(pl.col("kind") == "picture", pl.col("stated").is_not_null())
        wanted = named.replace("\\", "/").removeprefix("./")
        ending = (pl.col("name") == wanted) | pl.col("name").str.ends_with(f"/{wanted}")
        found = kept.filter(ending).sort("taken_in_at", "name")
        return found["stated"][-1] if found.height else None

    def effects_inputs(self) -> str | None:
        """The digest of what ``effects`` was estimated from; None where it was never estimated."""
        return self.delta.last_message("effects", INPUTS_KEY)

    def effects_at(self, moment: datetime) -> pl.DataFrame | None:
        """``effects`` as they stood at ``moment``; None where there were none, or they are kept no longer."""
        found = self.delta.as_of("effects", moment)
        contract = tables()["effects"]
        if found is None or set(found.columns) - set(contract.polars_schema()):
            return None
        return contract.conform(found)

    def effects_field_inputs(self) -> str | None:
        """What ``field_inputs`` said of each machine-field when ``effects`` was estimated; None as above."""
        return self.delta.last_message("effects", FIELDS_KEY)

    def effects_delays(self) -> str | None:
        """The delays with which ``effects`` was estimated, as of ``work.known_delays``; None as above."""
        return self.delta.last_message("effects", DELAYS_KEY)

    def check(self) -> list[str]:
        """A sentence for each thing that is wrong; none when the lake is whole."""
        from chaffinch.pipelines.lake.checks import faults

        return faults(self)

    def digest(self) -> str:
        """Digest of all content, whatever the order of writing and the moments of taking in and computing."""
        from chaffinch.pipelines.lake.checks import content_digest

        return content_digest(self)

    def stored_deliveries(self, name: str) -> set[str]:
        """Identifiers of the deliveries that have files in table ``name``, counted or not."""
        return self.delta.deliveries_in(name)

    def damaged_files(self, name: str) -> list[str]:
        """A sentence for each data file of a table that is gone or was cut short."""
        return self.delta.damaged_files(name)


def _each_moment_once(readings: pl.DataFrame) -> pl.DataFrame:
    """Readings in ``_READING_ORDER`` with the rows that several deliveries hold for one moment made one."""
    import polars as pl

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
