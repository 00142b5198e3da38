"""Adjustments found in a setting that a log has in every row."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.ingest.kinds.setting_changes import adjustments_of
from chaffinch.schemas.declarations import settings

START = datetime(2026, 8, 1, 10, tzinfo=UTC)
FAN = settings()["fan_speed"]


def changes(values, setting=FAN, interval_s=1.0, machine="A", seconds=None):
    seconds = np.arange(len(values)) * interval_s if seconds is None else np.asarray(seconds)
    frame = pl.DataFrame(
        {
            "row": np.arange(2, len(values) + 2),
            "time": pl.Series([START + timedelta(seconds=float(s)) for s in seconds]).cast(
                pl.Datetime("us", "UTC")
            ),
            "machine": [machine] * len(values),
            setting.column: values,
        }
    )
    return adjustments_of(frame, setting)


def result(frame):
    return list(zip(frame["row"], frame["from_value"], frame["to_value"], strict=True))


def test_a_set_value_that_changes_and_stays():
    found = changes([1000.0] * 100 + [1080.0] * 100)
    assert result(found) == [(102, "1000", "1080")]
    assert found["time"].to_list() == [START + timedelta(seconds=100)]
    row = found.row(0, named=True)
    assert (row["setting"], row["unit"], row["kind"], row["origin"], row["machine"]) == (
        "fan_speed",
        "rpm",
        "number",
        "setting column",
        "A",
    )


def test_the_first_value_is_no_adjustment():
    assert changes([1000.0] * 100).height == 0


def test_a_slip_that_is_corrected_within_seconds_is_no_adjustment():
    assert changes([1000.0] * 100 + [1080.0] * 8 + [1000.0] * 100).height == 0


def test_the_way_of_an_actuator_is_one_adjustment_that_starts_where_it_starts():
    ramp = np.linspace(1000, 1200, 21)[1:-1].round().tolist()
    assert result(changes([1000.0] * 100 + ramp + [1200.0] * 100)) == [(102, "1000", "1200")]


def test_there_and_back_again_are_two_adjustments():
    found = changes([1000.0] * 100 + [1080.0] * 100 + [1000.0] * 100)
    assert result(found) == [(102, "1000", "1080"), (202, "1080", "1000")]


@pytest.mark.parametrize("interval_s", [0.2, 1.0, 2.0, 5.0])
def test_sampling_intervals(interval_s):
    found = changes([1000.0] * 200 + [1080.0] * 200, interval_s=interval_s)
    assert result(found) == [(202, "1000", "1080")]


def test_one_rpm_of_rounding_is_no_adjustment():
    assert changes([1000.0] * 100 + [1001.0] * 100 + [1000.0] * 100).height == 0


def test_rows_without_a_value_say_nothing():
    found = changes([1000.0] * 100 + [None] * 50 + [1080.0] * 100)
    assert result(found) == [(152, "1000", "1080")]


def test_a_fan_that_stands_still_at_a_stop_was_not_adjusted():
    assert changes([1000.0] * 100 + [0.0] * 120 + [1000.0] * 100).height == 0


def test_a_change_made_while_the_fan_stood_still_is_found():
    found = changes([1000.0] * 100 + [0.0] * 120 + [1080.0] * 100)
    assert result(found) == [(222, "1000", "1080")]


def jittering(levels, sigma, seed, each=600):
    noise = np.random.default_rng(seed)
    return np.concatenate([level + sigma * noise.standard_normal(each) for level in levels])


@pytest.mark.parametrize("seed", range(5))
def test_an_actual_speed_that_jitters_with_load_was_not_adjusted(seed):
    assert changes(jittering([1000], 12.0, seed, 3600)).height == 0


@pytest.mark.parametrize("seed", range(5))
def test_an_actual_speed_that_sags_slowly_with_load_was_not_adjusted(seed):
    drift = 30 * np.sin(np.arange(3600) / 3600 * 2 * np.pi * 3)
    assert changes(jittering([1000], 5.0, seed, 3600) + drift).height == 0


def wandering(seed, rpm=15.0, over_s=60.0, length=18_000):
    from scipy.signal import lfilter

    noise = np.random.default_rng(seed)
    a = np.exp(-1 / over_s)
    slow = lfilter([rpm * np.sqrt(1 - a * a)], [1, -a], noise.standard_normal(length))
    return 1000 + slow + 3 * noise.standard_normal(length)


@pytest.mark.parametrize("seed", range(4))
def test_an_actual_speed_that_wanders_for_minutes_was_not_adjusted(seed):
    assert changes(wandering(seed)).height == 0


@pytest.mark.parametrize("seed", range(4))
def test_an_adjustment_stands_out_of_the_wandering(seed):
    values = wandering(seed)
    values[9000:] += 100
    found = changes(values)
    assert found.height == 1
    assert found["row"].to_list() == pytest.approx([9002], abs=30)


@pytest.mark.parametrize("seed", range(5))
def test_an_adjustment_stands_out_of_the_jitter(seed):
    found = changes(jittering([1000, 1100, 1050], 8.0, seed))
    assert found.height == 2
    # The scatter of a median of 60 readings with 8 rpm of noise is about 1.25 * 8 / sqrt(60) = 1.3 rpm.
    before = [float(v) for v in found["from_value"]]
    after = [float(v) for v in found["to_value"]]
    assert before == pytest.approx([1000, 1100], abs=6)
    assert after == pytest.approx([1100, 1050], abs=6)
    assert found["row"].to_list() == pytest.approx([602, 1202], abs=3)


def test_words():
    covers = settings()["concave_cover_plates"]
    found = changes(["open"] * 60 + ["closed"] * 60, setting=covers)
    assert result(found) == [(62, "open", "closed")]
    assert found["unit"].to_list() == [None]


def test_machines_are_kept_apart():
    one = [1000.0] * 100
    frame = pl.DataFrame(
        {
            "row": np.arange(2, 202),
            "time": pl.Series([START + timedelta(seconds=i % 100) for i in range(200)]).cast(
                pl.Datetime("us", "UTC")
            ),
            "machine": ["A"] * 100 + ["B"] * 100,
            "fan_speed_rpm": one + [1080.0] * 100,
        }
    )
    assert adjustments_of(frame, FAN).height == 0


def test_rows_out_of_order_are_ordered_by_time():
    values = [1080.0] * 100 + [1000.0] * 100
    seconds = np.r_[np.arange(100, 200), np.arange(100)]
    assert result(changes(values, seconds=seconds)) == [(2, "1000", "1080")]
