"""Published feed rates in pounds a minute against the conversion of units."""

from __future__ import annotations

import pytest
from chaffinch.schemas.units import conversion


@pytest.mark.seconds
@pytest.mark.parametrize(
    ("lb_min", "t_h"),
    # Wheat fed at 100, 150, 200 lb/min: Harrison, Can. Agric. Eng. 17:55-58, 1975; t/h is arithmetic.
    # 585, 825, 800 lb/min: PAMI, one report, barley and wheat; it prints 16.0, 22.5 and 21.8 t/h.
    [(100, 2.72), (150, 4.08), (200, 5.44), (585, 15.92), (825, 22.45), (800, 21.77)],
)
def test_feed_rates_in_pounds_a_minute(lb_min, t_h):
    kg_s = lb_min * conversion("lb/min", "kg/s").scale
    assert kg_s * 3.6 == pytest.approx(t_h, abs=0.005)
