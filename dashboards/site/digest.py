"""One digest of texts and tables: what a page was made from."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import sha256

import polars as pl


def digest_of(parts: Iterable[str | pl.DataFrame]) -> str:
    """One digest of texts and tables; times of computing and ingesting do not count."""
    total = sha256()
    for part in parts:
        if isinstance(part, pl.DataFrame):
            part = part.drop("computed_at", "taken_in_at", strict=False).write_ndjson()
        total.update(f"{len(part)}:".encode() + part.encode("utf-8", "surrogatepass"))
    return total.hexdigest()[:32]
