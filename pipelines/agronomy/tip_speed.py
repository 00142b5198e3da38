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


def equal_tip_speed_rpm(on_this_rpm: Numbers, this_diameter_m: Numbers, other_diameter_m: Numbers) -> Numbers:
    """Speed [rpm] at which another drum has the tip speed that this one has at ``on_this_rpm``. Exact.

    A 26 % larger drum turns 20.6 % slower. In practice it is run up to 26 % slower, since a larger drum also
    holds the crop longer (common practice, no source).
    """
    return quotient(np.asarray(on_this_rpm) * this_diameter_m, other_diameter_m)


def reel_speed_rpm(travel_speed_m_s: Numbers, reel_diameter_m: Numbers, reel_index: Numbers = 1.5) -> Numbers:
    """Reel speed [rpm] whose tip moves ``reel_index`` times as fast as the machine travels.

    Advice differs: 1.5 (Iowa State Univ., Shouse 2005); at most 1.25 (Univ. of Missouri G1280).
    """
    return speed_rpm(np.asarray(reel_index) * travel_speed_m_s, reel_diameter_m)
