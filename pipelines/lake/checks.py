"""Whether the lake is whole, and a digest of what is in it."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from chaffinch.pipelines.errors import LakeError
from chaffinch.pipelines.lake.delivery import DATA_TABLES
from chaffinch.schemas.tables import Table, tables

if TYPE_CHECKING:
    import polars as pl
    from chaffinch.pipelines.lake.store import Lake

# The columns in which two lakes made from the same files may differ: when, by which state of the program, and
# what the files were once called.
NOT_CONTENT = ("taken_in_at", "computed_at", "read_with", "other_names")


def faults(lake: Lake) -> list[str]:
    """A sentence for each fault: a table that can't be read, rows that are missing or too many, broken keys,
    files without a row in the ledger, effects older than what they rest on.
    """
    if damaged := lake.damaged_files("deliveries"):
        return damaged
    try:
        ledger = lake.ledger()
        counted = ledger["delivery"].to_list()
    except LakeError as error:
        return [str(error)]
    found: list[str] = []
    if len(set(counted)) < len(counted):
        found.append("Some deliveries are in the ledger twice; take the inbox in again.")
    for name in DATA_TABLES:
        found.extend(_faults_of(lake, name, ledger))
    found.extend(_faults_of_effects(lake))
    return found


def _faults_of(lake: Lake, name: str, ledger: pl.DataFrame) -> list[str]:
    import polars as pl

    table = tables()[name]
    strangers = lake.stored_deliveries(name) - set(ledger["delivery"].to_list())
    found = lake.damaged_files(name)
    if found:
        return found
    if strangers:
        found.append(
            f"Table {name} holds rows of {len(strangers)} deliveries that do not count; "
            "the next run sweeps them out."
        )
    stored: dict[str, int] = {}
    for delivery in sorted(lake.stored_deliveries(name) - strangers):
        try:
            frame = lake.scan(name).filter(pl.col("delivery") == delivery).collect()
        except (LakeError, pl.exceptions.PolarsError, OSError) as error:
            first = str(error).splitlines()[0]
            found.append(f"Table {name}, delivery {delivery}, can't be read: {first}")
            continue
        stored[delivery] = frame.height
        found.extend(_faults_of_rows(table, delivery, frame))
    for row in ledger.select("delivery", "name", "rows_stored").iter_rows(named=True):
        said = json.loads(row["rows_stored"] or "{}").get(name, 0)
        have = stored.get(row["delivery"], 0)
        if said != have and not any(row["delivery"] in sentence for sentence in found):
            found.append(
                f"Table {name} holds {have} rows of {row['name']} ({row['delivery']}), "
                f"but {said} were taken in; retract it and take it in again."
            )
    return found


def _faults_of_rows(table: Table, delivery: str, frame: pl.DataFrame) -> list[str]:
    empty = {c.name: frame[c.name].null_count() for c in table.columns if c.required}
    found = [
        f"Table {table.name}, delivery {delivery}: {name} is empty in {rows} rows."
        for name, rows in empty.items()
        if rows
    ]
    repeated = frame.height - frame.select(table.key).unique().height
    if repeated:
        found.append(
            f"Table {table.name}, delivery {delivery}: {repeated} rows repeat the key {', '.join(table.key)}."
        )
    return found


def _faults_of_effects(lake: Lake) -> list[str]:
    import polars as pl
    from chaffinch.pipelines.lake.inputs import inputs_of_effects

    if damaged := lake.damaged_files("effects"):
        return damaged
    try:
        lake.scan("effects").collect()
        estimated_from = lake.effects_inputs()
    except (LakeError, pl.exceptions.PolarsError, OSError) as error:
        return [f"Table effects can't be read: {str(error).splitlines()[0]}"]
    if estimated_from is not None and estimated_from != inputs_of_effects(lake):
        return [
            "The effects are older than the readings, the farm's entries or the program; "
            f"run: chaffinch estimate --lake {lake.uri}"
        ]
    return []


def content_digest(lake: Lake) -> str:
    """SHA-256 over the rows of all tables: each row hashed, hashes added, so that order does not matter.

    Comparable between lakes read with one version of polars, whose row hash it uses.
    """
    whole = hashlib.sha256()
    for name, table in tables().items():
        dropped = [c.name for c in table.columns if c.name in NOT_CONTENT]
        rows, first, second = 0, 0, 0
        for part in _parts(lake, name):
            kept = part.drop(dropped)
            rows += kept.height
            first = (first + _summed_hash(kept, 1)) % 2**64
            second = (second + _summed_hash(kept, 2)) % 2**64
        whole.update(f"{name} {rows} {first:016x} {second:016x}\n".encode())
    return whole.hexdigest()


def _parts(lake: Lake, name: str) -> list[pl.DataFrame]:
    import polars as pl

    if name not in DATA_TABLES:
        return [lake.scan(name).collect()]
    ids = sorted(lake.stored_deliveries(name))
    return [lake.scan(name).filter(pl.col("delivery") == one).collect() for one in ids]


def _summed_hash(frame: pl.DataFrame, seed: int) -> int:
    if frame.is_empty():
        return 0
    return int(as_plain(frame).hash_rows(seed).sum())


def as_plain(frame: pl.DataFrame) -> pl.DataFrame:
    """``frame`` with lists as texts: the same values hash alike however a list is laid out in memory."""
    import polars as pl

    return frame.with_columns(
        pl.col(c).list.join("\x1f").alias(c) for c, kind in frame.schema.items() if kind == pl.List
    )
