"""Questions put to the tables, one file each, named for the question; DuckDB answers them.

The first line of every file says what one row of the answer is.
"""

from importlib.resources import files


def load(name: str) -> str:
    """Text of the query ``name`` (without ``.sql``)."""
    return files("chaffinch.sql").joinpath(f"{name}.sql").read_text(encoding="utf-8")
