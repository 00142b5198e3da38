"""The units in which pages show measured numbers, as ``farm.toml`` asks: metric or us."""

from __future__ import annotations

from dataclasses import dataclass

from chaffinch.pipelines.agronomy.exact import ACRE_M2, FOOT_M, MILE_M, POUND_KG
from chaffinch.pipelines.agronomy.yields import bushels_per_tonne
from chaffinch.pipelines.farm import Farm

Scale = tuple[float, str]


@dataclass(frozen=True, slots=True)
class ShownUnits:
    """Factors from t/h, m/s, t/ha, kg/ha and m to the shown unit, and its name. Set values stay as logged."""

    feed_rate: Scale
    speed: Scale
    grain_per_area: Scale
    mass_per_area: Scale
    length: Scale


METRIC = ShownUnits((1.0, "t/h"), (3.6, "km/h"), (1.0, "t/ha"), (1.0, "kg/ha"), (1.0, "m"))


def units_of(farm: Farm, crop: str | None) -> ShownUnits:
    """Metric, or US units: bushels where the bushel mass of the crop is known, else pounds."""
    if farm.units == "metric":
        return METRIC
    hectare_per_acre = ACRE_M2 / 10_000.0
    pounds = 1.0 / POUND_KG
    bushel_lb = farm.bushel_mass_lb(crop)
    if bushel_lb:
        per_tonne = float(bushels_per_tonne(bushel_lb))
        grain: tuple[Scale, Scale] = (
            (per_tonne, "bu/h"),
            (per_tonne * hectare_per_acre, "bu/ac"),
        )
    else:
        grain = ((1000 * pounds, "lb/h"), (1000 * pounds * hectare_per_acre, "lb/ac"))
    return ShownUnits(
        feed_rate=grain[0],
        speed=(3600.0 / MILE_M, "mph"),
        grain_per_area=grain[1],
        mass_per_area=(pounds * hectare_per_acre, "lb/ac"),
        length=(1.0 / FOOT_M, "ft"),
    )


def priced(per_t: float, crop: str | None, farm: Farm) -> str:
    """``210 EUR/t``; in US units also by the bushel, or by the pound where the bushel mass is not known."""
    stated = f"{per_t:g}\u00a0{farm.prices.currency}/t"
    if farm.units == "metric":
        return stated
    factor, per_hour = units_of(farm, crop).feed_rate
    return f"{per_t / factor:.3g}\u00a0{farm.prices.currency}/{per_hour.removesuffix('/h')} ({stated})"
