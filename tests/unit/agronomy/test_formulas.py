"""The formulas on arrays, at impossible values, and over readings with gaps."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.agronomy.loss import (
    counted_loss_error_kg_ha,
    counted_loss_kg_ha,
    machine_loss_kg_ha,
    share_of_harvested_and_lost_pct,
)
from chaffinch.pipelines.agronomy.tip_speed import speed_rpm, tip_speed_m_s
from chaffinch.pipelines.agronomy.yields import (
    bushels_per_tonne,
    harvest,
    mass_at_market_moisture,
    wet_yield_t_ha,
)


def test_arrays_give_what_numbers_give_one_by_one():
    flow, speed, width = np.array([5.0, 8.0, 11.0]), np.array([1.0, 1.5, 2.0]), 9.0
    together = wet_yield_t_ha(flow, speed, width)
    one_by_one = [wet_yield_t_ha(f, s, width) for f, s in zip(flow, speed, strict=True)]
    assert together.shape == (3,)
    assert together.tolist() == one_by_one
    assert np.ndim(one_by_one[0]) == 0


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan])
def test_no_yield_at_a_standstill(speed):
    assert math.isnan(wet_yield_t_ha(5.0, speed, 9.0))
    mixed = wet_yield_t_ha(np.array([5.0, 9.0]), np.array([speed, 1.0]), 9.0)
    assert math.isnan(mixed[0])
    assert mixed[1] == 10.0


def test_impossible_divisors_are_nan_everywhere():
    impossible = [
        counted_loss_kg_ha(10, 0.0, 40.0),
        machine_loss_kg_ha(10.0, 0.0, 0.0),
        share_of_harvested_and_lost_pct(0.0, 0.0),
        bushels_per_tonne(0.0),
        speed_rpm(20.0, 0.0),
        mass_at_market_moisture(100.0, 100.0, 14.0),
        mass_at_market_moisture(100.0, -1.0, 14.0),
        mass_at_market_moisture(100.0, 14.0, 100.0),
    ]
    assert all(math.isnan(value) for value in impossible)


def test_the_share_is_of_all_grain():
    assert share_of_harvested_and_lost_pct(100.0, 9900.0) == 1.0
    assert share_of_harvested_and_lost_pct(100.0, 0.0) == 100.0


def test_small_counts_may_come_out_below_nothing():
    assert machine_loss_kg_ha(4.0, 10.0, 3.0) == -2.0


def test_error_of_a_count():
    # 100 +- 10 kernels of 40 mg on 1 m2: 40 +- 4 kg/ha.
    assert counted_loss_error_kg_ha(100, 1.0, 40.0) == pytest.approx(4.0)
    assert counted_loss_error_kg_ha(0, 1.0, 40.0) == pytest.approx(0.4)


def test_poisson_counts_scatter_by_the_error_stated():
    drawn = np.random.default_rng(7).poisson(60, 20_000)
    loss = counted_loss_kg_ha(drawn, 0.5, 45.0)
    assert loss.std() == pytest.approx(
        counted_loss_error_kg_ha(60, 0.5, 45.0), rel=0.02
    )  # 1/sqrt(2n) = 0.5 %


READINGS = pl.DataFrame(
    {
        "grain_flow_kg_s": [10.0, 10.0, None, 10.0, 10.0],
        "record_duration_s": [1.0, 1.0, 1.0, 1.0, 1.0],
        "speed_m_s": [2.0, 2.0, 2.0, 2.0, 2.0],
        "distance_m": [None, 2.0, 2.0, 2.0, 2.0],
        "working_width_m": [9.0, 9.0, 9.0, 9.0, 9.0],
        "grain_moisture_pct": [14.0, 18.0, 14.0, None, 14.0],
        "working": [1, 1, 1, None, 0],
    }
)


def test_harvest_adds_up_what_counts_and_says_what_does_not():
    # Rows 1, 2 and 4 count: 30 kg wet; at 14 %: 10 + 10 x 82/86 + 10 (no moisture: as it is). 3 x 18 m2.
    total = harvest(READINGS, 14.0)
    assert total.market_t == pytest.approx(0.010 + 0.010 * 82 / 86 + 0.010)
    assert total.area_ha == pytest.approx(6.0 * 9.0 / 10_000)
    assert (total.readings, total.left_out) == (3, 1)
    assert total.yield_t_ha == pytest.approx(total.market_t / 0.0054)


def test_harvest_without_a_market_moisture_counts_grain_as_it_is():
    total = harvest(READINGS, None)
    assert total.market_t == pytest.approx(0.030)
    assert total.readings == 3


def test_harvest_of_nothing():
    total = harvest(READINGS.clear(), 14.0)
    assert total.market_t == 0
    assert math.isnan(total.yield_t_ha)
    assert harvest(READINGS.drop("grain_flow_kg_s"), 14.0).left_out == 4


def test_not_a_number_is_left_out_of_the_harvest():
    total = harvest(READINGS.with_columns(grain_flow_kg_s=pl.lit(float("nan"))), 14.0)
    assert (total.readings, total.left_out, total.market_t) == (0, 4, 0)


def test_tip_speed_goes_there_and_back():
    rpm = np.array([300.0, 900.0])
    assert speed_rpm(tip_speed_m_s(0.66, rpm), 0.66) == pytest.approx(rpm, rel=1e-14)
