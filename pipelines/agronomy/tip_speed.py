"""Speed at the tip of a drum or rotor: what threshes is the tip speed, not the rotational speed."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.agronomy.exact import Numbers, quotient


def tip_speed_m_s(diameter_m: Numbers, speed_rpm: Numbers) -> Numbers:
    """Tip speed [m/s] of a drum of ``diameter_m`` over the bars at ``speed_rpm``: pi x D x n / 60. Exact."""
    return (np.pi * np.asarray(diameter_m, dtype=np.float64) * speed_rpm / 60.0)[()]


def speed_rpm(tip_speed_m_s: Numbers, diameter_m: Numbers) -> Numbers:
    """Rotational speed [rpm] that gives a tip speed [m/s]. Exact; NaN for a diameter not above zero."""
    return quotient(60.0 * np.asarray(tip_speed_m_s), np.pi * np.asarray(diameter_m))
