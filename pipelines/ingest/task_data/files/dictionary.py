"""Identifiers of the data dictionary and units of device descriptions: the loader of two declared tables.

``schemas/ddi_dictionary.csv`` holds number, kind, unit and resolution as facts of the public dictionary, with
labels of our own, and the channel or setting column that an identifier feeds; to map one more is one line
there, or one in ``farm.toml``. ``schemas/ddi_units.csv`` holds the units that the dictionary and device
descriptions use, as exact fractions of one base unit per quantity; spellings of table headers, another
matter, are in ``pipelines/units``.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files
from types import MappingProxyType

FIRST_PROPRIETARY = 0xE000
LAST_PROPRIETARY = 0xFFFE - 1
BUS_MESSAGE = 0xDFFE
DEFAULT_SET = 0xDFFF


@dataclass(frozen=True, slots=True)
class Identifier:
    """One line of the dictionary.

    resolution : of one raw step, in ``unit``. targets : channels or setting columns it may feed; of
    several the name of the element decides. rank : of identifiers that feed one target the lowest is used.
    usual_low, usual_high : where its values usually lie, in the unit of the target, else in its own.
    """

    number: int
    kind: str
    unit: str
    resolution: Fraction
    label: str
    targets: tuple[str, ...]
    rank: int
    usual_low: float | None
    usual_high: float | None
    unsigned: bool


@dataclass(frozen=True, slots=True)
class Unit:
    """``value * factor + offset`` is in the base unit of ``quantity``."""

    quantity: str
    factor: Fraction
    offset: float


@cache
def identifiers() -> Mapping[int, Identifier]:
    """The dictionary by number."""
    return MappingProxyType(
        {
            int(row["identifier"]): Identifier(
                int(row["identifier"]),
                row["kind"],
                row["unit"],
                Fraction(row["resolution"]),
                row["label"],
                tuple(row["channel"].split("|")) if row["channel"] else (),
                int(row["rank"] or 0),
                float(row["usual_low"]) if row["usual_low"] else None,
                float(row["usual_high"]) if row["usual_high"] else None,
                row["unsigned"] == "1",
            )
            for row in _rows("ddi_dictionary.csv")
        }
    )


@cache
def _units() -> Mapping[str, Unit]:
    return {
        row["unit"]: Unit(row["quantity"], Fraction(row["factor"]), float(row["offset"]))
        for row in _rows("ddi_units.csv")
    }


def unit(text: str) -> Unit | None:
    """The unit that ``text`` names, whatever case and with raised digits; None for a blank or unknown one."""
    plain = text.strip().casefold().replace("²", "2").replace("³", "3").replace(" ", "")
    return _units().get(plain)


def _rows(name: str) -> Iterator[dict[str, str]]:
    text = files("chaffinch.schemas").joinpath(name).read_text(encoding="utf-8")
    return csv.DictReader(text.splitlines())
