"""Values of settings as logs write them: positions in words, and openings that a display counts in steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl
from chaffinch.pipelines.farm.entries import Machine
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import read_numbers
from chaffinch.pipelines.ingest.text.number_parsing import is_missing
from chaffinch.pipelines.ingest.text.table_reader import TableReader
from chaffinch.schemas.declarations import Setting
from chaffinch.schemas.units import UnitError

# What displays call a step of an opening that has no unit.
DISPLAY_STEPS = ("step", "steps", "notch", "notches", "click", "clicks", "hole", "holes", "stage", "stages")


def position_words(
    texts: pl.Series, setting: Setting, machines: pl.Series, stated: Mapping[str, Machine]
) -> pl.Series:
    """``texts`` as positions of ``setting`` where recognised, else as written; null where missing.

    machines : whose they are. stated : machines of farm.toml, which may have words of their own.
    """
    clean = texts.str.strip_chars()
    clean = clean.set(is_missing(clean), None)
    words = clean.unique().drop_nulls().to_list()
    general = {text: setting.position(text) or text for text in words}
    found = clean.replace_strict(general, default=None, return_dtype=pl.String)
    for name, machine in stated.items():
        own = {text: position for text in words if (position := machine.position(setting.name, text))}
        if own:
            found = found.zip_with(
                ~((machines == name) & clean.is_in(list(own))).fill_null(False), clean.replace(own)
            )
    return found


def counts_steps(unit: str | None) -> bool:
    """Whether ``unit`` is a word for steps."""
    return unit is not None and unit.strip().lower() in DISPLAY_STEPS


def unknown_step(unit: str, machine: str, setting: Setting) -> str:
    """Why steps of ``machine`` can't be read, and what to state: part of a sentence."""
    return (
        f"'{unit}' differs from machine to machine; say how many {setting.unit} one is: "
        f'[machines."{machine}"] opening_per_step = {{ {setting.name} = ... }}'
    )


def read_steps(reader: TableReader, column: Matched, setting: Setting, machines: pl.Series) -> pl.Series:
    """A column of a harvest log that counts steps, in the unit of ``setting``, machine by machine.

    Raises ``UnitError`` where a machine's step is not known.
    """
    openings = {
        name: machine.opening_per_step[setting.name]
        for name, machine in reader.farm.machines.items()
        if setting.name in machine.opening_per_step
    }
    lacking = [name for name in machines.unique(maintain_order=True).to_list() if name not in openings]
    if lacking:
        raise UnitError(unknown_step(column.unit or "step", lacking[0], setting))
    reader.notes.append(f"{setting.label} was converted from steps by opening_per_step of farm.toml.")
    per_step = machines.replace_strict(openings, return_dtype=pl.Float64)
    return (read_numbers(reader, replace(column, unit=None)) * per_step).alias(setting.column)
