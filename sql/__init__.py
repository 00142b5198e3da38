"""Questions put to the tables of a lake, one file each, named for the question; DuckDB answers them.

The first line of every file says what one row of the answer is.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb
    import polars as pl

VIEWS = ("readings_with_settings", "settings_in_use", "loss_by_setting_and_moisture", "season_overview")


def load(name: str) -> str:
    """Text of the query ``name`` (without ``.sql``)."""
    return files("chaffinch.sql").joinpath(f"{name}.sql").read_text(encoding="utf-8")


def one_row(name: str) -> str:
    """What one row of the answer to ``name`` is: the first line of its file."""
    return load(name).partition("\n")[0].removeprefix("--").strip().rstrip(".")


def run_query(name: str, tables: Mapping[str, pl.DataFrame], order: str = "") -> pl.DataFrame:
    """The answer to query ``name`` over ``tables``, named as in its file. ``order``: columns to sort by."""
    with connect() as session:
        for relation, frame in tables.items():
            session.register(relation, frame.to_arrow())
        found = session.sql(load(name))
        return (found.order(order) if order else found).pl()


def connect() -> duckdb.DuckDBPyConnection:
    """DuckDB in memory: no extension is loaded or fetched, no variable of the program is a table, times are UTC."""
    import duckdb

    # Extensions first: they are what a later setting could want to load.
    session = duckdb.connect(
        ":memory:", config={"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    )
    session.execute("set python_enable_replacements = false; set TimeZone = 'UTC'")
    return session
