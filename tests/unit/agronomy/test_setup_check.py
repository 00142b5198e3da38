"""The set-up check at its edges."""

from __future__ import annotations

import math

import polars as pl
from chaffinch.pipelines.agronomy.setup_check import doubtful_jumps, setup_check


def test_share_counts_working_readings_only():
    field = pl.DataFrame(
        {"working": [1, 1, 1, 1, 0, 0], "chopper_speed": ["high", "low", "low", "low", "high", "high"]}
    )
    (finding,) = setup_check(field, "corn")
    assert finding.share == 0.25
    assert finding.sentence.endswith("It holds in 25 % of the readings.")


def test_words_are_taken_as_the_catalogue_writes_them():
    (finding,) = setup_check(pl.DataFrame({"separator_covers": ["CLOSED", "fitted"]}), "Maize")
    assert finding.share == 1.0


def test_nothing_logged_or_an_unknown_crop_is_nothing_to_tell():
    nothing = pl.DataFrame({"chopper_speed": [None, None]}, schema={"chopper_speed": pl.String})
    assert setup_check(nothing, "corn") == ()
    assert setup_check(pl.DataFrame({"speed_m_s": [1.0]}), "corn") == ()
    assert setup_check(nothing.clear(), "corn") == ()
    high = pl.DataFrame({"chopper_speed": ["high"]})
    assert setup_check(high, "quinoa") == ()
    assert setup_check(high, None) == ()


def test_what_a_machine_must_not_do_holds_in_any_crop_and_only_where_both_are_logged():
    never = ({"chopper_speed": "high", "spreader_speed": "high"},)
    both = pl.DataFrame({"chopper_speed": ["high", "high"], "spreader_speed": ["high", None]})
    (finding,) = setup_check(both, None, never_together=never)
    assert finding.kind == "forbidden"
    assert finding.share == 0.5


def test_sieves_that_may_be_swapped_and_values_no_machine_has():
    field = pl.DataFrame(
        {
            "lower_sieve_opening_mm": [14.0, 8.0],
            "upper_sieve_opening_mm": [8.0, 14.0],
            "fan_speed_rpm": [1000.0, 99_999.0],
        }
    )
    swapped, fan = setup_check(field, "wheat")
    assert swapped.settings == ("lower_sieve_opening", "upper_sieve_opening")
    assert "swapped" in swapped.sentence
    assert fan.kind == "unlikely"
    assert "Fan speed is logged outside 100 to 2200 rpm" in fan.sentence


def test_large_jump_inside_the_plausible_range():
    changes = pl.DataFrame(
        {"time": [None], "setting": ["fan_speed"], "from_value": ["300"], "to_value": ["1500"]},
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )
    (finding,) = doubtful_jumps(changes)
    assert finding.sentence == (
        "Fan speed logged from 300 to 1500 rpm: one adjustment seldom changes more than 600 rpm."
    )
    assert math.isnan(finding.share)
    assert doubtful_jumps(changes.clear()) == ()


def test_not_a_number_is_no_finding():
    field = pl.DataFrame({"fan_speed_rpm": [1000.0, float("nan")], "threshing_speed_rpm": [float("nan")] * 2})
    assert setup_check(field, "wheat", drum_diameter_m=0.6) == ()
