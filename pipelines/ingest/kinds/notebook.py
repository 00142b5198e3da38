"""A notebook of settings: a date, a time, and what was changed in free text.

Each line is read by ``noted_changes``. A line that changes nothing is set aside as a remark, one that is not
understood with the question that settles it. A change by an amount is one between two values where the value before
is known, else it stays an amount.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile, counted
from chaffinch.pipelines.ingest.notes.amounts import NotedChange
from chaffinch.pipelines.ingest.notes.clause_changes import Context
from chaffinch.pipelines.ingest.notes.line_text import time_of_day
from chaffinch.pipelines.ingest.notes.noted_changes import read_line
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.number_parsing import is_missing
from chaffinch.pipelines.ingest.text.rejected_rows import flagged_rows
from chaffinch.pipelines.ingest.text.table_reader import (
    TableReader,
    cleaned_names,
    read_machines,
    read_times,
    read_timestamps,
)
from chaffinch.pipelines.ingest.text.text_table import TextTable
from chaffinch.pipelines.parsed import REMARK, Parsed
from chaffinch.schemas.declarations import settings

FEWEST_WORDS = 1.5
EXAMPLES = 3
# Each is read in twelve languages; a season of one farm is some 10,000.
MOST_CHARACTERS = 100_000
_SCHEMA: dict[str, pl.DataType] = {
    "row": pl.Int64(), "time": pl.Datetime("us", "UTC"), "machine": pl.String(), "setting": pl.String(),
    "from_value": pl.String(), "to_value": pl.String(), "unit": pl.String(), "kind": pl.String(),
    "note": pl.String(), "change": pl.Float64(),
}  # fmt: skip


def free_text_column(table: TextTable) -> Matched | None:
    """The column of a notebook that says what was changed; None where the table is not a notebook.

    It has a time or a date and no measured channel or setting; the text is under the header of a note or a setting,
    else in the only other column that holds words.
    """
    kinds = {m.kind for m in table.matched}
    words = {m.target for m in table.matched if m.kind == "word"}
    if kinds & {"channel", "setting"} or not {"time", "date"} & words or "to_value" in words:
        return None
    for name in ("setting", "note"):
        if (column := table.find("word", name)) is not None:
            return column
    wordy = [m for m in table.matched if m.kind == "none" and _words_a_row(table.texts(m)) >= FEWEST_WORDS]
    return wordy[0] if len(wordy) == 1 else None


def _words_a_row(texts: pl.Series) -> float:
    written = texts.filter(~is_missing(texts))
    mean = written.str.count_matches(r"\p{L}{2,}|\d+").mean()
    return float(mean) if isinstance(mean, float) and written.str.contains(r"\p{L}").mean() > 0.5 else 0.0  # type: ignore[operator]


def read_notebook(reader: TableReader, column: Matched) -> Parsed:
    """Read the table as a notebook whose ``column`` says what was changed. Raises ``UnreadableFile``."""
    characters = reader.table.texts(column).str.len_chars().sum()
    if characters > MOST_CHARACTERS:
        raise UnreadableFile(
            reader.table.file,
            f"It holds {characters:,} characters of notes, more than any notebook; split it by month or machine.",
        )
    machines = read_machines(reader)
    times = _times(reader, machines, column)
    texts = cleaned_names(reader.table.texts(column))
    reader.set_aside(texts.is_null(), "no_setting", column.header, texts, "The row says nothing.")
    index, rows = pl.arange(len(texts), eager=True), reader.table.lines.cast(pl.Int64)
    frame = pl.DataFrame({"i": index, "row": rows, "time": times, "machine": machines, "text": texts})
    lines = frame.drop_nulls(["time", "text"]).sort("machine", "time", "row")
    chaffer = bool(texts.str.to_lowercase().str.contains("chaffer").any())
    steps = {name: machine.opening_per_step for name, machine in reader.farm.machines.items()}
    changes, questions, remarks = _read_lines(lines, chaffer, steps)
    _ask(reader, column, texts, questions, lines.height)
    reader.set_aside(
        pl.arange(len(texts), eager=True).is_in(remarks),
        REMARK,
        column.header,
        texts,
        "'{}' names no change of a setting.",
    )
    kept = reader.kept(pl.DataFrame(changes, schema=_SCHEMA, orient="row").to_dict())
    kept = kept.sort("row", maintain_order=True).with_columns(origin=pl.lit("settings log"))
    read = {m.target for m in reader.table.matched if m.kind == "word"} & {
        "time",
        "date",
        "machine",
        column.target,
    }
    unmatched = tuple(name for name in reader.unmatched(read) if name != column.header)
    return reader.parsed("settings log", unmatched, adjustments=kept)


def _times(reader: TableReader, machines: pl.Series, column: Matched) -> pl.Series:
    """The moment of each line; where the table has days only, by the times with which its lines begin."""
    table = reader.table
    date = table.find("word", "date")
    if (
        date is None
        or table.find("word", "time") is not None
        or table.texts(date).str.contains(r"\d:\d\d").any()
    ):
        return read_times(reader, machines)
    begins = pl.Series([time_of_day(text or "") for text in table.texts(column)], dtype=pl.String)
    if begins.null_count() == begins.len():
        return read_times(reader, machines)
    return read_timestamps(reader, machines, column, table.texts(date), begins).alias("time")


def _read_lines(
    lines: pl.DataFrame, chaffer: bool, steps: Mapping[str, Mapping[str, float]]
) -> tuple[list[tuple[Any, ...]], dict[int, str], list[int]]:
    """Rows of adjustments; by index the question about each line that was not understood; the remarks."""
    changes: list[tuple[Any, ...]] = []
    questions: dict[int, str] = {}
    remarks: list[int] = []
    machine = None
    known: dict[str, float] = {}
    used: dict[str, frozenset[float]] = {}
    last: tuple[str, ...] = ()
    for line in lines.iter_rows(named=True):
        if line["machine"] != machine:
            machine, known, used, last = line["machine"], {}, {}, ()
        found = read_line(line["text"], Context(known, used, chaffer, steps.get(machine or "", {}), last))
        if found.question:
            questions[line["i"]] = found.question
            # It may have changed anything, so where the next change of any setting begins is not known.
            known, last = {}, ()
        elif not found.changes:
            remarks.append(line["i"])
        for one in found.changes:
            declared = settings()[one.setting]
            before = one.from_value
            if declared.kind == "number":
                before = _remember(one, known, used)
            changes.append(
                (line["row"], line["time"], line["machine"], one.setting, before, one.to_value, declared.unit or None,
                 declared.kind, line["text"], one.change)
            )  # fmt: skip
        last = tuple(one.setting for one in found.changes) or last
    return changes, questions, remarks


def _remember(one: NotedChange, known: dict[str, float], used: dict[str, frozenset[float]]) -> str | None:
    """Note the values of a change; gives the value before as far as it is known."""
    before = one.from_value
    if one.to_value is None:
        known.pop(one.setting, None)
        return before
    if before is None and one.setting in known:
        before = f"{known[one.setting]:.10g}"
    values = frozenset(float(value) for value in (before, one.to_value) if value is not None)
    used[one.setting] = used.get(one.setting, frozenset()) | values
    known[one.setting] = float(one.to_value)
    return before


def _ask(
    reader: TableReader, column: Matched, texts: pl.Series, questions: dict[int, str], lines: int
) -> None:
    """Set the lines aside that were not understood, each with its question, and ask about them together."""
    if questions:
        bad = pl.arange(len(texts), eager=True).is_in(list(questions))
        why = pl.Series([questions[index] for index in sorted(questions)])
        aside = flagged_rows(
            reader.table, bad, "not_understood", column.header, texts, "'{}' was not understood: "
        )
        example = ". Write it as in 'fan speed to 950' or 'fan speed up 50'."
        reader.aside.append(aside.with_columns(pl.col("sentence") + why + example))
        shown = "; ".join(f"'{texts[i][:60]}' ({asked})" for i, asked in list(questions.items())[:EXAMPLES])
        more = f"; {len(questions) - EXAMPLES} more are in set_aside" if len(questions) > EXAMPLES else ""
        reader.alert(f"{len(questions)} of {counted(lines, 'line')} were not understood: {shown}{more}.")
