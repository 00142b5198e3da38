"""Contracts of the lake: ``tables.toml`` declares every table and column once; everything else derives from it."""

from __future__ import annotations

import tomllib
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from chaffinch.schemas.declarations import OUTCOMES, channels, declared_text, settings

if TYPE_CHECKING:
    import polars as pl

# What stands for a setting in `effects` where a step was found that no log explains.
NOT_LOGGED = "not logged"
# Outcomes of which more is better; of all others less is.
HIGHER_IS_BETTER = ("throughput", "capacity")
VERDICTS = ("less", "more", "no clear change", "cannot tell")


@dataclass(frozen=True, slots=True)
class Column:
    """``kind``: text, number, whole, flag (0/1), moment (UTC, microseconds), texts (list of text)."""

    name: str
    kind: str
    meaning: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    partition: tuple[str, ...] = ()
    owner: str = ""
    """Column whose values name the rows that are written and taken out together."""

    def polars_schema(self) -> dict[str, pl.DataType]:
        """Column name to Polars type, in contract order."""
        import polars as pl

        types: dict[str, pl.DataType] = {
            "text": pl.String(),
            "number": pl.Float64(),
            "whole": pl.Int64(),
            "flag": pl.Int8(),
            "moment": pl.Datetime("us", "UTC"),
            "texts": pl.List(pl.String()),
        }
        return {column.name: types[column.kind] for column in self.columns}

    def empty(self) -> pl.DataFrame:
        """No rows, every column of the contract."""
        import polars as pl

        return pl.DataFrame(schema=self.polars_schema())

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """``frame`` with exactly the contract's columns, order and types; absent columns null.

        Raises ``ValueError`` on a column that the contract lacks: silently dropping it would lose data.
        """
        strange = [name for name in frame.columns if name not in self.polars_schema()]
        if strange:
            raise ValueError(f"table {self.name} has no column {', '.join(strange)}")
        return frame.select(self.expressions(frame.columns))

    def expressions(self, present: Collection[str]) -> list[pl.Expr]:
        """The contract's columns and types of a frame with the columns ``present``; absent ones null."""
        import polars as pl

        return [
            (pl.col(name) if name in present else pl.lit(None)).cast(kind).alias(name)
            for name, kind in self.polars_schema().items()
        ]


@cache
def tables() -> dict[str, Table]:
    """By name, as ``tables.toml`` declares them."""
    declared: dict[str, dict[str, Any]] = tomllib.loads(declared_text("tables.toml"))
    groups = {name: [Column(**one) for one in columns] for name, columns in declared.pop("groups").items()}
    flags = ("working", "unloading")
    groups["channels"] = [
        Column(c.name, "flag" if c.name in flags else "number", c.meaning) for c in channels().values()
    ]
    for group, what in (("set_values", "set value"), ("settings_in_force", "in force")):
        groups[group] = [
            Column(s.column, "number" if s.kind == "number" else "text", f"{what}: {s.label}")
            for s in settings().values()
            if s.kind != "service"
        ]
    binned = (outcome for outcome in OUTCOMES if outcome != "capacity")
    groups["binned_outcomes"] = [Column(f"log_{one}", "number", f"natural log of {one}") for one in binned]
    return {
        name: Table(
            name,
            table["grain"],
            tuple(table["key"]),
            tuple(
                column
                for one in table["columns"]
                for column in (groups[one["group"]] if "group" in one else [Column(**one)])
            ),
            tuple(table.get("partition", ())),
            table.get("owner", ""),
        )
        for name, table in declared.items()
    }
