"""The short way from bytes to a table of texts, for files in which every line is a whole row.

That is nearly every log. Anything else (quotes, zero bytes, blank lines, a row with a field too many or too
few) makes it give up, and ``text_table`` looks at the file line by line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl


def plain_rows(body: bytes, separator: str, header: str, headers: Sequence[str]) -> pl.DataFrame | None:
    """The rows of ``body``, one text column per header; None where a line needs a closer look.

    ``body``: UTF-8 below the header line ``header``, lines ended by line feeds.
    """
    import polars as pl

    if not body or any(odd in body for odd in (b'"', b"\0", b"\r", header.strip().encode())):
        return None
    if not body.endswith(b"\n"):
        # Without it the reader passes over a field too many in the last row.
        body += b"\n"
    rows = body.count(b"\n")
    # The reader fills short rows up and refuses long ones, so the right sum means that every row is whole.
    if body.count(separator.encode()) != rows * (len(headers) - 1):
        return None
    try:
        frame = pl.read_csv(
            body, has_header=False, separator=separator, quote_char=None,
            schema=dict.fromkeys(headers, pl.String()), empty_string_is_null=False,
        )  # fmt: skip
    except pl.exceptions.PolarsError:
        return None
    return None if frame.height != rows or _has_blank_row(frame) else frame


def _has_blank_row(frame: pl.DataFrame) -> bool:
    """Whether a row has nothing in any field, as spreadsheets leave them below a table."""
    import polars as pl

    nothing = pl.all().str.strip_chars(" \t\x0c") == ""
    first = frame.columns[0]
    likely = frame.filter(frame[first].str.strip_chars(" \t\x0c") == "")
    return bool(likely.select(pl.all_horizontal(nothing)).to_series().any())
