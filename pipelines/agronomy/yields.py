"""Yield from flow, distance and width; grain at market moisture; bushels.

Moisture is on the wet basis, in %. "At market moisture" means the mass that the same dry matter has at the
moisture at which the crop is traded: water only, no handling shrink.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import POUND_KG, Numbers, quotient


def mass_at_market_moisture(mass: Numbers, moisture_pct: Numbers, market_moisture_pct: Numbers) -> Numbers:
    """``mass`` (any unit) of grain at ``moisture_pct``, brought to market moisture with dry matter held.

    W (100 - M) / (100 - M_market). Source: Univ. of Wisconsin Extension (M. Rankin), *Bushels, Test Weight,
    Shrink, and Storage*. NaN for a moisture outside 0 to below 100 %.
    """
    moisture = np.asarray(moisture_pct, dtype=np.float64)
    possible = np.where((moisture >= 0) & (moisture < 100), moisture, np.nan)
    return quotient(np.asarray(mass) * (100.0 - possible), 100.0 - np.asarray(market_moisture_pct))


def wet_yield_t_ha(grain_flow_kg_s: Numbers, speed_m_s: Numbers, width_m: Numbers) -> Numbers:
    """Yield [t/ha] at the moisture of harvest: 10 x flow / (speed x width). NaN at a standstill.

    Flow and speed must be of the same moment of cutting: the flow arrives seconds after the cut.
    Source: Univ. of Nebraska EC2004 (Luck & Fulton), in metric units.
    """
    return quotient(10.0 * np.asarray(grain_flow_kg_s), np.asarray(speed_m_s) * width_m)


def bushels_per_tonne(bushel_mass_lb: Numbers) -> Numbers:
    """Bushels in a metric tonne. Exact."""
    return quotient(1000.0 / POUND_KG, bushel_mass_lb)


@dataclass(frozen=True, slots=True)
class Harvest:
    """Sums over part of a log.

    ``market_t`` at market moisture; ``readings``: rows that count, those without a moisture, or a market moisture
    to go to, as they are; ``left_out``: rows without flow, distance, duration or width.
    """

    market_t: float
    area_ha: float
    readings: int
    left_out: int

    @property
    def yield_t_ha(self) -> float:
        """Yield at market moisture, t/ha; NaN where nothing was cut."""
        return float(quotient(self.market_t, self.area_ha))


def harvest(readings: pl.DataFrame, market_moisture_pct: float | None) -> Harvest:
    """Add up ``readings``: grain, grain at market moisture, and area.

    Needs ``grain_flow_kg_s``, ``record_duration_s``, ``working_width_m`` and ``distance_m`` or ``speed_m_s``;
    ``grain_moisture_pct`` where there is any. Rows with ``working`` = 0 do not count.
    """
    have = set(readings.columns)
    column = {
        c: pl.col(c).cast(pl.Float64).fill_nan(None) if c in have else pl.lit(None, pl.Float64)
        for c in _HARVEST_COLUMNS
    }
    distance = pl.coalesce(column["distance_m"], column["speed_m_s"] * column["record_duration_s"])
    wet = column["grain_flow_kg_s"] * column["record_duration_s"] / 1000.0
    area = distance * column["working_width_m"] / 10_000.0
    cut = readings.filter(column["working"].fill_null(1) != 0).select(
        wet=wet, moisture=column["grain_moisture_pct"], area=area
    )
    whole = cut.drop_nulls(["wet", "area"])
    wet_t, moisture_pct = whole["wet"].to_numpy(), whole["moisture"].to_numpy()
    market_t = mass_at_market_moisture(wet_t, moisture_pct, market_moisture_pct or np.nan)
    return Harvest(
        market_t=float(np.where(np.isnan(market_t), wet_t, market_t).sum()),
        area_ha=float(whole["area"].sum()),
        readings=whole.height,
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
