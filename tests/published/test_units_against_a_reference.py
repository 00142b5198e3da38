"""Every factor of ``units.csv`` against pint, a general-purpose library of units (its own tables: NIST SP 811)."""

from __future__ import annotations

import csv
import re
from fractions import Fraction

import pint
import pytest
from builders.places import ROOT

# How pint writes a unit where its own reading of our name would be another one, or none.
AS_PINT = {
    "mph": "mile/hour", "kn": "knot", "t/h": "metric_ton/hour", "t/s": "metric_ton/second",
    "t/min": "metric_ton/minute", "t": "metric_ton", "t/ha": "metric_ton/hectare", "bu/s": "pound/second",
    "bu/min": "pound/minute", "bu/h": "pound/hour", "bu/ac": "pound/acre", "%": "percent", "‰": "permille",
    "fraction": "dimensionless", "deg": "degree", "rpm": "revolution/minute", "rps": "revolution/second",
    "min": "minute", "h": "hour", "gal": "gallon", "gal/h": "gallon/hour", "lb/ac": "pound/acre", "ac": "acre",
    "dt/ha": "100*kilogram/hectare", "ha": "hectare", "ac/h": "acre/hour", "°c": "degC", "°f": "degF",
    "k": "kelvin", "mk": "millikelvin", "pa": "pascal", "kpa": "kilopascal", "hpa": "hectopascal", "v": "volt",
    "mv": "millivolt", "w": "watt", "kw": "kilowatt", "kwh": "kilowatt_hour", "kwh/m2": "kilowatt_hour/m**2",
    "n*m": "newton*meter", "kg/hl": "kilogram/hectoliter", "ft2": "foot**2", "in": "inch",
    "st": "short_ton", "st/h": "short_ton/hour",
}  # fmt: skip
# In which pint's base unit is not the base of ours, by quantity; counts of pieces are shares of a thousand.
BASE = {
    "speed": "m/s", "length": "m", "mass flow": "kg/s", "share": "dimensionless", "angle": "degree",
    "turning": "revolution/second", "time": "s", "volume flow": "m**3/s", "mass by area": "kg/m**2", "area": "m**2",
    "mass": "kg", "pressure": "pascal", "voltage": "volt", "volume": "m**3", "volume by area": "m**3/m**2",
    "area rate": "m**2/s", "power": "watt", "energy": "kilowatt_hour", "energy by area": "kilowatt_hour/m**2",
    "torque": "newton*meter", "density": "kg/m**3", "mass share": "dimensionless",
}  # fmt: skip
NOT_IN_PINT = ("mass of pieces", "volume of pieces", "count by area", "temperature")


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    registry: pint.UnitRegistry = pint.UnitRegistry()
    # The international acre; pint's own is the one of the US survey foot, given up in 2022 (NIST, 85 FR 62698).
    registry.define("acre = 4046.8564224 meter ** 2")
    return registry


def rows() -> list[dict[str, str]]:
    text = (ROOT / "schemas" / "units.csv").read_text(encoding="utf-8")
    return [row for row in csv.DictReader(text.splitlines()) if row["quantity"] not in NOT_IN_PINT]


def as_pint(unit: str) -> str:
    return AS_PINT.get(unit) or re.sub(r"m([23])\b", r"m**\1", unit)


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["unit"])
def test_factor(registry, row):
    known = registry.parse_expression(f"1.0 * {as_pint(row['unit'])}").to(BASE[row["quantity"]]).magnitude
    assert float(Fraction(row["factor"])) == pytest.approx(known, rel=1e-9)


def test_degrees_fahrenheit(registry):
    row = next(
        row
        for row in csv.DictReader((ROOT / "schemas" / "units.csv").read_text(encoding="utf-8").splitlines())
        if row["unit"] == "°f"
    )
    kelvin = 50.0 * float(Fraction(row["factor"])) + float(row["offset"])
    assert kelvin == pytest.approx(registry.Quantity(50.0, "degF").to("kelvin").magnitude)
