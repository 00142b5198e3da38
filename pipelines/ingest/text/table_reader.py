"""The columns that every log shares: time, machine, field, crop; and numbers in the declared units."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any
from zoneinfo import available_timezones

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile, counted
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.text.headers import LONGEST_HEADER, Matched, proposed, recognise, stated_names
from chaffinch.pipelines.ingest.text.number_parsing import Mark, decimal_mark, is_missing, plain_columns
from chaffinch.pipelines.ingest.text.rejected_rows import flagged_rows, malformed_rows
from chaffinch.pipelines.ingest.text.text_table import TextTable
from chaffinch.pipelines.ingest.text.time_zones import to_utc
from chaffinch.pipelines.ingest.text.timestamps import parse_timestamps, plausible
from chaffinch.pipelines.parsed import Parsed, combined_set_aside, rows_aside

UNNAMED_MACHINE = "unnamed machine"
_US_UNITS = frozenset(
    ("mph", "bu/ac", "bu/h", "bu/s", "bu", "lb/s", "lb/h", "lb/ac", "lb", "lbs", "lbs/s", "ft", "in", "°f", "ac")
)  # fmt: skip
_ROWS_THAT_SHOW_THE_MARK = 2000
MOST_PROPOSED = 100
# So many names of a file are looked up among those of other files.
FEW_NAMES = 8
# Of a line above the header that may state something for all rows.
LONGEST_STATED = 300


@dataclass(slots=True)
class TableReader:
    """The reading of one table as it goes on: what is known so far, rows aside, notes.

    ``attention``: those of the notes that ask something of the user. ``keeps_rows``: whether a row stays where
    one of its numbers can't be read, as in a harvest log.
    """

    table: TextTable
    farm: Farm
    stated: FileColumns
    mark: Mark | None = None
    aside: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    attention: list[str] = field(default_factory=list)
    unread: list[Matched] = field(default_factory=list)
    keeps_rows: bool = False
    _plain: dict[str, pl.Series] = field(default_factory=dict)
    _looked_at: set[str] = field(default_factory=set)

    def plain(self, column: Matched) -> pl.Series | None:
        """The numbers of a column of plain decimals; None where it holds anything else."""
        name = self.table.headers[column.position]
        if name not in self._looked_at:
            # All at once the first time: that is quicker than one by one.
            measured = [m for m in self.table.matched if m.kind in ("channel", "setting")]
            names = {name, *(self.table.headers[m.position] for m in measured)} - self._looked_at
            self._plain |= plain_columns(self.table.rows.select(sorted(names)), self.mark)
            self._looked_at |= names
        return self._plain.get(name)

    def alert(self, sentence: str) -> None:
        """Note what the user should see to."""
        self.notes.append(sentence)
        self.attention.append(sentence)

    def keep_unread(self, column: Matched, why: object) -> None:
        """Leave ``column`` as text; note why, and how it can be read after all."""
        self.unread.append(column)
        bare = self.table.file.rpartition("/")[2]
        meaning = f'{{ is = "{column.target}", unit = "..." }}'
        self.alert(
            f"Column '{column.header}' is kept unread: {why}. Say what it is in farm.toml: "
            f'[columns."{bare}"] names = {{ "{column.header}" = {meaning} }}.'
        )

    def set_aside(self, bad: pl.Series, rule: str, column: str, values: pl.Series, sentence: str) -> None:
        """Set the rows where ``bad`` aside."""
        self.aside.append(flagged_rows(self.table, bad, rule, column, values, sentence))

    def set_value_aside(self, bad: pl.Series, column: str, values: pl.Series, sentence: str) -> None:
        """Set aside what is not a number where ``bad``: the value alone where rows are kept, else its row."""
        self.aside.append(
            flagged_rows(self.table, bad, "not_a_number", column, values, sentence, self.keeps_rows)
        )

    def nulls(self, kind: type[pl.DataType] = pl.String) -> pl.Series:
        """A column without values."""
        return pl.repeat(None, self.table.rows.height, dtype=kind, eager=True)

    def always(self) -> pl.Series:
        """True for every row."""
        return pl.repeat(True, self.table.rows.height, eager=True)

    def words(self, word: str) -> pl.Series:
        """Texts of the column that is ``word``, null where there is none."""
        column = self.table.find("word", word)
        return self.nulls() if column is None else self.table.texts(column)

    def unmatched(self, read: Collection[str]) -> tuple[str, ...]:
        """Names of the columns that could not be read or that feed none of ``read``."""
        left = [m for m in self.table.matched if m in self.unread or m.target not in read]
        return tuple(self.table.headers[m.position] for m in left)

    def as_json(self, names: Collection[str]) -> pl.Series:
        """These columns as one JSON object a row."""
        if not names or not self.table.rows.height:
            return self.nulls()
        return self.table.rows.select(pl.struct(names).struct.json_encode()).to_series()

    def kept(self, columns: Mapping[str, pl.Series]) -> pl.DataFrame:
        """A frame of these columns without the rows that are set aside. ``row`` is the line number."""
        self.aside = [combined_set_aside([malformed_rows(self.table), *self.aside])]
        frame = pl.DataFrame({name: values.alias(name) for name, values in columns.items()})
        return frame.filter(~pl.col("row").is_in(rows_aside(self.aside[0]).implode()))

    def parsed(self, kind: str, unmatched: tuple[str, ...], **tables: Any) -> Parsed:
        """What the file gives, once ``kept`` has made its tables."""
        # What farm.toml says to ignore is kept in ``other`` and no question.
        ignored = {
            self.table.headers[m.position] for m in self.table.matched if m.kind == "none" and m.rank == 0
        }
        common = Parsed(
            kind,
            set_aside=self.aside[0],
            rows_read=self.table.rows_read,
            unmatched_columns=tuple(name for name in unmatched if name not in ignored),
            notes=tuple(dict.fromkeys(self.notes)),
            attention=tuple(dict.fromkeys(self.attention)),
        )
        return replace(common, **tables)


def begin(table: TextTable, farm: Farm) -> TableReader:
    """Start reading ``table``: find its decimal mark and take over its notes."""
    numeric = [m for m in table.matched if m.kind != "word" or m.target not in ("time", "date", "note")]
    columns = table.rows.select(table.headers[m.position] for m in numeric if m.kind != "none")
    # The first rows nearly always show it.
    mark = decimal_mark(columns[:_ROWS_THAT_SHOW_THE_MARK].select(pl.all().str.strip_chars()).get_columns())
    if mark is None and table.rows.height > _ROWS_THAT_SHOW_THE_MARK:
        mark = decimal_mark(columns.select(pl.all().str.strip_chars()).get_columns())
    if mark is None and table.separator == ";":
        mark = ","
    reader = TableReader(table, farm, farm.columns_of(table.file), mark, notes=list(table.notes))
    unknown = [m for m in table.matched if m.kind == "none" and m.rank and not m.note]
    # Looking for the nearest name takes milliseconds each.
    for column in unknown[:MOST_PROPOSED]:
        if len(column.header) <= LONGEST_HEADER and (may := proposed(column.header)) is not None:
            reader.notes.append(
                f"Column '{column.header}' is not understood. If it is {may}, say so in farm.toml, under names."
            )
    meant = set(stated_names(table.headers, reader.stated).values())
    if lacking := [name for name in reader.stated.names if name not in meant]:
        shown = ", ".join(f"'{name}'" for name in lacking[:5])
        reader.notes.append(f"farm.toml says what {shown} is, and the file has no such column.")
    return reader


def constant(reader: TableReader, name: str) -> str | None:
    """What farm.toml, or a line above the header, states for every row of the file."""
    stated = reader.stated.constants.get(name)
    if stated is not None:
        return str(stated)
    for line in reader.table.preamble:
        said = re.match(r"[\"\s]*([^:=;,\t]{2,40}?)\s*[:=;,\t]\s*\"?([^;,\t\"]+)", line[:LONGEST_STATED])
        found = recognise(said[1]) if said else None
        if said and found is not None and (found.kind, found.target) == ("word", name):
            reader.notes.append(f"The {name} is from the line '{line.strip()[:80]}' above the header.")
            return said[2].strip()
    return None


def read_names(reader: TableReader, word: str) -> pl.Series:
    """Machine, field or crop of each row as cleaned text, null where the file does not say."""
    column = reader.table.find("word", word)
    texts = reader.nulls() if column is None else cleaned_names(reader.table.raw(column))
    if column is not None and word in reader.stated.constants and texts.null_count() < len(texts):
        fills = "fills only its empty rows" if texts.null_count() else "is not used"
        reader.notes.append(
            f"The {word} that farm.toml states for the file {fills}, because column '{column.header}' gives it."
        )
    if texts.null_count() and (stated := constant(reader, word)) is not None:
        texts = texts.fill_null(cleaned_names(pl.Series([stated]))[0])
    return texts.alias(word)


def cleaned_names(texts: pl.Series) -> pl.Series:
    """Names without control characters and outer spaces; empty ones are null."""
    # A log repeats few names in many rows, and many small files the same ones.
    written = texts.unique(maintain_order=True)
    few = len(written) <= FEW_NAMES
    clean = pl.Series(map(_cleaned_name, written), dtype=pl.String) if few else _cleaned(written)
    if len(clean) == 1:
        return clean.new_from_index(0, len(texts))
    return texts.replace_strict(written, clean, return_dtype=clean.dtype)


@lru_cache(10_000)
def _cleaned_name(text: str | None) -> str | None:
    cleaned: str | None = _cleaned(pl.Series([text], dtype=pl.String))[0]
    return cleaned


def _cleaned(written: pl.Series) -> pl.Series:
    clean = written.str.replace_all(r"\s+", " ").str.replace_all(r"[\p{Cc}\p{Cf}]", "").str.strip_chars()
    return clean.set((clean == "") | is_missing(clean), None)


def read_machines(reader: TableReader) -> pl.Series:
    """The machine of each row by its own name (aliases resolved); a note where nothing names one."""
    machines = read_names(reader, "machine")
    aliases = reader.farm.machine_aliases()
    if aliases:
        machines = machines.str.to_lowercase().replace_strict(
            aliases, default=machines, return_dtype=pl.String
        )
    if machines.null_count():
        alone = list(reader.farm.machines)
        name = alone[0] if len(alone) == 1 else UNNAMED_MACHINE
        note = f"No machine is named in {counted(machines.null_count(), 'row')}, so '{name}' is used"
        if name == UNNAMED_MACHINE:
            bare = reader.table.file.rpartition("/")[2]
            note += f'; state the machine in farm.toml: [columns."{bare}"] constants = {{ machine = "..." }}.'
        else:
            note += ", the only one in farm.toml."
        reader.notes.append(note)
        machines = machines.fill_null(name)
    return machines.alias("machine")


def read_crops(reader: TableReader, machines: pl.Series) -> pl.Series:
    """The crop of each row by its declared name where known, else as logged; else the machine's default."""
    names = read_names(reader, "crop")
    known = {text: reader.farm.crop_named(text) for text in names.unique().drop_nulls().to_list()}
    names = names.replace_strict(known, default=None, return_dtype=pl.String)
    defaults = {name: m.crop for name, m in reader.farm.machines.items() if m.crop}
    if names.null_count() and defaults:
        named = {name: reader.farm.crop_named(crop) for name, crop in defaults.items()}
        names = names.fill_null(machines.replace_strict(named, default=None, return_dtype=pl.String))
    return names.alias("crop")


def read_times(reader: TableReader, machines: pl.Series) -> pl.Series:
    """The moment of each row, UTC; rows without a valid one are set aside under ``bad_time``.

    Raises ``UnreadableFile`` where the file has no time column.
    """
    table = reader.table
    time, date = table.find("word", "time"), table.find("word", "date")
    if time is None and date is None:
        raise UnreadableFile(
            table.file,
            "No column holds the time; name it 'time', or say in farm.toml which it is: "
            f'[columns."{table.file.rpartition("/")[2]}"] names = {{ "..." = "time" }}.',
        )
    first = time or date
    assert first is not None
    dates = table.texts(date) if time is not None and date is not None else None
    if date is None and (stated := constant(reader, "date")) is not None:
        dates = pl.repeat(stated, table.rows.height, dtype=pl.String, eager=True)
    return read_timestamps(reader, machines, first, dates).alias("time")


def read_timestamps(
    reader: TableReader,
    machines: pl.Series,
    column: Matched,
    dates: pl.Series | None = None,
    texts: pl.Series | None = None,
) -> pl.Series:
    """The moments in ``column``, UTC, wall clocks by the zone of their machine; invalid rows are set aside.

    ``dates``: the days, where ``column`` holds times of day. ``texts``: these, where they are part of its text.
    """
    texts = reader.table.texts(column) if texts is None else texts
    unit = _zone_word(column) or column.unit
    found = parse_timestamps(
        reader.table.file,
        texts,
        dates,
        unit,
        reader.stated,
        _month_leads(reader),
        reader.farm.day_first_by_others,
    )
    reader.notes.extend(found.notes)
    for sentence in found.asked:
        reader.alert(sentence)
    utc = plausible(found.utc.fill_null(_by_zones(reader, found.local, machines, _zone_named(unit))))
    if utc.null_count() == 0:
        return utc
    shown = texts if dates is None else dates + " " + texts
    lacking = is_missing(shown)
    reader.set_aside(utc.is_null() & lacking, "bad_time", column.header, shown, "The row has no time.")
    reader.set_aside(
        utc.is_null() & ~lacking,
        "bad_time",
        column.header,
        shown,
        "'{}' is not a valid date and time between 1990 and 2100.",
    )
    return utc


def _month_leads(reader: TableReader) -> bool | None:
    """Whether the file is from a country that writes the month first, by its units or places; None: no evidence.

    Miles, pounds, bushels, feet and inches are units of the United States; so are places between 24 and 49.5 degrees
    north and 67 and 125 degrees west.
    """
    units = {(m.unit or "").casefold() for m in reader.table.matched}
    if units & _US_UNITS:
        return True
    north, east = (reader.table.find("channel", name) for name in ("latitude", "longitude"))
    if north is None or east is None:
        return None
    latitude, longitude = (reader.plain(column) for column in (north, east))
    if latitude is None or longitude is None:
        return None
    here = latitude.median(), longitude.median()
    if not all(isinstance(one, float) for one in here) or here == (0.0, 0.0):
        return None
    return bool(24 <= here[0] <= 49.5 and -125 <= here[1] <= -67)  # type: ignore[operator]


def _zone_word(column: Matched) -> str | None:
    words = re.split(r"[^a-z]+", column.header.lower())
    return "UTC" if {"utc", "gmt", "zulu"} & set(words) else None


def _zone_named(unit: str | None) -> str | None:
    """The zone in brackets behind a time column, as in ``Time (Europe/Berlin)``."""
    return unit if unit and "/" in unit and unit in available_timezones() else None


def _by_zones(reader: TableReader, local: pl.Series, machines: pl.Series, in_header: str | None) -> pl.Series:
    """Wall-clock times to UTC, machine by machine in the order of the file."""
    utc = pl.repeat(None, len(local), dtype=pl.Datetime("us", "UTC"), eager=True)
    if local.null_count() == len(local):
        return utc
    for machine in machines.filter(local.is_not_null()).unique(maintain_order=True):
        mine = machines == machine
        zone = reader.stated.time_zone or in_header or reader.farm.zone_of(machine)
        if zone is None:
            note = "Times have no offset and no time zone is stated; they were read as UTC."
            if note not in reader.notes:
                reader.notes.append(note)
        part, notes = to_utc(local.filter(mine), zone or "UTC")
        reader.notes.extend(notes)
        utc = part if mine.all() else utc.scatter(mine.arg_true(), part)
    return utc
