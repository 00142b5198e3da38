"""A lake of tables held in memory."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.schemas.tables import tables


class MemoryLake(ReadableLake):
    """Each table by name, with the columns that matter; what is not given has no rows."""

    def __init__(self, **frames: pl.DataFrame) -> None:
        self.frames = {
            name: table.conform(frames[name]) if name in frames else table.empty()
            for name, table in tables().items()
        }

    def scan(self, name: str) -> pl.LazyFrame:
        return self.frames[name].lazy()
