"""Area and grain an hour: from speed, width and yield.

Field efficiency is the share of the time in the field in which the machine cuts at full width, 0 to 1.
Source of the formulas: Univ. of Kentucky AEN-73 (Hancock, Swetnam & Benson, 1991); Iowa State Univ. PM 696.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.agronomy.exact import ACRE_M2, FOOT_M, MILE_M, Numbers, quotient


def field_capacity_ha_h(speed_km_h: Numbers, width_m: Numbers, field_efficiency: Numbers = 1.0) -> Numbers:
    """Area an hour [ha/h]: speed x width x efficiency / 10."""
    return (np.asarray(speed_km_h, dtype=np.float64) * width_m * field_efficiency / 10.0)[()]


def field_capacity_ac_h(speed_mph: Numbers, width_ft: Numbers, field_efficiency: Numbers = 1.0) -> Numbers:
    """Area an hour [acre/h]: speed x width x efficiency / 8.25, where 8.25 = 43,560 / 5,280 exactly."""
    ac_h = np.asarray(speed_mph, dtype=np.float64) * MILE_M * width_ft * FOOT_M / ACRE_M2
    return (ac_h * field_efficiency)[()]


def throughput_t_h(
    yield_t_ha: Numbers, speed_km_h: Numbers, width_m: Numbers, field_efficiency: Numbers = 1.0
) -> Numbers:
    """Grain an hour [t/h]: yield x area an hour. With efficiency 1: while cutting."""
    return (np.asarray(yield_t_ha) * field_capacity_ha_h(speed_km_h, width_m, field_efficiency))[()]


def hours_for(area: Numbers, area_per_hour: Numbers) -> Numbers:
    """Hours for an area, both in the same unit."""
    return quotient(area, area_per_hour)
