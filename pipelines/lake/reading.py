"""What a lake holds, as its readers see it: only rows of deliveries that the ledger counts."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.lake.delivery import DATA_TABLES, ESTIMATED_WITH_EFFECTS, RETRACTED
from chaffinch.pipelines.lake.delta import DeltaTables, StoredFiles
from chaffinch.pipelines.lake.freshness import inputs_of_effects
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.schemas.tables import tables

if TYPE_CHECKING:
    from pyarrow import Table
    from pyarrow.dataset import Dataset

INPUTS_KEY = "chaffinch.inputs"
FIELDS_KEY = "chaffinch.fields"
# To open so many files one by one takes as long as to look through the list of a thousand.
MOST_OPENED_ALONE = 32
# Small tables in many small files, which every stage of a night reads whole: up to so many rows stay in memory.
ASKED_FOR_OFTEN = ("adjustments", "loss_checks")
MOST_HELD = 200_000


class LakeReader(ReadableLake):
    """The lake at ``uri``, to be read: a folder, or an object store's URI whose access is in the environment."""

    def __init__(self, uri: str | Path) -> None:
        self.uri = str(uri).rstrip("/") or "/"
        self.is_remote = DeltaTables(self.uri).is_remote
        self.delta = DeltaTables(self.uri, keeps_open=self.is_remote)
        self._ledger: tuple[object, pl.DataFrame] | None = None
        self._files: dict[str, tuple[object, StoredFiles]] = {}
        self._spans: tuple[object, pl.DataFrame] | None = None
        self._rows: dict[str, tuple[object, pl.DataFrame]] = {}

    @property
    def folder(self) -> Path | None:
        """Where the lake lies on this machine; None in an object store."""
        return None if self.is_remote else Path(self.uri)

    def is_there(self) -> bool:
        """Whether anything was ever ingested, as far as the storage shows now."""
        return self.delta.exists("deliveries")

    def scan(self, name: str) -> pl.LazyFrame:
        """Table ``name`` with the contract's columns; no rows where it does not exist yet.

        Raises ``CallError`` for a name that is not a table, ``LakeError`` where the table can't be read.
        """
        if name not in tables():
            raise CallError(f"There is no table '{name}'. Tables are {', '.join(tables())}.")
        if not self.delta.exists(name):
            return tables()[name].empty().lazy()
        if name in ASKED_FOR_OFTEN:
            return self._held(name)
        frame = self.delta.scan(name)
        if name in DATA_TABLES:
            frame = frame.filter(pl.col("delivery").is_in(self._counted()))
        return frame

    def _held(self, name: str) -> pl.LazyFrame:
        """The rows of a small table, in memory until somebody commits to it."""
        state = self.delta.state(name), self.delta.state("deliveries")
        if name not in self._rows or self._rows[name][0] != state:
            counted = pl.col("delivery").is_in(self._counted())
            found = self.delta.scan(name).filter(counted).head(MOST_HELD + 1).collect()
            if found.height > MOST_HELD:
                return self.delta.scan(name).filter(counted)
            self._rows[name] = state, found
        return self._rows[name][1].lazy()

    def parquet_files(self, name: str) -> list[str] | None:
        """As declared. Where the path looks like a pattern of file names, rows come from ``arrow``."""
        if self.is_remote or any(sign in self.uri for sign in "*?["):
            return None
        counted = self._counted() if name in DATA_TABLES else None
        return self.delta.parquet_files(name, counted) if self.delta.exists(name) else []

    def arrow(self, name: str) -> Dataset | Table:
        if not self.delta.exists(name):
            return tables()[name].empty().to_arrow()
        return self.delta.dataset(name, self._counted() if name in DATA_TABLES else None)

    def ledger(self) -> pl.DataFrame:
        """The rows of ``deliveries``, by name."""
        if not self.delta.exists("deliveries"):
            return tables()["deliveries"].empty()
        # Asked for before nearly every other table.
        state = self.delta.state("deliveries")
        if self._ledger is None or self._ledger[0] != state:
            self._ledger = state, self.delta.scan("deliveries").collect().sort("name", "delivery")
        return self._ledger[1]

    def spans(self) -> pl.DataFrame:
        """As declared."""
        if not self.delta.exists("readings"):
            return super().spans()
        # A night asks for it in each of its stages, and it reads every reading.
        state = self.delta.state("readings"), self.delta.state("deliveries")
        if self._spans is None or self._spans[0] != state:
            self._spans = state, super().spans()
        return self._spans[1]

    def _counted(self) -> list[str]:
        """Identifiers of the deliveries whose rows count."""
        ledger = self.ledger()
        return ledger.filter(ledger["status"] != RETRACTED)["delivery"].to_list()

    def scan_readings(self, machine: str, field: str | None) -> pl.LazyFrame:
        """Opens only the deliveries that the ledger names for the machine and field."""
        ledger = self.ledger().filter((pl.col("kind") != "farm") & pl.col("machines").list.contains(machine))
        if field is not None:
            ledger = ledger.filter(pl.col("fields").list.contains(field))
        return self.scan_of("readings", ledger["delivery"].to_list())

    def scan_of(self, name: str, ids: Collection[str]) -> pl.LazyFrame:
        """As declared; of a few, at a cost that does not grow with the lake."""
        few = len(ids) <= MOST_OPENED_ALONE and tables()[name].partition
        if self.is_remote or not few or not self.delta.exists(name):
            return super().scan_of(name, ids)
        state = self.delta.state(name)
        if name not in self._files or self._files[name][0] != state:
            self._files[name] = state, self.delta.files_of(name)
        counted = set(self._counted()) if name in DATA_TABLES else ids
        return self._files[name][1].scan(one for one in ids if one in counted)

    def effects_inputs(self) -> str | None:
        """The digest of what ``effects`` and the tables with it were estimated from; None where they never were,
        empty where they were not estimated together."""
        effects = self.delta.last_message("effects", INPUTS_KEY)
        others = {self.delta.last_message(name, INPUTS_KEY) for name in ESTIMATED_WITH_EFFECTS}
        return effects if effects is None or others == {effects} else ""

    def effects_at(self, moment: datetime) -> pl.DataFrame | None:
        """``effects`` as they stood at ``moment``; None where there were none, or they are kept no longer."""
        found = self.delta.as_of("effects", moment)
        contract = tables()["effects"]
        if found is None or set(found.columns) - set(contract.polars_schema()):
            return None
        return contract.conform(found)

    def effects_field_inputs(self) -> str | None:
        """What ``field_inputs`` said of each field job when ``effects`` was estimated; None as above."""
        return self.delta.last_message("effects", FIELDS_KEY)

    def whole_jobs(self) -> dict[str, str]:
        """Field jobs whose rows are in all derived tables, and the digest of what each was made from."""
        work, bins = (self.delta.parts_of(name) for name in ("work", "bins"))
        binned = {job for job, _ in bins}
        rows = self.scan("field_jobs").group_by("job", "made_from").agg(pl.col("bins").sum()).collect()
        return {
            job: made_from
            for job, made_from, count in rows.iter_rows()
            if (job, made_from) in work and ((job, made_from) in bins if count else job not in binned)
        }

    def torn_jobs(self) -> set[str]:
        """Field jobs whose derived rows are not all there, or were not made from the same inputs."""
        named = set(self.scan("field_jobs").select("job").collect().to_series())
        stored = {job for name in ("work", "bins") for job in self.delta.owners_in(name)}
        return (named | stored) - set(self.whole_jobs())

    def has_readings(self) -> bool:
        return bool(self.ledger()["rows_stored"].str.contains('"readings"', literal=True).any())

    def is_fresh(self) -> bool:
        """Whether effects and the derived tables are as recent as the files, the farm's entries and the program."""
        if self.effects_inputs() != inputs_of_effects(self) or self.torn_jobs():
            return False
        return not self.has_readings() or bool(self.whole_jobs())
