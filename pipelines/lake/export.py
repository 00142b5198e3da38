"""Export a table of the lake to a file, one delivery in memory at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from chaffinch.pipelines.errors import CallError, did_you_mean
from chaffinch.pipelines.lake.delivery import DATA_TABLES
from chaffinch.pipelines.lake.table_files import write_frames
from chaffinch.pipelines.work.exported import WORK, work_pieces
from chaffinch.schemas.tables import Table, tables

if TYPE_CHECKING:
    import polars as pl
    from chaffinch.pipelines.lake.store import Lake


def check_table(name: str) -> None:
    """Raises ``CallError`` with the tables there are where ``name`` is none of them."""
    known = [*tables(), WORK.name]
    if name not in known:
        raise CallError(
            f"There is no table '{name}'{did_you_mean(name, known)}. Tables are {', '.join(known)}."
        )


def _declared(name: str) -> Table:
    return WORK if name == WORK.name else tables()[name]


def export_table(lake: Lake, name: str, to: Path) -> int:
    """Write table ``name`` to ``to`` by its ending, and give the number of rows; raises as ``write_frames``,
    and ``CallError`` for a name that is no table.
    """
    check_table(name)
    return write_frames(_declared(name).empty(), _pieces(lake, name), to, name)


def _pieces(lake: Lake, name: str) -> Iterator[pl.DataFrame]:
    """The table in stable order: by name of the file, then by its key."""
    import polars as pl

    if name == WORK.name:
        yield from work_pieces(lake)
        return
    key = list(tables()[name].key)
    if name not in DATA_TABLES:
        yield lake.scan(name).collect().sort(key, nulls_last=True)
        return
    stored = lake.stored_deliveries(name)
    for delivery in lake.ledger()["delivery"].to_list():
        if delivery in stored:
            yield lake.scan(name).filter(pl.col("delivery") == delivery).collect().sort(key)
