"""Identifiers of the data dictionary of ISO 11783-11: the loader of a declared table.

``schemas/ddi_dictionary.csv`` holds number, kind, unit and resolution as facts of the public dictionary, with
labels of our own, and the channel or setting column that an identifier feeds; to map one more is one line
there, or one in ``farm.toml``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from types import MappingProxyType

from chaffinch.schemas.declarations import declared_rows

FIRST_PROPRIETARY = 0xE000
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
            for row in declared_rows("ddi_dictionary.csv")
        }
    )
