"""SQL over a lake: DuckDB reads its tables and the views of ``sql``, and can reach nothing else.

from chaffinch.pipelines.lake.queries import open_lake

lake = open_lake("lake")
lake.table("effects")  # a Polars frame
lake.query("select machine, count(*) as readings from readings group by machine")
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import TYPE_CHECKING, Any

import polars as pl
from chaffinch.pipelines.errors import CallError, ChaffinchError, LakeError, did_you_mean
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.schemas.tables import Table, tables
from chaffinch.schemas.views import CATALOGUE, catalogue, meaning_of, unit_of
from chaffinch.sql import VIEWS, connect, load, one_row

if TYPE_CHECKING:
    import duckdb

# What one query may take of memory and, beyond that, of the disk.
MEMORY_LIMIT, DISK_LIMIT = "2GB", "20GB"
ROWS_AT_ONCE = 50_000
TYPES = {
    "text": "varchar",
    "number": "double",
    "whole": "bigint",
    "flag": "tinyint",
    "moment": "timestamptz",
    "texts": "varchar[]",
}
# Types of results that every other program reads. Whole numbers without limit (sums) and decimals become usual
# numbers; anything else (structs, maps, intervals, ...) becomes text.
_KEPT = re.compile(
    r"BOOLEAN|U?(TINY|SMALL|BIG)INT|U?INTEGER|FLOAT|DOUBLE|VARCHAR(\[\])?|DATE|TIME|TIMESTAMP( WITH TIME ZONE)?"
)
_WHERE = re.compile(r"LINE (\d+): ")


def open_lake(path: str | Path) -> LakeQueries:
    """The lake at ``path``, to be queried. Raises ``CallError`` where there is none."""
    from chaffinch.pipelines.lake.store import Lake

    return LakeQueries(Lake.open(path, must_exist=True))


def relations() -> list[dict[str, Any]]:
    """Every table and view: name, kind, what one row is, and its columns with type, unit and meaning."""
    with LakeQueries(_NoRows()) as empty:
        return [
            {
                "name": name,
                "kind": "view" if name in VIEWS else "table",
                "one_row": _one_row(name),
                "columns": [
                    {
                        "name": column,
                        "type": kind,
                        "unit": unit_of(column),
                        "meaning": meaning_of(name, column),
                    }
                    for column, kind in empty.columns(name).items()
                ],
            }
            for name in _relations()
        ]


class _NoRows(ReadableLake):
    def scan(self, name: str) -> pl.LazyFrame:
        return tables()[name].empty().lazy()


class LakeQueries:
    """The tables of a lake and the views of ``sql``, as they stand at the first query.

    Queries read and never write. They see the tables and views alone: no file, no network, no variable of the
    program. Memory is bounded; what does not fit goes to a temporary folder until ``close``.
    """

    def __init__(self, lake: ReadableLake) -> None:
        self._lake = lake
        self._folder = TemporaryDirectory(prefix="chaffinch_query_", ignore_cleanup_errors=True)
        self._worker = ThreadPoolExecutor(1)

    def __enter__(self) -> LakeQueries:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the session and of its temporary folder."""
        if "_session" in self.__dict__:
            # After Ctrl+C a query may still be under way, and a busy session refuses to close.
            self._session.interrupt()
            self._worker.shutdown()
            self._session.close()
        self._folder.cleanup()

    def table(self, name: str) -> pl.DataFrame:
        """All rows of a table or view. Raises ``CallError`` for another name."""
        self._require(name)
        return self.query(f'from "{name.lower()}"')

    def columns(self, name: str) -> dict[str, str]:
        """Columns of a table or view with their SQL types. Raises ``CallError`` for another name."""
        self._require(name)
        relation = self._session.table(name.lower())
        return dict(zip(relation.columns, map(str, relation.types), strict=True))

    def query(self, sql: str, parameters: Sequence[object] = ()) -> pl.DataFrame:
        """The answer to one query; ``parameters`` are the values of its ``?``.

        Times are UTC. Raises ``CallError`` where the query is wrong or does more than read, ``LakeError`` where
        a table can't be read.
        """
        empty, frames = self.stream(sql, parameters)
        return pl.concat([empty, *frames])

    def stream(
        self, sql: str, parameters: Sequence[object] = ()
    ) -> tuple[pl.DataFrame, Iterator[pl.DataFrame]]:
        """As ``query``, some thousand rows at a time: a frame without rows, and the frames that hold them."""
        with self._named_failures():
            relation = self._session.sql(self._one_that_reads(sql), params=list(parameters) or None)
            pairs = zip(_distinct(relation.columns), map(str, relation.types), strict=True)
            columns = ", ".join(_column(place, *pair) for place, pair in enumerate(pairs, 1))
            reader = self._interruptible(relation.project(columns).to_arrow_reader, ROWS_AT_ONCE)
            empty = _frame(pl.from_arrow(reader.schema.empty_table()))

        def frames() -> Iterator[pl.DataFrame]:
            while True:
                with self._named_failures():
                    batch = self._interruptible(next, reader, None)
                if batch is None:
                    return
                yield _frame(pl.from_arrow(batch))

        return empty, frames()

    def _interruptible(self, work: Callable[..., Any], *arguments: object) -> Any:
        """``work`` in a thread, since DuckDB hears of Ctrl+C only when asked to stop."""
        try:
            return self._worker.submit(work, *arguments).result()
        except KeyboardInterrupt:
            self._session.interrupt()
            raise

    @cached_property
    def _session(self) -> duckdb.DuckDBPyConnection:
        session = connect()
        readable = [path for table in tables().values() for path in self._offer(session, table)]
        session.register(CATALOGUE, catalogue().to_arrow())
        for view in VIEWS:
            session.execute(f"create view {view} as {load(view)}")
        session.execute("set memory_limit = ?", [MEMORY_LIMIT])
        session.execute("set temp_directory = ?", [self._folder.name])
        session.execute("set max_temp_directory_size = ?", [DISK_LIMIT])
        session.execute("set allowed_paths = ?", [readable])
        session.execute("set enable_external_access = false; set lock_configuration = true")
        return session

    def _offer(self, session: duckdb.DuckDBPyConnection, table: Table) -> list[str]:
        """Make a table of the lake a view of the session, under its contract; gives the files it reads."""
        types = {column.name: TYPES[column.kind] for column in table.columns}
        files = self._lake.parquet_files(table.name)
        if files is None:
            rows = self._lake.arrow(table.name)
            source, present = f"stored_{table.name}", set(rows.schema.names)
            session.register(source, rows)
        else:
            source, present = _files_as_rows(files, types, table.partition), set(types)
        listed = ", ".join(
            f"{_name(name) if name in present else 'null'}::{kind} as {_name(name)}"
            for name, kind in types.items()
        )
        session.execute(f"create view {table.name} as select {listed} from {source}")
        return files or []

    def _one_that_reads(self, sql: str) -> duckdb.Statement:
        """The one statement of ``sql``, as DuckDB parses it. Raises ``CallError`` where it does not only read."""
        import duckdb

        statements = self._session.extract_statements(sql)
        if len(statements) != 1:
            raise CallError(f"Give one query; this is {len(statements) or 'none'}.")
        kind = statements[0].type
        if kind == duckdb.StatementType.MULTI:
            raise CallError("PIVOT needs its values here: PIVOT … ON column IN ('one', 'other') …")
        if kind != duckdb.StatementType.SELECT:
            raise CallError(
                f"A query may only read: SELECT, WITH, FROM, DESCRIBE or SUMMARIZE; this is {kind.name}."
            )
        return statements[0]

    def _require(self, name: str) -> None:
        if name.lower() not in _relations():
            raise _no_relation(name)

    @contextmanager
    def _named_failures(self) -> Iterator[None]:
        import duckdb

        try:
            yield
        except (duckdb.Error, OSError) as error:
            # Arrow passes on what DuckDB says as an OSError.
            raise self._failure(str(error)) from error

    def _failure(self, text: str) -> ChaffinchError:
        """What DuckDB's error ``text`` means to the caller."""
        kind = text.partition(" Error: ")[0]
        if kind == "Out of Memory":
            return CallError(
                f"The query needs more than {MEMORY_LIMIT} of memory or {DISK_LIMIT} of disk; "
                "ask for fewer rows or columns, or for sums of them."
            )
        if kind == "Permission":
            return CallError(
                "A query reads the tables and views of the lake alone; files and other databases are out of reach."
            )
        if kind == "IO":
            return LakeError(
                f"A table of the lake can't be read: {_first_line(text)}. Run: chaffinch check --lake LAKE"
            )
        missing = re.search(r"Table with name \"?(.+?)\"? does not exist", text)
        if missing and missing[1].lower() not in _relations():
            return _no_relation(missing[1])
        return CallError(f"The query is wrong: {_fault(kind, text)}")


def _one_row(name: str) -> str:
    if name == CATALOGUE:
        return "one row per setting that has a value"
    return one_row(name) if name in VIEWS else tables()[name].grain


def _relations() -> list[str]:
    return [*tables(), CATALOGUE, *VIEWS]


def _no_relation(name: str) -> CallError:
    known = _relations()
    return CallError(
        f"There is no table or view '{name}'{did_you_mean(name.lower(), known)}. There are {', '.join(known)}."
    )


def _files_as_rows(files: Sequence[str], types: Mapping[str, str], parted_by: Sequence[str]) -> str:
    """The call that reads Parquet files; columns that files of an older contract lack are null."""
    if not files:
        return f"(select {', '.join(f'null as {_name(name)}' for name in types)} where false)"
    inside = ", ".join(
        f"{_text(name)}: {{name: {_text(name)}, type: {_text(kind)}, default_value: null}}"
        for name, kind in types.items()
        if name not in parted_by
    )
    # Partition columns are in the paths only.
    parted = ", ".join(f"{_text(name)}: varchar" for name in parted_by)
    how = f", hive_partitioning = true, hive_types = {{{parted}}}" if parted else ""
    return f"read_parquet([{', '.join(map(_text, files))}], schema = map {{{inside}}}{how})"


def _column(place: int, name: str, kind: str) -> str:
    """The column at ``place`` of a result, in a type that other programs read."""
    if kind in ("HUGEINT", "UHUGEINT", "UBIGINT"):
        value = f"#{place}::bigint"
    elif kind.startswith("DECIMAL"):
        value = f"#{place}::double"
    elif kind == "BLOB":
        value = f"hex(#{place})"
    elif kind.startswith(("STRUCT", "MAP", "UNION")) or (kind.endswith("]") and kind != "VARCHAR[]"):
        value = f"to_json(#{place})::varchar"
    else:
        value = f"#{place}" if _KEPT.fullmatch(kind) else f"#{place}::varchar"
    return f"{value} as {_name(name)}"


def _frame(table: Any) -> pl.DataFrame:
    """A batch of a result; moments in the time unit and zone of the contract."""
    moments = [
        name for name, kind in table.schema.items() if isinstance(kind, pl.Datetime) and kind.time_zone
    ]
    frame: pl.DataFrame = table.cast(dict.fromkeys(moments, pl.Datetime("us", "UTC")))
    return frame


def _distinct(names: Sequence[str]) -> list[str]:
    """Names of columns, repeated ones numbered: ``n, n_2``."""
    found: list[str] = []
    for name in names:
        number, new = 1, name
        while new in found:
            number += 1
            new = f"{name}_{number}"
        found.append(new)
    return found


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _name(value: str) -> str:
    return '"' + value.replace('"', '""') + '"'


def _first_line(text: str) -> str:
    """What DuckDB says, without the kind of error."""
    first = text.strip().partition("\n")[0]
    return (first.partition(" Error: ")[2] or first).rstrip(".!")[:300]


def _fault(kind: str, text: str) -> str:
    """What is wrong with a query: line and column where DuckDB could not parse it, columns with a similar name."""
    sentence = _first_line(text)
    where = _WHERE.search(text)
    if where and kind == "Parser":
        line, _, marks = text[where.start() :].partition("\n")
        column = len(marks) - len(marks.lstrip()) - len(where[0]) + 1
        # Of long lines DuckDB shows a part.
        sentence += f", line {where[1]}" + ("" if "..." in line else f", column {column}")
    similar = re.search(r"Candidate bindings: (.+)", text)
    return f"{sentence}." + (f" Similar columns: {similar[1].replace(chr(34), '')}." if similar else "")
