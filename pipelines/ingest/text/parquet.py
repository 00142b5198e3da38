"""A Parquet file as a table of texts, so that it is matched and converted as a CSV is."""

from __future__ import annotations

import io

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.text.headers import match_columns
from chaffinch.pipelines.ingest.text.text_table import TextTable


def read_parquet_table(file: str, content: bytes, farm: Farm) -> TextTable:
    """Read ``content`` as Parquet; row 1 is the first row. Raises ``UnreadableFile``."""
    try:
        frame = pl.read_parquet(io.BytesIO(content))
    except (pl.exceptions.PolarsError, OSError, ValueError) as error:
        reason = str(error).splitlines()[0][:120]
        raise UnreadableFile(file, f"The Parquet file is damaged ({reason}); export it again.") from None
    rows = frame.select(_as_text(pl.col(name), kind) for name, kind in frame.schema.items())
    headers = tuple(frame.columns)
    matched = tuple(match_columns(file, headers, farm.columns_of(file)))
    lines = pl.arange(1, frame.height + 1, eager=True).alias("line")
    malformed = pl.DataFrame(schema={"line": pl.Int64, "text": pl.String})
    notes = tuple(m.note for m in matched if m.note)
    return TextTable(file, headers, matched, rows, lines, malformed, "\t", "Parquet", 0, (), notes)


def _as_text(column: pl.Expr, kind: pl.DataType) -> pl.Expr:
    """Texts that the readers of texts understand; nested values as JSON."""
    if isinstance(kind, pl.Datetime):
        if kind.time_zone is None:
            return column.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
        return column.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    if isinstance(kind, (pl.Struct, pl.List, pl.Array)):
        return pl.struct(column).struct.json_encode().alias(column.meta.output_name())
    if isinstance(kind, pl.Binary):
        return column.bin.encode("hex")
    return column.cast(pl.String)
