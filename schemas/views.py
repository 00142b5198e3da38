"""What queries need with the tables: the settings as a table, the meaning of columns, the unit in a name."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache

import polars as pl
from chaffinch.schemas.declarations import declared_text, settings
from chaffinch.schemas.tables import tables

# Longest first: ``kg_ha`` before ``ha``.
_UNITS = {
    "kg_ha": "kg/ha", "t_ha": "t/ha", "kg_s": "kg/s", "m_s": "m/s", "l_h": "l/h", "t_h": "t/h",
    "bytes": "bytes", "turns": "turns", "hours": "h", "minutes": "min", "percent": "%", "pct": "%",
    "rpm": "rpm", "deg": "°", "m2": "m²", "mm": "mm", "ha": "ha", "kg": "kg", "m": "m", "g": "g", "s": "s", "t": "t",
    "latitude": "°", "longitude": "°",
}  # fmt: skip


CATALOGUE = "catalogue"


@cache
def catalogue() -> pl.DataFrame:
    """The settings that have a value, one row each, front of the machine first."""
    rows = [
        (one.name, one.column, one.label, one.unit or None, one.kind, one.stage)
        for one in settings().values()
        if one.kind != "service"
    ]
    return pl.DataFrame(rows, ["setting", "in_column", "label", "unit", "kind", "stage"], orient="row")


def unit_of(column: str) -> str:
    """The unit that the name of a column states; empty where it states none."""
    stem = column.removesuffix("_low").removesuffix("_high")
    return next((unit for end, unit in _UNITS.items() if f"_{stem}".endswith(f"_{end}")), "")


@cache
def _declared() -> Mapping[str, Mapping[str, str]]:
    return tomllib.loads(declared_text("views.toml"))


def meaning_of(relation: str, column: str) -> str:
    """What a column of a table or view means: as declared for it, else as of the tables that have the column.

    Raises ``KeyError`` where nothing declares it.
    """
    own = _declared().get(relation, {})
    if column in own:
        return own[column]
    named = [relation] if relation in tables() else list(tables())
    return next(c.meaning for name in named for c in tables()[name].columns if c.name == column)
