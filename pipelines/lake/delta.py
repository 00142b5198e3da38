"""The Delta tables of a lake, one folder each; every change is one atomic commit."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote, unquote

import polars as pl
from chaffinch.pipelines.errors import LakeError
from chaffinch.pipelines.lake.storage_errors import in_one_line
from chaffinch.schemas.tables import tables

if TYPE_CHECKING:
    from deltalake import DeltaTable
    from pyarrow.dataset import Dataset

_STORAGE_PREFIXES = ("AWS_", "AZURE_", "GOOGLE_")
# Readers keep what they have open for a week; older leftovers may go.
_KEPT_HOURS = 7 * 24
# A table without partitions is put together from this many files on: a month of nights.
MOST_FILES = 32

ROWS_AT_ONCE = 10_000
# Strong compression needs memory for each file that is open for writing, which small files do not repay.
Compression = Literal["ZSTD", "SNAPPY"]
TIGHT: Compression = "ZSTD"
LIGHT: Compression = "SNAPPY"


@dataclass(frozen=True, slots=True)
class DeltaTables:
    """The tables below ``uri``, by the names of their contracts. Nothing here knows what counts.

    keeps_open : whether logs are read once, then only what is new. In an object store each request takes its time,
    and who writes thousands of deliveries would read ever longer logs again. least : versions of tables that are new
    enough for what was handed to this process, so that nothing newer is asked for. Every method raises ``LakeError``
    where a table can't be read or written.
    """

    uri: str
    keeps_open: bool = False
    opened: dict[str, DeltaTable] = field(default_factory=dict, compare=False, repr=False)
    least: dict[str, int] = field(default_factory=dict, compare=False, repr=False)

    @property
    def is_remote(self) -> bool:
        """Whether the lake lies in an object store, whose access is in the environment."""
        return "://" in self.uri

    def exists(self, name: str) -> bool:
        """Whether the table was ever written."""
        if not self.is_remote:
            return (Path(self.uri) / name / "_delta_log").is_dir() and self._has_commit(name)
        if name in self.opened:
            return True
        from deltalake import DeltaTable

        with self._named_failures(name, "read"):
            return DeltaTable.is_deltatable(self._path(name), storage_options=self._storage_options())

    def state(self, name: str) -> object:
        """A mark of the state of a table, which exists: equal as long as nobody commits to it."""
        if self.is_remote:
            return self._table(name).version()
        with self._named_failures(name, "read"), os.scandir(Path(self.uri) / name / "_delta_log") as log:
            states = []
            for entry in log:
                # A commit that is cleared away meanwhile is no longer part of it.
                with suppress(FileNotFoundError):
                    file = entry.stat()
                    states.append((entry.name, file.st_ino, file.st_size, file.st_mtime_ns))
            return frozenset(states)

    def parts_of(self, name: str) -> set[tuple[str, ...]]:
        """What is in a table by the columns that part it into folders."""
        if not self.exists(name):
            return set()
        columns = tables()[name].partition
        return {tuple(part[column] for column in columns) for part in self._table(name).partitions()}

    def owners_in(self, name: str) -> set[str]:
        """Values of the owning column that have rows in table ``name``, counted or not."""
        table = tables()[name]
        if table.partition:
            return {part[0] for part in self.parts_of(name)}
        if not self.exists(name):
            return set()
        return set(self.scan(name).select(pl.col(table.owner).unique()).collect().to_series())

    def damaged_files(self, name: str) -> list[str]:
        """A sentence for each data file of a table that is gone or of another size than was written.

        A file that was cut short must never reach the Parquet reader, which brings the process down.
        """
        try:
            if not self.exists(name):
                return []
            written = self._files(self._table(name), name)
        except LakeError as error:
            return [str(error)]
        found = []
        there = self._sizes(name, written["path"].to_list())
        for path, size in written.select("path", "size_bytes").iter_rows():
            if there[path] != size:
                what = (
                    "is gone" if there[path] is None else f"has {there[path]} bytes where {size} were written"
                )
                found.append(
                    f"Table {name} can't be read: its file {path} {what}. Restore it from a copy of "
                    "the lake, or move the lake away and ingest the inbox again."
                )
        return found

    def contents(self, name: str) -> tuple[int, pl.DataFrame]:
        """The version of a table, which exists, and its data files: path, bytes, and the delivery that owns each,
        where the table is partitioned by delivery.
        """
        table = self._table(name)
        files = self._files(table, name)
        kept = {"path": "path", "size_bytes": "size_bytes", "partition.delivery": "delivery"}
        return int(table.version()), files.select(
            pl.col(a).alias(b) for a, b in kept.items() if a in files.columns
        )

    def _sizes(self, name: str, paths: Sequence[str]) -> dict[str, int | None]:
        """Bytes of the data files of a table, None where there is no such file."""
        if not self.is_remote:
            files = {path: Path(self.uri) / name / unquote(path) for path in paths}
            return {path: file.stat().st_size if file.is_file() else None for path, file in files.items()}
        from deltalake.fs import DeltaStorageHandler
        from pyarrow.fs import PyFileSystem

        store = PyFileSystem(DeltaStorageHandler(self._path(name), self._storage_options()))
        with self._named_failures(name, "read"):
            infos = store.get_file_info([unquote(path) for path in paths])
        return {path: info.size for path, info in zip(paths, infos, strict=True)}

    def parquet_files(self, name: str, deliveries: Collection[str] | None = None) -> list[str]:
        """Paths of the data files of a table on this machine; of a table partitioned by delivery those of
        ``deliveries``, if given.
        """
        written = self._files(self._table(name), name)
        if deliveries is not None:
            written = written.filter(pl.col("partition.delivery").is_in(list(deliveries)))
        folder = Path(self.uri).resolve() / name
        return [str(folder / unquote(path)) for path in written["path"].sort()]

    def dataset(self, name: str, deliveries: Collection[str] | None = None) -> Dataset:
        """The rows of a table as they are stored, read as they are asked for; of ``deliveries``, if given."""
        import pyarrow.dataset as ds

        with self._named_failures(name, "read"):
            stored: Dataset = self._table(name).to_pyarrow_dataset()
        return stored if deliveries is None else stored.filter(ds.field("delivery").isin(list(deliveries)))

    def scan(self, name: str) -> pl.LazyFrame:
        """Every row under the contract of the table, which exists; columns it lacks are null."""
        with self._named_failures(name, "read"):
            return _as_declared(name, self._frame(name))

    def files_of(self, name: str) -> StoredFiles:
        """The data files of a partitioned table on this machine, by who owns their rows."""
        parts = tables()[name].partition
        owned: dict[str, list[tuple[Path, dict[str, str]]]] = {}
        with self._named_failures(name, "read"):
            written = self._files(self._table(name), name)
            schema = self._frame(name).collect_schema()
        folder = Path(self.uri).resolve() / name
        for path, *values in written.select("path", *(f"partition.{column}" for column in parts)).iter_rows():
            owned.setdefault(values[0], []).append(
                (folder / unquote(path), dict(zip(parts, values, strict=True)))
            )
        return StoredFiles(name, {c: kind for c, kind in schema.items() if c not in parts}, owned)

    def _frame(self, name: str) -> pl.LazyFrame:
        """The current table; Polars looks for a folder such as ``my lake`` under ``my%20lake``."""
        if not self.is_remote and quote(self.uri) != self.uri:
            return pl.scan_pyarrow_dataset(self._table(name).to_pyarrow_dataset())
        return pl.scan_delta(self._table(name), storage_options=self._storage_options())

    def put(
        self, name: str, ids: Iterable[str], frames: Iterable[pl.DataFrame], compression: Compression = TIGHT
    ) -> None:
        """Make the rows that ``ids`` own exactly those of ``frames``, in one commit."""
        present = self.owners_in(name) & set(ids)
        frames = iter(frames)
        first = next(frames, None)
        if first is None:
            self.delete(name, present)
            return
        if present:
            how = {"mode": "overwrite", "predicate": owned_by(name, ids)}
        else:
            how = {"mode": "append"}
        self.write(name, chain([first], frames), compression=compression, **how)

    def write(
        self, name: str, frames: Iterable[pl.DataFrame], compression: Compression = TIGHT, **how: Any
    ) -> None:
        """Write ``frames`` in one commit, one of them in memory at a time; each has the contract's columns.

        ``how`` goes to ``deltalake.write_deltalake``.
        """
        import pyarrow as pa
        from deltalake import ColumnProperties, WriterProperties, write_deltalake

        how.setdefault("schema_mode", "merge")
        partition = list(tables()[name].partition) or None
        schema = tables()[name].empty().to_arrow().schema
        # In slices: of a wide log the writer would hold several copies of the whole.
        slices = (part for frame in frames for part in frame.iter_slices(ROWS_AT_ONCE))
        batches = (batch for part in slices for batch in part.to_arrow().to_batches())
        table = self._table(name) if self.keeps_open and self.exists(name) else self._path(name)
        with self._named_failures(name, "written"):
            write_deltalake(
                table,
                pa.RecordBatchReader.from_batches(schema, batches),
                partition_by=partition,
                # Statistics of each page take a sixth of the time of a write, and nothing reads them.
                writer_properties=WriterProperties(
                    compression=compression,
                    default_column_properties=ColumnProperties(statistics_enabled="CHUNK"),
                ),
                storage_options=self._storage_options(),
                **how,
            )

    def delete(self, name: str, ids: Iterable[str]) -> None:
        """Take out all rows that ``ids`` own."""
        ids = sorted(ids)
        if ids and self.exists(name):
            with self._named_failures(name, "written"):
                self._table(name).delete(owned_by(name, ids))

    def last_message(self, name: str, key: str) -> str | None:
        """What the newest commit that says anything under ``key`` says."""
        if not self.exists(name):
            return None
        return next((str(c[key]) for c in self._table(name).history(20) if key in c), None)

    def as_of(self, name: str, moment: datetime) -> pl.DataFrame | None:
        """The rows that table ``name`` had at ``moment``; None where it was not there, or that is cleared away.

        Of a clock that jumped back the newest commit up to ``moment`` counts.
        """
        if not self.exists(name):
            return None
        table = self._read(name)
        until_ms = moment.timestamp() * 1000
        earlier = [int(c["version"]) for c in table.history() if c.get("timestamp", until_ms + 1) <= until_ms]
        if not earlier:
            return None
        try:
            table.load_as_version(max(earlier))
            return pl.scan_pyarrow_dataset(table.to_pyarrow_dataset()).collect()
        except Exception:  # noqa: BLE001  files of that version were cleared away; nothing else is lost by it
            return None

    def tidy(self) -> None:
        """Make one file of the many that nightly commits leave of a table without partitions, and delete files
        that nothing has referred to for a week. A reader keeps what it has open: what it reads is no older.
        """
        for name, table in tables().items():
            if self.exists(name):
                with self._named_failures(name, "written"):
                    if not table.partition and len(self._table(name).file_uris()) > MOST_FILES:
                        self._table(name).optimize.compact()
                    self._table(name).vacuum(_KEPT_HOURS, dry_run=False, full=True)

    def _table(self, name: str) -> DeltaTable:
        """The table as it is now."""
        if not self.keeps_open:
            return self._read(name)
        with self._named_failures(name, "read"):
            if name in self.opened:
                if name not in self.least or self.opened[name].version() < self.least[name]:
                    self.opened[name].update_incremental()
            else:
                self.opened[name] = self._read(name)
            return self.opened[name]

    def versions(self) -> dict[str, int]:
        """The versions of the tables whose logs are kept open, as last read."""
        return {name: int(table.version()) for name, table in self.opened.items()}

    def _read(self, name: str) -> DeltaTable:
        from deltalake import DeltaTable

        with self._named_failures(name, "read"):
            return DeltaTable(self._path(name), storage_options=self._storage_options())

    def _files(self, table: DeltaTable, name: str) -> pl.DataFrame:
        """The data files of a table as its log has them."""
        with self._named_failures(name, "read"):
            return pl.DataFrame(table.get_add_actions(flatten=True))

    def _has_commit(self, name: str) -> bool:
        """Whether the first commit came through; a run killed before it leaves an empty log."""
        log = Path(self.uri) / name / "_delta_log"
        return any(entry.suffix == ".json" or entry.suffix == ".parquet" for entry in log.iterdir())

    def _path(self, name: str) -> str:
        return f"{self.uri}/{name}"

    def _storage_options(self) -> dict[str, str] | None:
        if not self.is_remote:
            return None
        return {key: value for key, value in os.environ.items() if key.startswith(_STORAGE_PREFIXES)}

    @contextmanager
    def _named_failures(self, name: str, done: str) -> Iterator[None]:
        from deltalake.exceptions import DeltaError
        from polars.exceptions import PolarsError

        try:
            yield
        except (DeltaError, PolarsError, OSError) as error:
            first = in_one_line(error)
            refused = any(word in first for word in ("Permission denied", "Read-only", "not permitted"))
            raise LakeError(
                f"Table {name} of {self.uri} can't be {done}: {first}. "
                f"Run: chaffinch check --lake {self.uri}",
                may_pass=not refused,
            ) from error


@dataclass(frozen=True, slots=True)
class StoredFiles:
    """Data files of one table, by owner, each with the values of its partition. schema : of the files."""

    name: str
    schema: dict[str, pl.DataType]
    owned: dict[str, list[tuple[Path, dict[str, str]]]]

    def scan(self, ids: Iterable[str]) -> pl.LazyFrame:
        """Rows that ``ids`` own under the contract of the table, by opening their files alone: Delta would look
        through the list of all files each time.
        """
        frames = [
            pl.scan_parquet(
                file, schema=self.schema, glob=False, hive_partitioning=False, missing_columns="insert"
            ).with_columns(pl.lit(value, pl.String).alias(column) for column, value in parts.items())
            for one in ids
            for file, parts in self.owned.get(one, ())
        ]
        return _as_declared(self.name, pl.concat(frames)) if frames else tables()[self.name].empty().lazy()


def _as_declared(name: str, frame: pl.LazyFrame) -> pl.LazyFrame:
    """``frame`` under the contract of table ``name``; columns that it lacks are null."""
    return frame.select(tables()[name].expressions(frame.collect_schema().names()))


def owned_by(name: str, ids: Iterable[str]) -> str:
    """A predicate for the rows of table ``name`` that ``ids`` own, which are hexadecimal digits: no quoting."""
    listed = ", ".join(f"'{one}'" for one in sorted(ids))
    return f"{tables()[name].owner} IN ({listed})"
