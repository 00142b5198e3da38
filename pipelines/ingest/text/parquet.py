"""A Parquet file as a table of texts, so that it is matched and converted as a CSV is.

A few bytes of Parquet may stand for any number of rows, and its decoders crash on some damage: the file is decoded
in a child with a limit (``bounded``), after a look at what it says of itself.
"""

from __future__ import annotations

import io

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.inbox.guard import LARGEST_TABLE_BYTES, require_affordable
from chaffinch.pipelines.ingest.text.headers import match_columns
from chaffinch.pipelines.ingest.text.text_table import MOST_COLUMNS, TextTable
from chaffinch.pipelines.parallel.bounded import TooMuch, bounded


def read_parquet_table(file: str, content: bytes, farm: Farm) -> TextTable:
    """Read ``content`` as Parquet; row 1 is the first row. Raises ``UnreadableFile``."""
    try:
        rows = bounded(decoded, file, content)
    except TooMuch as error:
        raise UnreadableFile(
            file, f"The Parquet file can't be read: {error}. Export it again, by day."
        ) from None
    headers = tuple(rows.columns)
    matched = tuple(match_columns(file, headers, farm.columns_of(file)))
    lines = pl.arange(1, rows.height + 1, eager=True).alias("line")
    malformed = pl.DataFrame(schema={"line": pl.Int64, "text": pl.String})
    notes = tuple(m.note for m in matched if m.note)
    return TextTable(file, headers, matched, rows, lines, malformed, "\t", "Parquet", 0, (), notes)


def decoded(file: str, content: bytes) -> pl.DataFrame:
    """Every column as texts. Raises ``UnreadableFile`` where it is damaged or too large."""
    import pyarrow.parquet as pq

    try:
        about = pq.ParquetFile(io.BytesIO(content)).metadata
        columns = [
            about.row_group(group).column(column)
            for group in range(about.num_row_groups)
            for column in range(min(about.num_columns, MOST_COLUMNS))
        ]
        # Lists hold several values a row.
        cells = max(about.num_rows * about.num_columns, sum(column.num_values for column in columns))
        require_affordable(file, -(-cells // max(about.num_columns, 1)), about.num_columns)
        if (
            about.num_columns > MOST_COLUMNS
            or sum(c.total_uncompressed_size for c in columns) > LARGEST_TABLE_BYTES
        ):
            raise _too_large(file)
        frame = pl.read_parquet(io.BytesIO(content))
        rows = frame.select(_as_text(pl.col(name), kind) for name, kind in frame.schema.items())
    except (pl.exceptions.PolarsError, OSError, ValueError) as error:
        reason = str(error).splitlines()[0][:120]
        raise UnreadableFile(file, f"The Parquet file is damaged ({reason}); export it again.") from None
    # A text that is stored once may stand in every row.
    letters = (
        rows.select(pl.all().str.len_bytes().cast(pl.Int64).sum()).sum_horizontal().sum() if rows.width else 0
    )
    if letters > LARGEST_TABLE_BYTES:
        raise _too_large(file)
    return rows


def _too_large(file: str) -> UnreadableFile:
    return UnreadableFile(
        file,
        f"It unpacks to more than {LARGEST_TABLE_BYTES >> 20} MiB, more than any log has; export it by day.",
    )


def _as_text(column: pl.Expr, kind: pl.DataType) -> pl.Expr:
    """Texts that the readers of texts understand; durations in seconds, nested values as JSON."""
    if isinstance(kind, pl.Datetime):
        if kind.time_zone is None:
            return column.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
        return column.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    if isinstance(kind, pl.Duration):
        return (column.dt.total_nanoseconds() / 1e9).cast(pl.String)
    if isinstance(kind, (pl.Struct, pl.List, pl.Array)):
        return pl.struct(column).struct.json_encode().alias(column.meta.output_name())
    if isinstance(kind, pl.Binary):
        return column.bin.encode("hex")
    return column.cast(pl.String)
