"""What has been gathered of one delivery while its task sets are read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from chaffinch.pipelines.farm import Farm, FileColumns
from chaffinch.pipelines.ingest.task_data.meaning.harvest_log import ColumnUse
from chaffinch.pipelines.ingest.task_data.records import asides as asides_module
from chaffinch.pipelines.ingest.task_data.records.asides import Aside

if TYPE_CHECKING:
    import polars as pl


@dataclass(slots=True)
class Delivery:
    """Tables so far, and ``rows``, the number of the last row.

    stated : what ``farm.toml`` says of this file.
    uses : what became of each column, by its key. attention : the notes that ask something of the user.
    """

    file: str
    farm: Farm
    stated: FileColumns
    readings: list[pl.DataFrame] = field(default_factory=list)
    asides: list[pl.DataFrame] = field(default_factory=list)
    fields: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    attention: list[str] = field(default_factory=list)
    uses: dict[str, ColumnUse] = field(default_factory=dict)
    rows: int = 0

    def ask(self, *sentences: str) -> None:
        """Note what the user should see to."""
        self.notes += sentences
        self.attention += sentences

    def set_aside(self, *found: Aside) -> None:
        """Things that are a row of their own, beside the records of any log."""
        for aside in found:
            self.rows += 1
            self.asides.append(asides_module.frame([aside], self.rows))
