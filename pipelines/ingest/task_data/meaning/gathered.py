"""What has been gathered of one set of task data while it is read."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.task_data.files.task_objects import TaskFile
from chaffinch.pipelines.ingest.task_data.files.task_set import DamagedMember, TaskSet
from chaffinch.pipelines.ingest.task_data.meaning.channel_table import ColumnUse
from chaffinch.pipelines.ingest.task_data.records.rejected_records import Rejected, content_of, rejected_frame


@dataclass(slots=True)
class Gathered:
    """Tables so far, and ``rows``, the number of the last row.

    stated : what ``farm.toml`` says of this file.
    seen : stems of the logs read already, lower case.
    uses : what became of each column, by its key. met : names by which ``farm.toml`` may mean these.
    attention : the notes that ask something of the user.
    """

    farm: Farm
    stated: FileColumns
    task_set: TaskSet
    task_file: TaskFile
    readings: list[pl.DataFrame] = field(default_factory=list)
    asides: list[pl.DataFrame] = field(default_factory=list)
    fields: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    attention: list[str] = field(default_factory=list)
    uses: dict[str, ColumnUse] = field(default_factory=dict)
    met: set[str] = field(default_factory=set)
    rows: int = 0
    seen: set[str] = field(default_factory=set)

    def ask(self, *sentences: str) -> None:
        """Note what the user should see to."""
        self.notes += sentences
        self.attention += sentences

    def set_aside(self, *found: Rejected) -> None:
        """Set aside what is not a record of a log; each is one row."""
        for rejected in found:
            self.rows += 1
            self.asides.append(rejected_frame([rejected], self.rows))

    def set_file_aside(self, name: str, rule: str, what: str) -> None:
        """Set the file of a log aside with its bytes, as ``what`` describes it."""
        try:
            data = self.task_set.content(name)
        except DamagedMember as error:
            self.set_aside(Rejected(1, rule, str(error)))
            return
        sentence = f"{name}: {len(data)} bytes {what}."
        self.set_aside(Rejected(1, rule, sentence, content=content_of(name, 0, data)))
