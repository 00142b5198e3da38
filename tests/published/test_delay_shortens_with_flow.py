"""The dead time shortens as flow rises: the Univ. of Kentucky yield-monitor test stand, table 2.

Source: Biosystems and Agricultural Engineering, Univ. of Kentucky, precision-ag group, yield-monitor test
facility, table 2, complete: actual flow in kg/s, delay from meter to elevator in s.
"""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.work.align import travel_s
from chaffinch.pipelines.work.delays.lag import Lag

FLOW_KG_S = np.array([1.3, 2.1, 4.4, 8.5, 12.7, 17.0, 21.2])
DELAY_S = np.array([8.0, 8.0, 6.0, 6.0, 6.0, 5.0, 5.0])


def test_a_power_of_flow_explains_the_table_as_well_as_its_logarithm():
    """8.354 - 1.109 ln(flow) explains 89.5 % of the table's variance (our arithmetic on its seven rows); the
    form used here, dead time times load to a power, must not explain less."""
    power, level = np.polyfit(np.log(FLOW_KG_S), np.log(DELAY_S), 1)
    assert -power == pytest.approx(0.17, abs=0.01)
    usual = Lag(float(np.exp(level) * 8.5**power), 0.2, True, 0.0, float(-power))
    left_over = DELAY_S - travel_s(usual, FLOW_KG_S / 8.5)
    assert 1 - (left_over @ left_over) / (DELAY_S.size * DELAY_S.var()) > 0.895


def test_a_constant_delay_would_miss_the_ends_of_the_table_by_over_a_second():
    assert np.abs(travel_s(Lag(float(DELAY_S.mean()), 0.2), None) - DELAY_S).max() > 1.0
