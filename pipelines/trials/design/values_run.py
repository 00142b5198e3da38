"""At which values of a setting a machine has worked, as far as the lake shows."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
from chaffinch.pipelines.errors import CallError, did_you_mean
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.schemas.declarations import Setting

MOST_NAMED = 8


def known_machine(lake: ReadableLake, wanted: str, aliases: dict[str, str]) -> str:
    """The machine's own name. Raises ``CallError`` with the machines there are where the lake has none of it."""
    seen = set(lake.scan("adjustments").select(pl.col("machine").unique()).collect().to_series())
    seen |= set(lake.scan("readings").select(pl.col("machine").unique()).collect().to_series())
    by_fold = {name.casefold(): name for name in seen} | aliases
    found = by_fold.get(wanted.casefold())
    if found is None:
        known = sorted(seen)
        named = ", ".join(known[:MOST_NAMED]) or "none"
        raise CallError(
            f"No log names a machine '{wanted}'{did_you_mean(wanted, known)}. Machines are {named}."
        )
    return found


def values_run(lake: ReadableLake, machine: str, setting: Setting) -> list[str]:
    """Values that logs of the machine show, lowest first; of a number in the harvest log its least and greatest."""
    changes = lake.scan("adjustments").filter(pl.col("machine") == machine, pl.col("setting") == setting.name)
    written = changes.select(
        pl.concat_list("from_value", "to_value").explode().drop_nulls().unique()
    ).collect()
    values = set(written.to_series().to_list())
    of_machine = lake.scan("readings").filter(pl.col("machine") == machine)
    if setting.column in of_machine.collect_schema().names():
        column = pl.col(setting.column)
        if setting.kind == "number":
            ends = of_machine.select(column.min().alias("low"), column.max().alias("high")).collect().row(0)
            values |= {f"{end:g}" for end in ends if end is not None}
        else:
            values |= set(of_machine.select(column.drop_nulls().unique()).collect().to_series().to_list())
    return sorted(values, key=lambda value: (_number(value), value))


def _number(value: str) -> float:
    try:
        return float(value)
    except ValueError:
        return 0.0


def never_run(setting: Setting, values: Sequence[str], run: Sequence[str]) -> list[str]:
    """The ``values`` at which the machine has never worked: of numbers, those outside the range that it has."""
    if not run:
        return list(values)
    if setting.kind != "number":
        return [value for value in values if value not in run]
    known = [_number(value) for value in run]
    return [value for value in values if not min(known) <= float(value) <= max(known)]
