"""What is known of made-up sensors whose gain, power, zeros and slope are known."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.sensors.check_linearity import linearity
from chaffinch.pipelines.estimate.sensors.known_sensors import known_sensors, weighed_signals
from chaffinch.pipelines.estimate.sensors.sensor_facts import slope_on_feed
from chaffinch.schemas.tables import tables

START = datetime(2026, 7, 20, 8, tzinfo=UTC)


def checks(power: float, error: float, count: int, seed: int) -> np.ndarray:
    """Pairs of a sensor that shows 300 x loss ** power, pans right within ``error`` (log), an hour apart."""
    rng = np.random.default_rng(seed)
    lost = np.exp(np.linspace(np.log(0.02), np.log(0.2), count))
    at = START.timestamp() + 3600 * rng.permutation(count)
    return np.column_stack([lost * np.exp(error * rng.standard_normal(count)), 300 * lost**power, at])


def job(name: str, hours: float, **more: Any) -> dict[str, Any]:
    row = {
        "job": name, "made_from": "m", "machine": "Combine A", "field": name, "harvest": 1, "crop": "wheat",
        "first_time": START + timedelta(hours=hours), "last_time": START + timedelta(hours=hours + 2),
        "readings": 7200, "bins": 700, "loss_delay_s": 7.0, "outcomes": ["separation_loss", "cleaning_loss"],
        "flaws": [], "calibrated": 0, "loss_checks": "[]", "delays_found": "{}", "delays_found_in": "d",
        **{f"{sensor}_delay_s": 8.0 for sensor in ("grain", "separation", "cleaning", "moisture")},
    }  # fmt: skip
    return {**row, **more}


def jobs(rows: list[dict[str, Any]]) -> pl.DataFrame:
    table = tables()["field_jobs"]
    return table.conform(
        pl.DataFrame(rows, schema_overrides=dict(table.polars_schema()), infer_schema_length=None)
    )


def facts(level: float, zero_share: float = 0.0) -> dict[str, Any]:
    return {
        "seconds": 7200.0, "zero_share": zero_share, "zero_by_counting": 0.0, "top_share": 0.001, "step": 0.2,
        "low": 5.0, "median": 20.0, "high": 60.0, "level": level, "slope": 3.0, "slope_error": 0.2,
    }  # fmt: skip


def driven(slope: float, drift: float, feed_sd: float = 0.15) -> Binned:
    """Four hours in bins of 10 s: the signal goes with the feed rate to the power ``slope`` and drifts over hours."""
    rng = np.random.default_rng(11)
    time_s = 10.0 * np.arange(1440)
    log_feed = np.log(30) + feed_sd * np.sin(time_s / 90) + feed_sd / 3 * rng.standard_normal(time_s.size)
    log_signal = slope * log_feed + drift * np.sin(time_s / 6000) + 0.2 * rng.standard_normal(time_s.size)
    none = np.full(time_s.size, np.nan)
    return Binned(
        *("A", "Home", "wheat", [], time_s, np.full(time_s.size, 10.0), np.zeros(time_s.size, dtype=int)),
        *(none, none, np.exp(log_feed), none, none, none, none, none, none, none),
        {"separation_loss": log_signal - log_feed},
        {},
        False,
    )


@pytest.mark.parametrize(("power", "slope"), [(1.0, 1.0), (0.7, 1 / 0.7), (1.4, 1 / 1.4)])
def test_the_slope_of_checks_on_a_signal_is_the_inverse_of_its_power(power, slope):
    """signal = 300 loss^p, so ln loss rises by 1/p for each unit of ln signal."""
    exact = linearity(checks(power, 0.0, 12, 1))
    # The middle of what twelve checks leave open (6 %), not the least squares' value.
    assert exact is not None and exact.slope == pytest.approx(slope, rel=0.04) and exact.error < 0.1
    found = [linearity(checks(power, 0.25, 8, seed)) for seed in range(100, 300)]
    held = [low <= slope <= high for low, high in (one.ends for one in found if one is not None)]
    # Of 200 ranges of 95 % at least 92 % hold: four standard errors below would be 88.8 %.
    assert len(held) == 200 and np.mean(held) >= 0.92


def test_two_checks_show_no_slope():
    assert linearity(checks(1.0, 0.2, 2, 5)) is None
    assert linearity(np.empty((0, 3))) is None


def test_as_many_checks_as_promised_settle_the_slope():
    few = linearity(checks(1.0, 0.2, 4, 8))
    assert few is not None
    more = few.checks_to_settle(6.0, 60.0)
    assert more is not None and more > 0
    many = np.concatenate([checks(1.0, 0.2, 4, 8), checks(1.0, 0.2, 2 * ((more + 1) // 2) * 2, 9)])
    settled = linearity(many)
    assert settled is not None and settled.checks_to_settle(6.0, 60.0) == 0
    assert few.checks_to_settle(20.0, 20.0) is None


def test_a_known_sensor_is_described_as_it_is():
    pairs = checks(1.0, 0.0, 5, 3)
    frame = jobs(
        [
            job("North", 0, sensors=json.dumps({"separation_loss": facts(1.0), "cleaning_loss": facts(0.5)}),
                loss_checks=json.dumps(pairs[:3].tolist())),
            job("South", 48, sensors=json.dumps({"separation_loss": facts(1.4, 0.1), "cleaning_loss": facts(0.5)}),
                loss_checks=json.dumps(pairs[3:].tolist()), flaws=["separation_loss:signal_often_zero"]),
        ]
    )  # fmt: skip
    separation, cleaning = known_sensors(frame).sort("sensor", descending=True).to_dicts()
    assert (separation["sensor"], separation["fields"], separation["hours"]) == ("separation_loss", 2, 4.0)
    # Half of the seconds have no zeros, the other half a tenth.
    assert separation["zero_share"] == pytest.approx(0.05)
    assert separation["flaws"] == ["signal_often_zero"] and cleaning["flaws"] == []
    # Two slopes of 3 with an error of 0.2 each: 0.2 / sqrt(2) together.
    assert separation["slope"] == pytest.approx(3.0)
    assert separation["slope_high"] - 3.0 == pytest.approx(1.96 * 0.2 / 2**0.5, abs=1e-3)
    assert separation["against_other_log"] == pytest.approx(0.4)
    assert cleaning["against_other_log"] == pytest.approx(-0.4)
    weights, each = weighed_signals(frame)
    (weight,) = weights.to_dicts()
    # One unit of a sensor that shows 300 for 1 kg/s is 1/300 kg/s.
    assert weight["gain"] == pytest.approx(1 / 300, rel=0.01)
    assert weight["gain_low"] < 1 / 300 < weight["gain_high"]
    assert weight["checks"] == 5 and weight["slope"] == pytest.approx(1.0, rel=0.04)
    assert each.height == 5 and each["time"].is_sorted()
    assert sorted(each["field"].to_list()) == ["North"] * 3 + ["South"] * 2


def test_a_sensor_in_kg_s_or_without_checks_is_not_weighed():
    frame = jobs(
        [job("North", 0, sensors=json.dumps({"cleaning_loss": facts(0.0)})), job("South", 9, calibrated=1)]
    )
    weights, each = weighed_signals(frame)
    assert weights.is_empty() and each.is_empty()
    (row,) = known_sensors(frame).to_dicts()
    assert row["against_other_log"] is None
    assert known_sensors(frame.clear()).is_empty()


def test_the_slope_on_feed_rate_is_found_beside_a_drift():
    binned = driven(2.4, drift=1.0)
    slope, error = slope_on_feed(binned, binned.outcomes["separation_loss"])
    assert slope is not None and error is not None and error < 0.15
    assert abs(slope - 2.4) < 3 * error


def test_a_constant_feed_rate_shows_no_slope():
    binned = driven(2.4, 0.0, feed_sd=0.0)
    assert slope_on_feed(binned, binned.outcomes["separation_loss"]) == (None, None)
