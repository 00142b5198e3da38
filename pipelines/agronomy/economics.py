"""What lost grain is worth, and whether driving faster pays for the grain it loses. Any currency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.agronomy.exact import Numbers


def value_of_loss_per_ha(loss_kg_ha: Numbers, price_per_t: Numbers) -> Numbers:
    """Money per hectare: loss [kg/ha] x price [per tonne] / 1000."""
    return (np.asarray(loss_kg_ha, dtype=np.float64) * price_per_t / 1000.0)[()]


def value_of_loss_share_per_ha(yield_t_ha: Numbers, loss_pct: Numbers, price_per_t: Numbers) -> Numbers:
    """Money per hectare where loss is stated in % of ``yield_t_ha``, whatever grain that yield counts."""
    return value_of_loss_per_ha(10.0 * np.asarray(yield_t_ha, dtype=np.float64) * loss_pct, price_per_t)


def value_of_loss_per_h(loss_kg_ha: Numbers, price_per_t: Numbers, area_ha_h: Numbers) -> Numbers:
    """Money per hour of work at ``area_ha_h``."""
    return (value_of_loss_per_ha(loss_kg_ha, price_per_t) * np.asarray(area_ha_h))[()]


@dataclass(frozen=True, slots=True)
class FasterWork:
    """Working an area faster: hours saved, what they are worth, what the extra loss costs."""

    hours_saved: float
    worth_of_time: float
    cost_of_loss: float

    @property
    def net_cost(self) -> float:
        """Cost of the extra loss less the worth of the time; above zero, faster did not pay."""
        return self.cost_of_loss - self.worth_of_time


def faster_work(
    area_ha: float,
    slow_ha_h: float,
    fast_ha_h: float,
    slow_loss_kg_ha: float,
    fast_loss_kg_ha: float,
    price_per_t: float,
    machine_per_h: float,
) -> FasterWork:
    """Weigh time saved against grain lost over ``area_ha``. ``machine_per_h``: what an hour costs.

    Source of the way: PAMI (N. Gregg), Western Producer, February 2016.
    """
    if slow_ha_h <= 0 or fast_ha_h <= 0:
        raise ValueError(f"areas an hour must be above zero, found {slow_ha_h:g} and {fast_ha_h:g}")
    hours_saved = area_ha / slow_ha_h - area_ha / fast_ha_h
    extra = value_of_loss_per_ha(fast_loss_kg_ha - slow_loss_kg_ha, price_per_t)
    return FasterWork(hours_saved, hours_saved * machine_per_h, float(extra) * area_ha)
