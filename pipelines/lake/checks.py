"""Whether the lake is whole, and a digest of what is in it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator

import polars as pl
from chaffinch.pipelines.errors import LakeError
from chaffinch.pipelines.lake.delivery import DATA_TABLES, DERIVED_TABLES, ESTIMATED_WITH_EFFECTS, KEPT_FITS
from chaffinch.pipelines.lake.freshness import as_plain, inputs_of_effects
from chaffinch.pipelines.lake.reading import LakeReader
from chaffinch.pipelines.lake.seal import hurt_tables
from chaffinch.pipelines.parallel.fan_out import in_groups
from chaffinch.schemas.tables import Table, tables

# What is held in memory at once.
ROWS_AT_ONCE, DELIVERIES_AT_ONCE = 500_000, 1000
# The columns in which two lakes made from the same files may differ: when, by which state of the program, and
# under which of its names a content was met first. A file is known by the hash of its content.
NOT_CONTENT = ("taken_in_at", "computed_at", "read_with", "other_names", "name", "file")


def faults(lake: LakeReader) -> list[str]:
    """A sentence for each fault: a table that can't be read, rows that are missing or too many, broken keys,
    files without a row in the ledger, stale effects, derived tables that do not agree.
    """
    if hurt := hurt_tables(lake.delta, every_byte=True):
        # Bytes that are not what was written must not reach the readers of files.
        return [f"{one.sentence} {one.advice(lake.uri)}" for one in hurt]
    if damaged := lake.delta.damaged_files("deliveries"):
        return damaged
    try:
        ledger = lake.ledger()
        counted = ledger["delivery"].to_list()
    except LakeError as error:
        return [str(error)]
    found: list[str] = []
    if len(set(counted)) < len(counted):
        found.append("Some deliveries are in the ledger twice; ingest the inbox again.")
    for name in DATA_TABLES:
        found.extend(_faults_of(lake, name, ledger))
    return [*found, *_faults_of_jobs(lake), *_faults_of_effects(lake)]


def _faults_of(lake: LakeReader, name: str, ledger: pl.DataFrame) -> list[str]:
    table = tables()[name]
    strangers = lake.delta.owners_in(name) - set(ledger["delivery"].to_list())
    found = lake.delta.damaged_files(name)
    if found:
        return found
    if strangers:
        found.append(
            f"Table {name} holds rows of {len(strangers)} deliveries that do not count; "
            "the next run removes them."
        )
    said = _rows_said(ledger, name)
    stored: dict[str, int] = {}
    unreadable: set[str] = set()
    for group in _groups(lake.delta.owners_in(name) - strangers, said):
        for delivery, rows, sentences in _rows_of(lake, table, group):
            found.extend(sentences)
            if rows is None:
                unreadable.add(delivery)
            else:
                stored[delivery] = rows
    for delivery, file in ledger.select("delivery", "name").iter_rows():
        have = stored.get(delivery, 0)
        if said[delivery] != have and delivery not in unreadable:
            found.append(
                f"Table {name} holds {have} rows of {file} ({delivery}), "
                f"but {said[delivery]} were ingested; retract it and ingest it again."
            )
    return found


def _rows_said(ledger: pl.DataFrame, name: str) -> dict[str, int]:
    """Rows of each delivery in table ``name`` by the ledger."""
    rows = ledger.select("delivery", "rows_stored").iter_rows()
    return {delivery: int(json.loads(stored or "{}").get(name, 0)) for delivery, stored in rows}


def _groups(deliveries: Iterable[str], rows: dict[str, int]) -> Iterator[list[str]]:
    """Deliveries that are looked at together: opening a table once for each of thousands would take hours."""
    return in_groups(sorted(deliveries), lambda one: rows.get(one, 0), ROWS_AT_ONCE, DELIVERIES_AT_ONCE)


def _rows_of(lake: LakeReader, table: Table, group: list[str]) -> Iterator[tuple[str, int | None, list[str]]]:
    """Each delivery of the group: its rows (None where they can't be read), and a sentence for each fault."""
    try:
        rows = lake.scan(table.name).filter(pl.col("delivery").is_in(group)).collect()
    except (LakeError, pl.exceptions.PolarsError, OSError) as error:
        if len(group) > 1:
            for delivery in group:
                yield from _rows_of(lake, table, [delivery])
            return
        first = str(error).splitlines()[0]
        yield group[0], None, [f"Table {table.name}, delivery {group[0]}, can't be read: {first}"]
        return
    required = [c.name for c in table.columns if c.required and c.name != "delivery"]
    counted = rows.group_by("delivery", maintain_order=True).agg(
        pl.len().alias("_rows"),
        (pl.len() - pl.struct(table.key).n_unique()).alias("_repeated"),
        *(pl.col(name).null_count() for name in required),
    )
    for row in counted.iter_rows(named=True):
        delivery = row["delivery"]
        sentences = [
            f"Table {table.name}, delivery {delivery}: {name} is empty in {row[name]} rows."
            for name in required
            if row[name]
        ]
        if row["_repeated"]:
            sentences.append(
                f"Table {table.name}, delivery {delivery}: {row['_repeated']} rows repeat the key "
                f"{', '.join(table.key)}."
            )
        yield delivery, row["_rows"], sentences


def _faults_of_jobs(lake: LakeReader) -> list[str]:
    """Whether the derived tables hold exactly the rows that ``field_jobs`` says, made from the same inputs."""
    again = f"run: chaffinch estimate --lake {lake.uri}"
    for name in DERIVED_TABLES:
        if damaged := lake.delta.damaged_files(name):
            return [*damaged, f"Table {name} can be made again: delete its folder and {again}"]
    wrong = lake.torn_jobs()
    jobs = (
        lake.scan("field_jobs").group_by("job").agg(pl.col("readings").sum(), pl.col("bins").sum()).collect()
    )
    for name, column in (("work", "readings"), ("bins", "bins")):
        said = {job: rows for job, rows in jobs.select("job", column).iter_rows() if rows}
        stored = dict(lake.scan(name).group_by("job").len().collect().iter_rows())
        wrong |= {job for job in said.keys() | stored.keys() if said.get(job) != stored.get(job)}
    if wrong:
        return [f"Tables {', '.join(DERIVED_TABLES)} do not agree on {len(wrong)} field jobs; {again}"]
    if lake.effects_inputs() is not None and lake.has_readings() and jobs.is_empty():
        return [f"Tables {', '.join(DERIVED_TABLES)} are missing; {again}"]
    return []


def _faults_of_effects(lake: LakeReader) -> list[str]:
    for name in ("effects", *ESTIMATED_WITH_EFFECTS):
        if damaged := lake.delta.damaged_files(name):
            return damaged
        try:
            lake.scan(name).collect()
            estimated_from = lake.effects_inputs()
        except (LakeError, pl.exceptions.PolarsError, OSError) as error:
            return [f"Table {name} can't be read: {str(error).splitlines()[0]}"]
    if estimated_from is not None and estimated_from != inputs_of_effects(lake):
        return [
            "The effects are older than the readings, the farm's entries or the program; "
            f"run: chaffinch estimate --lake {lake.uri}"
        ]
    return []


def content_digest(lake: LakeReader) -> str:
    """SHA-256 over the rows of all tables: each row hashed, hashes added, so that order does not matter.

    ``work``, ``bins`` and ``field_jobs`` are left out: they follow from the others, and are made when needed.
    Comparable between lakes read with one version of polars, whose row hash it uses.
    """
    whole = hashlib.sha256()
    for name, table in tables().items():
        if name in (*DERIVED_TABLES, KEPT_FITS):
            continue
        dropped = [c.name for c in table.columns if c.name in NOT_CONTENT]
        rows, first, second = 0, 0, 0
        for part in _parts(lake, name):
            kept = part.drop(dropped)
            rows += kept.height
            first = (first + _summed_hash(kept, 1)) % 2**64
            second = (second + _summed_hash(kept, 2)) % 2**64
        whole.update(f"{name} {rows} {first:016x} {second:016x}\n".encode())
    return whole.hexdigest()


def _parts(lake: LakeReader, name: str) -> Iterator[pl.DataFrame]:
    if name not in DATA_TABLES:
        yield lake.scan(name).collect()
        return
    said = _rows_said(lake.ledger(), name)
    for group in _groups(lake.delta.owners_in(name), said):
        yield lake.scan(name).filter(pl.col("delivery").is_in(group)).collect()


def _summed_hash(frame: pl.DataFrame, seed: int) -> int:
    if frame.is_empty():
        return 0
    return int(as_plain(frame).hash_rows(seed).sum())
