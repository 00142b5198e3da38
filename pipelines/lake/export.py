"""Export a table of the lake to a file, one delivery in memory at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl
from chaffinch.pipelines.errors import CallError, did_you_mean
from chaffinch.pipelines.lake.delivery import DATA_TABLES
from chaffinch.pipelines.lake.store import Lake
from chaffinch.pipelines.lake.table_files import write_frames
from chaffinch.schemas.tables import tables


def check_table(name: str) -> None:
    """Raises ``CallError`` with the tables there are where ``name`` is none of them."""
    known = list(tables())
    if name not in known:
        raise CallError(
            f"There is no table '{name}'{did_you_mean(name, known)}. Tables are {', '.join(known)}."
        )


def export_table(lake: Lake, name: str, to: Path) -> int:
    """Write table ``name`` to ``to`` by its ending, and give the number of rows; raises as ``write_frames``,
    and ``CallError`` for a name that is not a table.
    """
    check_table(name)
    return write_frames(tables()[name].empty(), _pieces(lake, name), to, name)


def _pieces(lake: Lake, name: str) -> Iterator[pl.DataFrame]:
    """The table in stable order: by name of the file, then by its key."""
    key = list(tables()[name].key)
    if not tables()[name].partition:
        yield lake.scan(name).collect().sort(key, nulls_last=True)
        return
    stored = lake.delta.owners_in(name)
    owner = tables()[name].owner
    for one in lake.ledger()["delivery"].to_list() if name in DATA_TABLES else sorted(stored):
        if one in stored:
            yield lake.scan(name).filter(pl.col(owner) == one).collect().sort(key, nulls_last=True)
