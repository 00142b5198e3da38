"""The short way from bytes to a table of texts, for files in which every line is a whole row.

That is nearly every log. Anything else (quotes, zero bytes, blank lines, a row with a field too many or too
few) makes it give up, and ``text_table`` looks at the file line by line.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
from chaffinch.pipelines.ingest.text.decode import Lines


def plain_rows(
    lines: Lines, first: int, separator: str, header: str, headers: Sequence[str]
) -> pl.DataFrame | None:
    """The rows from line index ``first`` on, one text column per header; None where a line needs a closer look.

    ``header``: the header line, which may come again further down.
    """
    content, start = lines.content, lines.start_of(first)
    odd_ones = (b'"', b"\0", b"\r", header.strip().encode())
    if start == len(content) or any(content.find(odd, start) >= 0 for odd in odd_ones):
        return None
    if not content.endswith(b"\n"):
        # Without it the reader passes over a field too many in the last row.
        content += b"\n"
    rows = content.count(b"\n", start)
    # The reader fills short rows up and refuses long ones, so the right sum means that every row is whole.
    if content.count(separator.encode(), start) != rows * (len(headers) - 1):
        return None
    try:
        frame = pl.read_csv(
            content, has_header=False, skip_lines=first, separator=separator, quote_char=None,
            schema=dict.fromkeys(headers, pl.String()), empty_string_is_null=False,
        )  # fmt: skip
    except pl.exceptions.PolarsError:
        return None
    return None if frame.height != rows or _has_blank_row(frame) else frame


def _has_blank_row(frame: pl.DataFrame) -> bool:
    """Whether a row has nothing in any field, as spreadsheets leave them below a table."""
    nothing = pl.all().str.strip_chars(" \t\x0c") == ""
    first = frame.columns[0]
    likely = frame.filter(frame[first].str.strip_chars(" \t\x0c") == "")
    return bool(likely.select(pl.all_horizontal(nothing)).to_series().any())
