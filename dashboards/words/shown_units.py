"""The units in which pages show measured numbers, as ``farm.toml`` asks: metric or us."""

from __future__ import annotations

from dataclasses import dataclass

from chaffinch.dashboards.words.terms import NARROW, grouped, signed, significant
from chaffinch.pipelines.agronomy.exact import ACRE_M2, FOOT_M, MILE_M, POUND_KG
from chaffinch.pipelines.agronomy.yields import bushels_per_tonne
from chaffinch.pipelines.farm import Farm

Scale = tuple[float, str]
Ends = tuple[float, float, float]
"""An estimate with the low and high end of its 95 % range."""


@dataclass(frozen=True, slots=True)
class ShownUnits:
    """Factor and name of each shown unit: from t/h, m/s, t/ha, kg/ha, m, ha, kg, t. Set values stay as logged."""

    feed_rate: Scale
    speed: Scale
    grain_per_area: Scale
    mass_per_area: Scale
    length: Scale
    area: Scale
    mass: Scale
    grain: Scale

    def money_per_area(self, currency: str) -> Scale:
        """From money per hectare."""
        return 1.0 / self.area[0], f"{currency}/{self.area[1]}"


METRIC = ShownUnits(
    (1.0, "t/h"),
    (3.6, "km/h"),
    (1.0, "t/ha"),
    (1.0, "kg/ha"),
    (1.0, "m"),
    (1.0, "ha"),
    (1.0, "kg"),
    (1.0, "t"),
)


def units_of(farm: Farm, crop: str | None) -> ShownUnits:
    """Metric, or US units: bushels where the bushel mass of the crop is known, else pounds."""
    if farm.units == "metric":
        return METRIC
    acres, pounds = 10_000.0 / ACRE_M2, 1.0 / POUND_KG
    bushel_lb = farm.of_crop("bushel_mass_lb", crop)
    grain, name = (float(bushels_per_tonne(bushel_lb)), "bu") if bushel_lb else (1000 * pounds, "lb")
    return ShownUnits(
        feed_rate=(grain, f"{name}/h"),
        speed=(3600.0 / MILE_M, "mph"),
        grain_per_area=(grain / acres, f"{name}/ac"),
        mass_per_area=(pounds / acres, "lb/ac"),
        length=(1.0 / FOOT_M, "ft"),
        area=(acres, "ac"),
        mass=(pounds, "lb"),
        grain=(grain, name),
    )


def with_range(ends: Ends, scale: Scale) -> str:
    """``+30 kg/ha (+8.2 to +58)``."""
    size, low, high = (grouped(signed(value * scale[0])) for value in ends)
    return f"{size}{NARROW}{scale[1]} ({low} to {high})"


def amount(value: float, scale: Scale) -> str:
    """``1,230 t``: three significant digits."""
    return f"{grouped(significant(value * scale[0], 3))}{NARROW}{scale[1]}"


def priced(per_t: float, crop: str | None, farm: Farm) -> str:
    """``210 EUR/t``; in US units also by the bushel, or by the pound where the bushel mass is not known."""
    stated = f"{per_t:g}{NARROW}{farm.prices.currency}/t"
    if farm.units == "metric":
        return stated
    factor, name = units_of(farm, crop).grain
    return f"{per_t / factor:.3g}{NARROW}{farm.prices.currency}/{name} ({stated})"
