"""Units as people and devices write them, and their conversion to the units of channels and settings.

``units.csv`` holds every unit once: its quantity, its exact factor to the base unit of that quantity, and its
spellings in headers of tables and in device descriptions of task data. The two lists differ: ``mg/h`` of a
device is milligrams, ``Mg/h`` of a table tonnes. Two conversions need more than a factor: a slope in per cent
(an angle), and a flow in bushels (the mass of a bushel of that crop).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Literal

from chaffinch.schemas.declarations import declared_rows

if TYPE_CHECKING:
    import polars as pl

# Written like units, but ambiguous: they are not converted.
_BUSHEL = (
    "its mass differs by crop and by the moisture it was paid at; give the net mass as weighed, in lb or kg"
)
_TON = "a ton may be 907, 1,000 or 1,016 kg; write {} for tonnes"
_AMBIGUOUS = (
    dict.fromkeys(("bu", "bushel", "bushels"), _BUSHEL)
    | dict.fromkeys(("ton", "tons"), _TON.format("t"))
    | dict.fromkeys(("ton/h", "tons/h", "ton/hr", "tons/hr"), _TON.format("t/h"))
)


class UnitError(ValueError):
    """A unit that is unknown, ambiguous or of another kind. The message is part of a sentence."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``value * factor + offset`` is in the base unit of ``quantity``. Bushels count as 1 lb each."""

    name: str
    quantity: str
    factor: Fraction
    offset: float


@dataclass(frozen=True, slots=True)
class Conversion:
    """Turns values of one unit into another.

    ``needs_bushel``: ``scale`` is for a bushel of 1 lb; multiply by the mass of a bushel of the crop in lb.
    """

    scale: float = 1.0
    needs_bushel: bool = False
    slope_pct: bool = False

    @property
    def is_identity(self) -> bool:
        """Whether values stay as they are."""
        return self == Conversion()

    def apply(self, values: pl.Expr, bushel_mass_lb: pl.Expr | float | None = None) -> pl.Expr:
        """``values`` converted; ``bushel_mass_lb`` [lb] where ``needs_bushel``."""
        if self.slope_pct:
            return (values / 100).arctan() * (180 / math.pi)
        converted = values if self.scale == 1.0 else values * self.scale
        return converted * bushel_mass_lb if self.needs_bushel else converted


def _plain(text: str) -> str:
    """Spellings compare without case, spaces, dots and the marks ^ and *."""
    slashed = text.strip().casefold().replace(" per ", "/").replace("⁻¹", "-1")
    return slashed.translate(str.maketrans("²³", "23", " .^*·\u00a0"))


@cache
def _spellings(column: Literal["in_headers", "in_devices"]) -> Mapping[str, Unit]:
    return {
        _plain(spelling): Unit(row["unit"], row["quantity"], Fraction(row["factor"]), float(row["offset"]))
        for row in declared_rows("units.csv")
        for spelling in row[column].split()
    }


def unit_named(text: str) -> Unit | None:
    """The unit that ``text`` names in a header or in ``schemas``; None for a blank or unknown one."""
    return _spellings("in_headers").get(_plain(text))


def device_unit(text: str) -> Unit | None:
    """The unit that ``text`` names in the data dictionary or a device description; None if unknown."""
    return _spellings("in_devices").get(_plain(text))


def looks_like_unit(text: str) -> bool:
    """Whether ``text`` is a known or a knowingly ambiguous unit."""
    return unit_named(text) is not None or _plain(text) in _AMBIGUOUS


def conversion(written: str, wanted: str) -> Conversion:
    """How values in the unit ``written`` become values in ``wanted``, a unit of ``schemas``.

    A flow in bushels becomes a mass flow for a bushel of 1 lb (``needs_bushel``). Per cent of slope becomes
    an angle: deg = atan(% / 100). Raises ``UnitError`` for an unknown, ambiguous or unfit unit.
    """
    if _plain(written) in _AMBIGUOUS:
        raise UnitError(f"the unit '{written}' is ambiguous ({_AMBIGUOUS[_plain(written)]})")
    source, target = unit_named(written), unit_named(wanted)
    if source is None:
        raise UnitError(f"the unit '{written}' is not known")
    if target is None or source == target:
        return Conversion()
    if (source.name, target.name) == ("%", "deg"):
        return Conversion(slope_pct=True)
    if source.quantity != target.quantity:
        raise UnitError(f"the unit '{written}' can't be turned into {wanted}")
    return Conversion(float(source.factor / target.factor), needs_bushel=source.name.startswith("bu"))
