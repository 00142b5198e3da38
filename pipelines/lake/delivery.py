"""One file of an inbox as it goes into the lake, and the row of ``deliveries`` that it becomes."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import polars as pl
from chaffinch.pipelines.parsed import Parsed

ID_LENGTH = 16
# The tables that a delivery fills; ``deliveries`` itself is the ledger.
DATA_TABLES = ("readings", "adjustments", "loss_checks", "load_tickets", "trials", "fields", "set_aside")
# Made from them for each field job (machine and field, or machine and day); ``effects`` is made from all of these.
DERIVED_TABLES = ("work", "bins", "field_jobs")
# Tables that are estimated together with ``effects``.
ESTIMATED_WITH_EFFECTS = ("responses", "loss_curves", "season_fits")
# Of a season's history; it follows from the other tables and decides nothing that anybody reads.
KEPT_FITS = "season_fits"
TAKEN_IN = "taken in"
WITH_ASIDE = "taken in with rows set aside"
UNREADABLE = "could not be read"
RETRACTED = "retracted"
# All its rows are in another delivery as well.
REPEATED = "repeated"


@dataclass(frozen=True, slots=True)
class Delivery:
    """A file that was read and judged, or that could not be read (``parsed`` None, ``reason`` a sentence).

    ``replaces``: identifiers of deliveries that this one corrects. ``read_with``: digest of what decided how
    the file was read. ``stated``: the text of a farm.toml.
    """

    name: str
    sha256: str
    size_bytes: int
    parsed: Parsed | None
    reason: str | None = None
    judgement: str | None = None
    findings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    read_with: str = ""
    stated: str | None = None
    replaces: tuple[str, ...] = field(default=())

    @property
    def id(self) -> str:
        """The identifier: the first 16 hexadecimal digits of the content hash. Safe as part of a path."""
        return delivery_id(self.sha256)

    @property
    def rows(self) -> int:
        """Rows over all tables, which is what a write costs in memory."""
        return sum(frame.height for frame in self.frames().values())

    @property
    def status(self) -> str:
        if self.parsed is None:
            return UNREADABLE
        aside = self.parsed.set_aside
        return WITH_ASIDE if aside is not None and aside.height else TAKEN_IN

    @property
    def rows_set_aside(self) -> int:
        """Distinct rows of the file that were set aside whole."""
        return self.parsed.rows_set_aside if self.parsed else 0

    def frames(self) -> dict[str, pl.DataFrame]:
        """The rows of each table, without ``delivery`` and ``file``; tables without rows are left out."""
        if self.parsed is None:
            return {}
        found = {name: getattr(self.parsed, name) for name in DATA_TABLES}
        return {name: frame for name, frame in found.items() if frame is not None and frame.height}

    def ledger_row(self, taken_in_at: datetime) -> dict[str, Any]:
        """The row of ``deliveries``."""
        parsed, frames = self.parsed, self.frames()
        first, last = _span(frames)
        return {
            "delivery": self.id,
            "name": self.name,
            "other_names": [],
            "content_sha256": self.sha256,
            "size_bytes": self.size_bytes,
            "kind": parsed.kind if parsed else "unknown",
            "status": self.status,
            "reason": self.reason,
            "rows_read": parsed.rows_read if parsed else 0,
            "rows_kept": parsed.rows_read - self.rows_set_aside if parsed else 0,
            "rows_set_aside": self.rows_set_aside,
            "machines": _names(frames, "machine"),
            "fields": _names(frames, "field"),
            "first_time": first,
            "last_time": last,
            "unmatched_columns": list(parsed.unmatched_columns) if parsed else [],
            "notes": [*(parsed.notes if parsed else ()), *self.notes],
            "judgement": self.judgement,
            "findings": list(self.findings),
            "rows_stored": json.dumps({name: frame.height for name, frame in frames.items()}),
            "read_with": self.read_with,
            "stated": self.stated,
            "repeats": None,
            "taken_in_at": taken_in_at,
        }


def delivery_id(sha256: str) -> str:
    """The identifier of content with this hash. Raises ``ValueError`` on anything but a hexadecimal hash."""
    start = sha256[:ID_LENGTH].lower()
    if len(start) != ID_LENGTH or not set(start) <= set("0123456789abcdef"):
        raise ValueError(f"'{sha256}' is not a SHA-256 in hexadecimal digits")
    return start


def _names(frames: dict[str, pl.DataFrame], column: str) -> list[str]:
    """Distinct names in ``column`` over all tables, sorted."""
    named = [f[column] for f in frames.values() if column in f.columns]
    return sorted({name for names in named for name in names.drop_nulls().unique().to_list()})


def _span(frames: dict[str, pl.DataFrame]) -> tuple[datetime | None, datetime | None]:
    times = [f["time"].drop_nulls() for f in frames.values() if "time" in f.columns]
    times = [t for t in times if t.len()]
    if not times:
        return None, None
    return min(t.min() for t in times), max(t.max() for t in times)  # type: ignore[type-var, return-value]
