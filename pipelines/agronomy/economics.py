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
