"""What lost grain and time are worth, and whether driving faster pays for the grain it loses. Any currency.

Money comes from stated prices alone: where a price is None the answer is None, never an assumed price.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.agronomy.exact import Numbers, quotient


def value_of_loss_per_ha(loss_kg_ha: Numbers, price_per_t: Numbers) -> Numbers:
    """Money per hectare: loss [kg/ha] x price [per tonne] / 1000."""
    return (np.asarray(loss_kg_ha, dtype=np.float64) * price_per_t / 1000.0)[()]


def value_of_loss_share_per_ha(yield_t_ha: Numbers, loss_pct: Numbers, price_per_t: Numbers) -> Numbers:
    """Money per hectare where loss is stated in % of ``yield_t_ha``, whatever grain that yield counts."""
    return value_of_loss_per_ha(10.0 * np.asarray(yield_t_ha, dtype=np.float64) * loss_pct, price_per_t)


def value_of_loss_per_h(loss_kg_ha: Numbers, price_per_t: Numbers, area_ha_h: Numbers) -> Numbers:
    """Money per hour of work at ``area_ha_h``."""
    return (value_of_loss_per_ha(loss_kg_ha, price_per_t) * np.asarray(area_ha_h))[()]


def value_of_throughput_per_ha(
    area_ha_h: Numbers, capacity_ratio: Numbers, machine_per_h: Numbers
) -> Numbers:
    """Machine time saved, money per hectare, when work at ``area_ha_h`` goes ``capacity_ratio`` times as fast.

    Hours per hectare fall from 1 / area to 1 / (area x ratio); ``machine_per_h`` is what an hour costs. Below
    zero where work gets slower. NaN where the area an hour or the ratio is not above zero.
    """
    hours = quotient(1.0, area_ha_h)
    return (np.asarray(machine_per_h, dtype=np.float64) * hours * (1.0 - quotient(1.0, capacity_ratio)))[()]


@dataclass(frozen=True, slots=True)
class Gain:
    """What one change is worth; None where no price is stated or the effect is not known.

    ``kept_per_ha``, ``kept_per_h``: grain saved, driven as before, per hectare and per hour of that work.
    ``faster_per_ha``, ``faster_per_h``: instead, machine time saved, driven faster until the loss share is what
    it was; per hour of the faster work. The two are ways to take one gain and are never added.
    """

    kept_per_ha: float | None
    kept_per_h: float | None
    faster_per_ha: float | None
    faster_per_h: float | None


def gain(
    saved_kg_ha: float | None,
    capacity_pct: float | None,
    area_ha_h: float | None,
    price_per_t: float | None,
    machine_per_h: float | None,
) -> Gain:
    """Worth of a change that saves ``saved_kg_ha`` at the same feed rate, or gives ``capacity_pct`` at the same
    loss, in work at ``area_ha_h``.
    """
    known_area = area_ha_h if area_ha_h is not None and area_ha_h > 0 else None
    kept = None
    if saved_kg_ha is not None and price_per_t is not None:
        kept = float(value_of_loss_per_ha(saved_kg_ha, price_per_t))
    faster = faster_h = None
    if capacity_pct is not None and capacity_pct > -100 and known_area and machine_per_h is not None:
        ratio = 1.0 + capacity_pct / 100.0
        faster = float(value_of_throughput_per_ha(known_area, ratio, machine_per_h))
        faster_h = faster * known_area * ratio
    return Gain(kept, kept * known_area if kept is not None and known_area else None, faster, faster_h)


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

    def net_cost_per_ha(self, area_ha: float) -> float:
        """The same for each hectare of ``area_ha``."""
        return self.net_cost / area_ha

    def net_cost_per_h(self, hours: float) -> float:
        """The same for each of ``hours`` worked."""
        return self.net_cost / hours


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
