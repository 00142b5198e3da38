"""A table of texts from the lines of a file: separator, header, units row, well-formed rows, line numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile, counted
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.inbox.guard import require_affordable
from chaffinch.pipelines.ingest.text.decode import LONGEST_LINE_BYTES, Lines
from chaffinch.pipelines.ingest.text.headers import Matched, match_columns, recognise
from chaffinch.pipelines.ingest.text.plain_rows import plain_rows
from chaffinch.schemas.declarations import letters_and_digits
from chaffinch.schemas.units import looks_like_unit

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
LINES_SEARCHED_FOR_HEADER = 100
LINES_OF_ONE_QUOTED_FIELD = 50
MOST_COLUMNS = 20_000
MOST_BLANK_AT_THE_END = 50
_QUOTED = "\x01"
# A line is as long as ``decode`` lets it be, and so is a field.
csv.field_size_limit(LONGEST_LINE_BYTES)
# What a row of units says under columns without one: the form of the time, or the kind of text.
_FORM_WORD = re.compile(r"(?i)utc|gmt|text|string|name|id|none|bool|0/1|[ydmhs]{1,4}([-:./ t][ydmhs]{1,4})+")


@dataclass(frozen=True, slots=True)
class TextTable:
    """A file as texts. ``rows``: one text column per header; ``lines``: line number of each row.

    ``malformed``: rows with the wrong number of fields, columns line and text. ``matched``: what each column
    is. ``preamble``: the lines above the header.
    """

    file: str
    headers: tuple[str, ...]
    matched: tuple[Matched, ...]
    rows: pl.DataFrame
    lines: pl.Series
    malformed: pl.DataFrame
    separator: str
    encoding: str
    header_line: int
    preamble: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def rows_read(self) -> int:
        """Rows of data in the file, well-formed or not."""
        return self.rows.height + self.malformed.height

    def find(self, kind: str, target: str) -> Matched | None:
        """The column that is ``target``, or None."""
        return next((m for m in self.matched if m.kind == kind and m.target == target), None)

    def raw(self, column: Matched) -> pl.Series:
        """The texts of ``column`` as written."""
        return self.rows[self.headers[column.position]]

    def texts(self, column: Matched) -> pl.Series:
        """The texts of ``column``, without surrounding spaces."""
        return self.raw(column).str.strip_chars()


def read_text_table(file: str, lines: Lines, stated: FileColumns) -> TextTable:
    """Find the table in ``lines``. Raises ``UnreadableFile`` where no header is recognised."""
    head = lines.head(LINES_SEARCHED_FOR_HEADER + 1)
    separator, at = _find_header(file, head[:LINES_SEARCHED_FOR_HEADER], lines.is_text, stated)
    first = fields_of(head[at], separator)
    if len(first) > MOST_COLUMNS:
        raise UnreadableFile(file, f"The header has {len(first)} columns; at most {MOST_COLUMNS} are read.")
    headers = _distinct([h.strip().strip("\ufeff") for h in first])
    units, below = _units_row(head[at + 1 : at + 2], at, separator, headers)
    matched = match_columns(file, headers, stated, units)
    _require_affordable_rows(file, lines.content, separator, headers)
    rows, kept, malformed, repeated = _rows(lines, below, head[at], separator, headers)
    notes = list(lines.notes)
    if units:
        notes.append(f"Line {at + 2} holds the units of the columns.")
    if repeated:
        notes.append(
            f"The header is repeated on {counted(repeated, 'line')} inside the table, not counted as data."
        )
    preamble = tuple(t for t in head[:at] if t.strip())
    if preamble:
        shown = " / ".join(preamble)
        notes.append(f"Above the header, {counted(len(preamble), 'line')}: {shown[:300]}")
    if rows.height == 0 and malformed.height > 0:
        if malformed["text"].str.contains("\0", literal=True).all():
            raise UnreadableFile(
                file,
                f"It holds no readable row: all {malformed.height:,} contain zero bytes. Export it again.",
            )
        raise UnreadableFile(
            file,
            f"The header (line {at + 1}) has {counted(len(headers), 'column')}; no row below it "
            f"({counted(malformed.height, 'row')} in all) has as many. If numbers have decimal commas, export with "
            "semicolons between the columns; else export the log again.",
        )
    notes.extend(m.note for m in matched if m.note)
    return TextTable(
        file, tuple(headers), tuple(matched), rows, kept, malformed,
        separator, lines.encoding, at + 1, preamble, tuple(notes),
    )  # fmt: skip


def fields_of(line: str, separator: str) -> list[str]:
    """The fields of one line, quoted or not."""
    try:
        return next(csv.reader(io.StringIO(line), delimiter=separator), [])
    except csv.Error:
        return line.split(separator)


def _find_header(file: str, head: Sequence[str], is_text: bool, stated: FileColumns) -> tuple[str, int]:
    """Separator and index of the line of ``head`` that names the most known columns."""
    known = {letters_and_digits(name) for name in stated.names}
    best, place = 0, ("", -1)
    for at, line in enumerate(head):
        for separator in SEPARATORS:
            if separator not in line:
                continue
            fields = fields_of(line, separator)
            names = {f.strip() for f in fields if 0 < len(f) <= 80 and (known or any(map(str.isalpha, f)))}
            if len(names) <= best:
                continue
            score = sum(letters_and_digits(n) in known or recognise(n).kind != "none" for n in names)
            if score > best:
                best, place = score, (separator, at)
    if best >= 2 or (best == 1 and not any(line.strip() for line in head[: place[1]])):
        return place
    if not is_text:
        raise UnreadableFile(
            file, "The file is neither text nor task data nor Parquet; export the log as CSV."
        )
    seen = next((line for line in head if line.strip()), "")[:120]
    raise UnreadableFile(
        file,
        f"None of the first {LINES_SEARCHED_FOR_HEADER} lines names the columns of a log (first: {seen!r}). "
        "Name them as in the documentation, or say in farm.toml what they are.",
    )


def _distinct(headers: Sequence[str]) -> list[str]:
    """Headers as column names: blanks become ``column 3``, repeats ``speed (2)``."""
    taken: set[str] = set()
    copies: dict[str, int] = {}
    names: list[str] = []
    for position, header in enumerate(headers, start=1):
        name = first = header or f"column {position}"
        while name in taken:
            copies[first] = copies.get(first, 1) + 1
            name = f"{first} ({copies[first]})"
        taken.add(name)
        names.append(name)
    return names


def _units_row(
    under: Sequence[str], at: int, separator: str, headers: Sequence[str]
) -> tuple[list[str | None], int]:
    """Units in the line under the header at ``at``, and the index of the first line of data."""
    if not under:
        return [], at + 1
    cells = [c.strip().strip("[](){}").strip() for c in fields_of(under[0], separator)]
    if len(cells) != len(headers):
        return [], at + 1
    filled = [(h, c) for h, c in zip(headers, cells, strict=True) if c not in ("", "-", "--")]
    if not all(looks_like_unit(c) or _FORM_WORD.fullmatch(c) for _, c in filled):
        return [], at + 1
    named = (recognise(header) for header, cell in filled if looks_like_unit(cell))
    if not any(column.kind in ("channel", "setting") or column.wanted_unit for column in named):
        return [], at + 1
    return [c if looks_like_unit(c) or c.upper() == "UTC" else None for c in cells], at + 2


def _require_affordable_rows(file: str, content: bytes, separator: str, headers: Sequence[str]) -> None:
    """Raises ``UnreadableFile`` for more fields than a file may have, counting those that rows are filled up with."""
    lines = content.count(b"\n") + 1
    fields = content.count(separator.encode()) + lines * (1 + _blank_tail(headers))
    require_affordable(file, -(-fields // len(headers)), len(headers))


def _rows(
    lines: Lines, start: int, header: str, separator: str, headers: Sequence[str]
) -> tuple[pl.DataFrame, pl.Series, pl.DataFrame, int]:
    """Rows from line index ``start`` on, their line numbers, malformed rows, and repeated headers."""
    rows = plain_rows(lines, start, separator, header, headers)
    if rows is not None:
        none = pl.DataFrame(schema={"line": pl.Int64(), "text": pl.String()})
        return rows, pl.arange(start + 1, start + 1 + rows.height, eager=True), none, 0
    body, numbers, repeated = _body(lines.text, start, header, separator)
    return *_well_formed(body, numbers, separator, headers), repeated


def _body(text: pl.Series, start: int, header: str, separator: str) -> tuple[pl.Series, pl.Series, int]:
    """Lines of data with their numbers, blank lines and repeated headers left out."""
    frame = pl.DataFrame({"line": pl.arange(start + 1, len(text) + 1, eager=True), "text": text[start:]})
    # A line of separators alone is what spreadsheets leave below a table; there is nothing in it.
    frame = frame.filter(pl.col("text").str.strip_chars(f' \t\x0c"{separator}') != "")
    again = frame["text"].str.strip_chars() == header.strip()
    frame = _join_quoted(frame.filter(~again), separator, len(fields_of(header, separator)))
    return frame["text"], frame["line"], int(again.sum())


def _join_quoted(frame: pl.DataFrame, separator: str, expected: int) -> pl.DataFrame:
    """Join lines that one quoted field spans. A quote that nothing closes soon stays in its own line."""
    texts = frame["text"]
    bare = _unquoted(texts, separator)
    opened = _opened(bare, separator)
    starts = opened.arg_true().to_list()
    if not starts:
        return frame
    row_by_itself = ~opened & (bare.str.count_matches(separator, literal=True) + 1 == expected)
    closing = texts.str.contains(rf"\"\s*({re.escape(separator)}|$)")
    drop: set[int] = set()
    joined: dict[int, str] = {}
    for start in starts:
        if start in drop:
            continue
        stop = min(start + LINES_OF_ONE_QUOTED_FIELD, len(texts))
        end = next((i for i in range(start + 1, stop) if closing[i]), None)
        whole = "\n".join(texts[start : end + 1].to_list()) if end is not None else ""
        # Only a row that comes out whole is joined: a lone quote must not swallow the rows below it.
        swallows = end is not None and row_by_itself[start + 1 : end + 1].any()
        if end is not None and not swallows and len(fields_of(whole, separator)) == expected:
            joined[start] = whole
            drop.update(range(start + 1, end + 1))
    index = pl.arange(len(texts), eager=True)
    texts = texts.scatter(list(joined), list(joined.values())) if joined else texts
    return frame.with_columns(texts.alias("text")).filter(~index.is_in(sorted(drop)))


def _unquoted(text: pl.Series, separator: str) -> pl.Series:
    """``text`` with a mark for each whole quoted field, so that separators and quotes left are bare."""
    sep = re.escape(separator)
    if not text.str.contains('"', literal=True).any():
        return text
    return text.str.replace_all(rf"(^|{sep})[ ]*\"(?:[^\"]|\"\")*\"[ ]*", f"${{1}}{_QUOTED}")


def _opened(bare: pl.Series, separator: str) -> pl.Series:
    """Where a quote opens a field and nothing closes it. ``bare``: as ``_unquoted`` gives it."""
    if not bare.str.contains('"', literal=True).any():
        return pl.repeat(False, len(bare), eager=True)
    return bare.str.contains(rf"(^|{re.escape(separator)})\s*\"|{_QUOTED}\"")


def _well_formed(
    text: pl.Series, lines: pl.Series, separator: str, headers: Sequence[str]
) -> tuple[pl.DataFrame, pl.Series, pl.DataFrame]:
    """Split rows into those with the header's number of fields and the rest."""
    expected = len(headers)
    text, unquotable = _requoted(text, separator)
    text = _mend_tails(text, separator, expected, _blank_tail(headers))
    bare = _unquoted(text, separator)
    opened = _opened(bare, separator)
    fields = bare.str.count_matches(separator, literal=True).cast(pl.Int64) + 1
    good = (fields == expected) & ~opened & ~unquotable & ~text.str.contains("\0", literal=True)
    rows = _parse(text.filter(good), separator, headers)
    return rows, lines.filter(good), pl.DataFrame({"line": lines.filter(~good), "text": text.filter(~good)})


def _requoted(text: pl.Series, separator: str) -> tuple[pl.Series, pl.Series]:
    """Rows with quotes in odd places (``12" header``) written the strict way, others as they are.

    Second: where quotes are in such places that the row can't be read.
    """
    sep = re.escape(separator)
    unquotable = pl.repeat(False, len(text), eager=True)
    if not text.str.contains('"', literal=True).any():
        return text, unquotable
    bare = _unquoted(text, separator)
    loose = text.str.contains(rf"(^|{sep})[ ]+\"|\"[ ]+({sep}|$)")
    odd = (bare.str.contains('"', literal=True) | bare.str.contains(rf"{_QUOTED}[^{sep}]") | loose).arg_true()
    found = {i: _strictly_quoted(text[i], separator) for i in odd.to_list()}
    rewritten = {i: line for i, line in found.items() if line is not None}
    unquotable = unquotable.scatter([i for i, line in found.items() if line is None], True)
    return text.scatter(list(rewritten), list(rewritten.values())) if rewritten else text, unquotable


def _strictly_quoted(line: str, separator: str) -> str | None:
    """``line`` with every field in quotes; None where a quote that opens a field is never closed."""
    options = {"delimiter": separator, "skipinitialspace": True}
    try:
        fields = next(csv.reader(io.StringIO(line), strict=True, **options))  # type: ignore[arg-type]
    except csv.Error as error:
        if "end of data" in str(error):
            return None
        try:
            fields = next(csv.reader(io.StringIO(line), **options))  # type: ignore[arg-type]
        except csv.Error:
            return None
    return separator.join('"' + f.strip().replace('"', '""') + '"' for f in fields)


def _mend_tails(text: pl.Series, separator: str, expected: int, blank_tail: int) -> pl.Series:
    """Give rows the expected number of fields where only empty fields at their end differ."""
    frame = pl.DataFrame({"text": text, "bare": _unquoted(text, separator)})
    fields = pl.col("bare").str.count_matches(separator, literal=True).cast(pl.Int64) + 1
    frame = frame.with_columns(fields=fields)
    if (frame["fields"] == expected).all():
        return text
    tail = rf"(?:{re.escape(separator)}[ ]*)+$"
    frame = frame.with_columns(cut=pl.col("text").str.replace(tail, ""))
    left = pl.Series("left", _unquoted(frame["cut"], separator).str.count_matches(separator, literal=True))
    frame = frame.with_columns(left=left.cast(pl.Int64) + 1)
    longer = (pl.col("fields") > expected) & (pl.col("left") <= expected)
    shorter = (pl.col("fields") < expected) & (pl.col("fields") >= expected - blank_tail)
    # A row of empty fields alone is cut to one field, so the missing separators follow from what is left.
    missing = pl.when(longer).then(expected - pl.col("left")).otherwise(expected - pl.col("fields"))
    kept = pl.when(longer).then(pl.col("cut")).otherwise(pl.col("text"))
    padded = kept + pl.lit(separator).repeat_by(missing.clip(0)).list.join("")
    return frame.select(pl.when(longer | shorter).then(padded).otherwise(pl.col("text"))).to_series()


def _blank_tail(headers: Sequence[str]) -> int:
    """How many columns at the end have no name, as far as rows may lack them."""
    blank = next((i for i, h in enumerate(reversed(headers)) if not re.fullmatch(r"column \d+", h)), 0)
    return min(blank, MOST_BLANK_AT_THE_END)


def _parse(text: pl.Series, separator: str, headers: Sequence[str]) -> pl.DataFrame:
    schema = dict.fromkeys(headers, pl.String())
    if text.len() == 0:
        return pl.DataFrame(schema=schema)
    quoted = text.str.contains('"', literal=True).any()
    content = text.str.join("\n")[0].encode()
    return pl.read_csv(
        content, has_header=False, separator=separator, quote_char='"' if quoted else None,
        schema=schema, empty_string_is_null=False, missing_columns="insert",
    )  # fmt: skip
