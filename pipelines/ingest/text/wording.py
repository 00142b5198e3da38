"""Numbers in sentences."""

from __future__ import annotations


def counted(number: int, thing: str) -> str:
    """``1 row``, ``2 rows``, ``4,949 rows``."""
    return f"{number:,} {thing if number == 1 else thing + 's'}"
