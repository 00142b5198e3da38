"""Units as people write them, and their conversion to the units of the channels and settings.

Spellings are listed here; factors are those of pint. Two conversions need more than a factor: a slope in
per cent (an angle), and a flow in bushels (the mass of a bushel of that crop).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

# pint's name of the unit -> how it is written, compared without case, spaces, dots and the marks ^ and *.
_SPELLINGS: dict[str, str] = {
    "meter/second": "m/s mps m_s ms-1 m/sec meters/second metres/second",
    "kilometer/hour": "km/h kmh kph km_h km/hr kmph kmh-1 k/h",
    "mile/hour": "mph mi/h mi_h mi/hr miles/hour miles/h",
    "foot/second": "ft/s fps ft_s ft/sec",
    "foot/minute": "ft/min fpm ft_min",
    "knot": "kn kt kts knot knots",
    "meter": "m meter metre meters metres",
    "centimeter": "cm centimeter centimetre",
    "millimeter": "mm millimeter millimetre millimeters millimetres",
    "kilometer": "km kilometer kilometre",
    "inch": 'in inch inches " ″',
    "foot": "ft foot feet ' ′",
    "mile": "mi mile miles",
    "kilogram/second": "kg/s kg_s kgs-1 kg/sec kgps",
    "kilogram/minute": "kg/min kg_min",
    "kilogram/hour": "kg/h kg_h kg/hr kgh-1",
    "gram/second": "g/s g_s",
    "metric_ton/hour": "t/h t_h t/hr tonne/h tonnes/h tonne/hr tonnes/hr th-1 tonnes/hour tph mg/h",
    "metric_ton/second": "t/s t_s",
    "pound/second": "lb/s lbs/s lb_s lbs_s lb/sec lbs/sec pps pounds/s pounds/second",
    "pound/minute": "lb/min lbs/min lb_min",
    "pound/hour": "lb/h lbs/h lb_h lb/hr lbs/hr",
    "us_bushel/second": "bu/s bu_s bu/sec",
    "us_bushel/minute": "bu/min bu_min",
    "us_bushel/hour": "bu/h bu_h bu/hr bph bushels/h bushels/hour bu/hour",
    "percent": "% pct percent percentage per_cent prozent",
    "permille": "‰ permille",
    "dimensionless": "fraction ratio decimal",
    "degree": "deg ° degree degrees º",
    "radian": "rad radian radians",
    "revolution/minute": "rpm r/min rev/min 1/min min-1 u/min revs/min rpms",
    "revolution/second": "rps r/s rev/s 1/s s-1",
    "turn": "turn turns rev revs",
    "second": "s sec secs second seconds",
    "millisecond": "ms msec millisecond milliseconds",
    "minute": "min minute minutes",
    "hour": "h hr hrs hour hours",
    "liter/hour": "l/h l_h l/hr lh-1 lph litre/h liter/h litres/h liters/h litres/hour liters/hour",
    "liter/minute": "l/min l_min",
    "milliliter/second": "ml/s ml_s",
    "us_gallon/hour": "gal/h gal_h gal/hr gph gallons/h gallons/hour usgal/h usgph",
    "kilogram/hectare": "kg/ha kg_ha kgha-1",
    "pound/acre": "lb/ac lbs/ac lb/acre lbs/acre",
    "metric_ton/hectare": "t/ha t_ha",
    "us_bushel/acre": "bu/ac bu/acre bu_ac",
    "meter**2": "m2 m² sqm",
    "centimeter**2": "cm2 cm²",
    "foot**2": "ft2 ft² sqft",
    "acre": "ac acre acres",
    "hectare": "ha hectare hectares",
    "gram": "g gram grams",
    "kilogram": "kg kgs kilogram kilograms",
    "metric_ton": "t tonne tonnes mt",
    "pound": "lb lbs pound pounds",
    "degree_Celsius": "°c degc celsius c",
    "degree_Fahrenheit": "°f degf fahrenheit f",
    "pascal": "pa",
    "bar": "bar",
    "volt": "v volt volts",
    "millivolt": "mv",
    "hertz": "hz",
}
# Written like units, but what they mean is left open: no conversion is made of them.
_BUSHEL = (
    "its mass differs by crop and by the moisture it was paid at; give the net mass as weighed, in lb or kg"
)
_AMBIGUOUS = {
    "bu": _BUSHEL,
    "bushel": _BUSHEL,
    "bushels": _BUSHEL,
    "ton": "a ton may be 907, 1,000 or 1,016 kg; write t for tonnes",
    "tons": "a ton may be 907, 1,000 or 1,016 kg; write t for tonnes",
    "ton/h": "a ton may be 907, 1,000 or 1,016 kg; write t/h for tonnes",
    "tons/h": "a ton may be 907, 1,000 or 1,016 kg; write t/h for tonnes",
    "ton/hr": "a ton may be 907, 1,000 or 1,016 kg; write t/h for tonnes",
    "tons/hr": "a ton may be 907, 1,000 or 1,016 kg; write t/h for tonnes",
}
# The units of schemas/*.toml in pint's words.
_DECLARED = {
    "deg": "degree",
    "m": "meter",
    "m/s": "meter/second",
    "s": "second",
    "kg/s": "kilogram/second",
    "%": "percent",
    "l/h": "liter/hour",
    "rpm": "revolution/minute",
    "mm": "millimeter",
    "turn": "turn",
    "kg/ha": "kilogram/hectare",
    "m2": "meter**2",
    "g": "gram",
    "kg": "kilogram",
}


class UnitError(ValueError):
    """A unit that is unknown, ambiguous or of another kind. The message is part of a sentence."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """Turns values of one unit into another: ``scale`` times the value, then ``shape`` if there is one.

    ``needs_bushel``: ``scale`` is for a bushel of 1 lb; multiply by the mass of a bushel of the crop in lb.
    """

    scale: float = 1.0
    needs_bushel: bool = False
    slope_pct: bool = False

    @property
    def is_identity(self) -> bool:
        """Whether values stay as they are."""
        return self.scale == 1.0 and not self.needs_bushel and not self.slope_pct

    def apply(self, values: pl.Expr, bushel_mass_lb: pl.Expr | float | None = None) -> pl.Expr:
        """``values`` converted; ``bushel_mass_lb`` [lb] where ``needs_bushel``."""
        if self.slope_pct:
            return (values / 100).arctan() * (180 / math.pi)
        converted = values if self.scale == 1.0 else values * self.scale
        return converted * bushel_mass_lb if self.needs_bushel else converted


def _plain(text: str) -> str:
    slashed = text.strip().lower().replace(" per ", "/").replace("⁻¹", "-1")
    return "".join(c for c in slashed if c not in " .^*·\u00a0")


@cache
def _by_spelling() -> dict[str, str]:
    return {_plain(s): unit for unit, spellings in _SPELLINGS.items() for s in spellings.split()}


def unit_named(text: str) -> str | None:
    """The unit that ``text`` is a spelling of, in pint's words (``km/h``: ``kilometer/hour``), else None."""
    return _by_spelling().get(_plain(text))


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
    source = unit_named(written)
    if source is None:
        raise UnitError(f"the unit '{written}' is not known")
    if not wanted:
        return Conversion()
    return _between(source, _DECLARED[wanted], written, wanted)


@cache
def _between(source: str, target: str, written: str, wanted: str) -> Conversion:
    if source == target:
        return Conversion()
    if source == "percent" and target == "degree":
        return Conversion(slope_pct=True)
    if target == "revolution/minute" and source == "hertz":
        return Conversion(60.0)
    bushels = source.startswith("us_bushel")
    quantity = _quantity()
    try:
        factor = quantity(1.0, source.replace("us_bushel", "pound")).to(target).magnitude
    except Exception as error:  # pint raises several unrelated classes for units that don't fit
        raise UnitError(f"the unit '{written}' can't be turned into {wanted}") from error
    return Conversion(float(factor), needs_bushel=bushels)


@cache
def _quantity() -> Callable:
    import pint

    registry: pint.UnitRegistry = pint.UnitRegistry()
    registry.define("us_gallon = 3.785411784 liter")
    # The international acre; pint's own is the one of the US survey foot, which was given up in 2022.
    registry.define("acre = 4046.8564224 meter ** 2")
    return registry.Quantity
