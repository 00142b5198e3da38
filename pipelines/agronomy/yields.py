"""Yield from flow, distance and width; grain at market moisture; bushels.

Moisture is on the wet basis, in %. "At market moisture" means the mass that the same dry matter has at the
moisture at which the crop is traded: water only, no handling shrink.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from chaffinch.pipelines.agronomy.exact import ACRE_M2, POUND_KG, Numbers, quotient

if TYPE_CHECKING:
    import polars as pl


def mass_at_market_moisture(mass: Numbers, moisture_pct: Numbers, market_moisture_pct: Numbers) -> Numbers:
    """``mass`` (any unit) of grain at ``moisture_pct``, brought to market moisture with dry matter held.

    W (100 - M) / (100 - M_market). Source: Univ. of Wisconsin Extension (M. Rankin), *Bushels, Test Weight,
    Shrink, and Storage*. NaN for a moisture outside 0 to below 100 %.
    """
    moisture = np.asarray(moisture_pct, dtype=np.float64)
    possible = np.where((moisture >= 0) & (moisture < 100), moisture, np.nan)
    return quotient(np.asarray(mass) * (100.0 - possible), 100.0 - np.asarray(market_moisture_pct))


def shrink_per_point_pct(market_moisture_pct: Numbers) -> Numbers:
    """Mass lost, in %, for each point of moisture dried out down to market moisture: water only. Exact."""
    return quotient(100.0, 100.0 - np.asarray(market_moisture_pct))


def area_ha(distance_m: Numbers, width_m: Numbers) -> Numbers:
    """Area [ha] cut over ``distance_m`` at ``width_m``. Exact."""
    return (np.asarray(distance_m, dtype=np.float64) * width_m / 10_000.0)[()]


def area_ac(distance_m: Numbers, width_m: Numbers) -> Numbers:
    """Area [acre, 4046.8564224 m2] cut over ``distance_m`` at ``width_m``. Exact."""
    return (np.asarray(distance_m, dtype=np.float64) * width_m / ACRE_M2)[()]


def wet_yield_t_ha(grain_flow_kg_s: Numbers, speed_m_s: Numbers, width_m: Numbers) -> Numbers:
    """Yield [t/ha] at the moisture of harvest: 10 x flow / (speed x width). NaN at a standstill.

    Flow and speed must be of the same moment of cutting: the flow arrives seconds after the cut.
    Source: Univ. of Nebraska EC2004 (Luck & Fulton), in metric units.
    """
    return quotient(10.0 * np.asarray(grain_flow_kg_s), np.asarray(speed_m_s) * width_m)


def yield_t_ha(
    grain_flow_kg_s: Numbers,
    speed_m_s: Numbers,
    width_m: Numbers,
    moisture_pct: Numbers,
    market_moisture_pct: Numbers,
) -> Numbers:
    """Yield [t/ha] at market moisture. See ``wet_yield_t_ha`` and ``mass_at_market_moisture``."""
    wet = wet_yield_t_ha(grain_flow_kg_s, speed_m_s, width_m)
    return mass_at_market_moisture(wet, moisture_pct, market_moisture_pct)


def kg_ha_per_bu_ac(bushel_mass_lb: Numbers) -> Numbers:
    """Kilograms per hectare that one bushel per acre is. Exact: bushel [lb] x 0.45359237 / 0.40468564224."""
    return (np.asarray(bushel_mass_lb, dtype=np.float64) * POUND_KG * 10_000.0 / ACRE_M2)[()]


def bu_ac_from_t_ha(mass_t_ha: Numbers, bushel_mass_lb: Numbers) -> Numbers:
    """Bushels per acre from t/ha. Exact for the bushel mass given: oats are 32 lb in the US, 34 in Canada."""
    return quotient(1000.0 * np.asarray(mass_t_ha), kg_ha_per_bu_ac(bushel_mass_lb))


def t_ha_from_bu_ac(bushels_per_acre: Numbers, bushel_mass_lb: Numbers) -> Numbers:
    """t/ha from bushels per acre. Exact."""
    return (np.asarray(bushels_per_acre, dtype=np.float64) * kg_ha_per_bu_ac(bushel_mass_lb) / 1000.0)[()]


def bushels_per_tonne(bushel_mass_lb: Numbers) -> Numbers:
    """Bushels in a metric tonne. Exact."""
    return quotient(1000.0 / POUND_KG, bushel_mass_lb)


@dataclass(frozen=True, slots=True)
class Harvest:
    """What a stretch of log adds up to.

    ``wet_t`` at the moisture of harvest, ``market_t`` at market moisture; ``readings``: rows that count, of
    which ``as_it_is`` had no moisture, or no market moisture to go to, and count as they are; ``left_out``:
    rows without flow, distance, duration or width.
    """

    wet_t: float
    market_t: float
    area_ha: float
    readings: int
    as_it_is: int
    left_out: int

    @property
    def yield_t_ha(self) -> float:
        """Yield at market moisture, t/ha; NaN where nothing was cut."""
        return float(quotient(self.market_t, self.area_ha))

    def bushels(self, bushel_mass_lb: float) -> float:
        """Bushels at market moisture."""
        return self.market_t * float(bushels_per_tonne(bushel_mass_lb))

    @property
    def area_ac(self) -> float:
        return self.area_ha * 10_000.0 / ACRE_M2


def harvest(readings: pl.DataFrame, market_moisture_pct: float | None) -> Harvest:
    """Add up ``readings``: grain, grain at market moisture, and area.

    Needs ``grain_flow_kg_s``, ``record_duration_s``, ``working_width_m`` and ``distance_m`` or ``speed_m_s``;
    ``grain_moisture_pct`` where there is any. Rows with ``working`` = 0 do not count.
    """
    import polars as pl

    have = set(readings.columns)
    column = {
        c: pl.col(c).cast(pl.Float64).fill_nan(None) if c in have else pl.lit(None, pl.Float64)
        for c in _HARVEST_COLUMNS
    }
    distance = pl.coalesce(column["distance_m"], column["speed_m_s"] * column["record_duration_s"])
    market = pl.lit(market_moisture_pct, pl.Float64)
    keep = (100.0 - column["grain_moisture_pct"]) / (100.0 - market)
    wet = column["grain_flow_kg_s"] * column["record_duration_s"] / 1000.0
    area = distance * column["working_width_m"] / 10_000.0
    cut = readings.filter(column["working"].fill_null(1) != 0).select(wet=wet, keep=keep, area=area)
    whole = cut.drop_nulls(["wet", "area"])
    return Harvest(
        wet_t=float(whole["wet"].sum()),
        market_t=float(whole.select(pl.col("wet") * pl.col("keep").fill_null(1.0))["wet"].sum()),
        area_ha=float(whole["area"].sum()),
        readings=whole.height,
        as_it_is=whole["keep"].null_count(),
        left_out=cut.height - whole.height,
    )


_HARVEST_COLUMNS = (
    "grain_flow_kg_s",
    "record_duration_s",
    "working_width_m",
    "distance_m",
    "speed_m_s",
    "grain_moisture_pct",
    "working",
)
