"""Unit spellings and factors. Exact factors: NIST Special Publication 811, appendix B.8 (from memory)."""

from __future__ import annotations

import csv
import math
from collections import Counter
from importlib.resources import files

import polars as pl
import pytest
from chaffinch.schemas.units import UnitError, _plain, conversion, device_unit, unit_named


@pytest.mark.parametrize(
    ("written", "wanted", "factor"),
    [
        ("mph", "m/s", 0.44704),
        ("mi/h", "m/s", 0.44704),
        ("km/h", "m/s", 1 / 3.6),
        ("kph", "m/s", 1 / 3.6),
        ("kn", "m/s", 1852 / 3600),
        ("ft/min", "m/s", 0.3048 / 60),
        ("lb/s", "kg/s", 0.45359237),
        ("lbs/s", "kg/s", 0.45359237),
        ("t/h", "kg/s", 1000 / 3600),
        ("tonnes/hr", "kg/s", 1000 / 3600),
        ("in", "m", 0.0254),
        ("inches", "mm", 25.4),
        ("ft", "m", 0.3048),
        ("cm", "mm", 10),
        ("gal/h", "l/h", 3.785411784),
        ("L/h", "l/h", 1),
        ("rad", "deg", 180 / math.pi),
        ("fraction", "%", 100),
        ("1/s", "rpm", 60),
        ("Hz", "rpm", 60),
        ("lb/ac", "kg/ha", 0.45359237 / 0.40468564224),
        ("ft2", "m2", 0.3048**2),
        ("ms", "s", 0.001),
    ],
)
def test_factor(written, wanted, factor):
    assert conversion(written, wanted).scale == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize("spelling", ["km/h", "KM/H", "km / h", "kmh", "km per h", "km_h", "kph"])
def test_spellings_of_one_unit(spelling):
    assert unit_named(spelling).name == "km/h"


def test_slope_in_per_cent_becomes_an_angle():
    # A slope of 100 % is 45 degrees.
    change = conversion("%", "deg")
    angles = pl.DataFrame({"v": [100.0, 0.0, -100.0]}).select(change.apply(pl.col("v"))).to_series()
    assert angles.to_list() == pytest.approx([45.0, 0.0, -45.0])


def test_bushels_need_the_mass_of_a_bushel():
    # 3,600 bu/h of 60 lb (wheat, from memory) is one bushel a second: 27.216 kg/s.
    change = conversion("bu/h", "kg/s")
    assert change.needs_bushel
    flow = pl.DataFrame({"v": [3600.0]}).select(change.apply(pl.col("v"), 60.0)).item()
    assert flow == pytest.approx(60 * 0.45359237, rel=1e-12)


@pytest.mark.parametrize(
    ("written", "wanted", "message"),
    [
        ("furlong", "m", "the unit 'furlong' is not known"),
        ("°C", "m/s", "the unit '°C' can't be turned into m/s"),
        ("kg", "kg/s", "the unit 'kg' can't be turned into kg/s"),
        ("ton/h", "kg/s", "a ton may be 907, 1,000 or 1,016 kg; write t/h for tonnes"),
    ],
)
def test_unfit_units_are_refused_with_the_reason(written, wanted, message):
    with pytest.raises(UnitError) as caught:
        conversion(written, wanted)
    assert message in str(caught.value)


def test_a_device_and_a_header_may_mean_different_units_by_one_spelling():
    assert unit_named("Mg/h").name == "t/h"
    assert device_unit("mg/h") is None
    assert device_unit("bu/h") is None


def test_no_spelling_names_two_units():
    for column in ("in_headers", "in_devices"):
        rows = csv.DictReader((files("chaffinch.schemas") / "units.csv").read_text().splitlines())
        names = Counter(plain for row in rows for plain in {_plain(s) for s in row[column].split()})
        assert [name for name, count in names.items() if count > 1] == []
