"""What pages of machines and crops are made from: one step's effect, the next field, common practice, facts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.dashboards.figures.field_map import round_length
from chaffinch.dashboards.figures.forest import _of_one_step, next_field
from chaffinch.dashboards.figures.loss_curve import with_fit
from chaffinch.dashboards.figures.timeline import between_passes, levels_of
from chaffinch.dashboards.pages.field_facts import hours_at_values
from chaffinch.dashboards.pages.group_page import _clear
from chaffinch.dashboards.start_sheet.usual import usual_position
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import tables

EFFECTS = tables()["effects"]


def test_where_one_more_field_is_to_be_expected_is_as_estimated():
    """A change of -20 to +50 % is ln 0.8 to ln 1.5."""
    result = {"next_field_percent_low": -20.0, "next_field_percent_high": 50.0}
    assert next_field(result) == pytest.approx((-0.22314, 0.40547), abs=1e-5)
    assert next_field({"next_field_percent_low": None, "next_field_percent_high": None}) is None
    assert next_field({}) is None


def test_an_adjustment_two_steps_down_is_shown_per_step_up():
    row = {
        "verdict": "less", "log_ratio": -0.4, "log_ratio_low": -0.6, "log_ratio_high": -0.2,
        "percent": -33.0, "percent_low": -45.0, "percent_high": -18.0,
    }  # fmt: skip
    result = _of_one_step(row, -2.0)
    assert result["verdict"] == "more"
    assert [result[f"log_ratio{end}"] for end in ("_low", "", "_high")] == pytest.approx([0.1, 0.2, 0.3])
    # exp(0.2) = 1.2214 (tables of the exponential function)
    assert result["percent"] == pytest.approx(22.14, abs=0.01)


def test_common_practice_is_compared_with_the_values_used():
    usual = usual_position(settings()["feeder_drum_position"], "wheat", None, "metric")
    assert usual is not None and usual.words == "lower" and "no source" in usual.source
    assert usual.outside({"lower": 3.0}) == "no"
    assert usual.outside({"lower": 3.0, "upper": 1.0}) == "part of the time"
    assert usual.outside({"upper": 1.0}) == "yes"
    assert usual_position(settings()["fan_speed"], "wheat", None, "metric") is None
    assert usual_position(settings()["feeder_drum_position"], None, None, "metric") is None


def test_a_drum_is_held_against_its_tip_speed():
    # Wheat: 25 to 33 m/s in schemas/crops.toml. 25 m/s x 60 / (pi x 0.66 m) = 723 rpm; 33 m/s: 955 rpm.
    drum = settings()["threshing_speed"]
    usual = usual_position(drum, "wheat", 0.66, "metric")
    assert usual is not None and usual.words == "723 to 955 rpm (25 to 33 m/s at the tip)"
    assert usual.outside({"900 rpm": 2.0}) == "no" and usual.outside({"1100 rpm": 2.0}) == "yes"
    # 1 ft = 0.3048 m exactly: 25 m/s = 4,921 ft/min.
    american = usual_position(drum, "wheat", None, "us")
    assert american is not None and "4,921 to 6,496 ft/min" in american.words
    assert american.outside({"900 rpm": 2.0}) is None


@pytest.mark.parametrize(
    ("most", "length"), [(0.7, 0.5), (1.0, 1), (130, 100), (250, 200), (999, 500), (21, 20)]
)
def test_the_scale_of_the_map_is_round(most, length):
    assert round_length(most) == pytest.approx(length)


def test_the_fitted_curves_lie_as_far_apart_as_the_effect():
    """Loss rises with the square of feed rate; after the change it is half as much again."""
    start = datetime(2026, 7, 20, 8, tzinfo=UTC)
    second = np.arange(1200)
    feed = 30 + 8 * np.sin(second / 50)

    def side(factor: float, offset: int) -> pl.DataFrame:
        return pl.DataFrame(
            {
                "time": [start + timedelta(seconds=int(s) + offset) for s in second],
                "feed": feed,
                "loss": factor * 0.01 * feed**2,
                "moisture_aligned_pct": 15 + 0.1 * np.cos(second / 90),
            }
        )

    classes = pl.DataFrame({"feed": [25.0, 30.0, 35.0]})
    sides = (side(1.0, 0), side(1.5, 2000))
    before, after = with_fit((classes, classes), sides, "loss", float(np.log(1.5)))
    # 0.01 x 25 squared = 6.25, and so on; half as much again after.
    assert before["fitted"].to_list() == pytest.approx([6.25, 9.0, 12.25], rel=0.01)
    assert after["fitted"].to_list() == pytest.approx([9.375, 13.5, 18.375], rel=0.01)
    assert with_fit((classes, classes), sides, "loss", None)[0]["fitted"].to_list() == [None] * 3
    short = (sides[0].head(60), sides[1].head(60))
    assert with_fit((classes, classes), short, "loss", 0.4)[1]["fitted"].to_list() == [None] * 3


def test_turns_stops_and_holes_are_what_lies_between_passes():
    result = pl.DataFrame({"pass_number": [None, 1, 1, None, None, 2, 2, 3]})
    at = np.array([0.0, 1, 2, 3, 4, 5, 6, 600]) * 1000
    assert between_passes(result, at) == [(6_000.0, 600_000.0), (3_000.0, 5_000.0), (0.0, 1_000.0)]


def test_numbers_of_changes_make_room_for_each_other():
    at = np.array([0.0, 1000.0])
    # Apart by a tenth of the time: side by side. Closer ones go up, and share the top when all are taken.
    assert levels_of([100, 200, 300], at) == [0, 0, 0]
    assert levels_of([100, 110, 120, 300], at) == [0, 1, 2, 0]
    assert levels_of([100, 101, 102, 103], at) == [0, 1, 2, 0]


def test_hours_at_each_value_add_up_over_fields():
    result = {"crop": "wheat", "conditions": [], "in_use": [["fan_speed", "1000 rpm", 30.0]]}
    more = {**result, "in_use": [["fan_speed", "1000 rpm", 30.0], ["fan_speed", "1050 rpm", 120.0]]}
    assert hours_at_values([result, more]) == {("wheat", "fan_speed"): {"1050 rpm": 2.0, "1000 rpm": 1.0}}


def test_what_is_clear_on_this_machine_and_on_all_stands_apart():
    one = {"scope": "season", "setting": "fan_speed", "unit": "rpm", "per_step": 50.0, "crop": "wheat",
           "outcome": "cleaning_loss", "verdict": "less", "chance_less": 0.99}  # fmt: skip
    rows = [
        one | {"machine": machine, "percent": size, "percent_low": size - 10, "percent_high": size + 10}
        for machine, size in ((None, -27.0), ("Combine A", -33.0))
    ]
    found = _clear(pl.DataFrame(rows, schema=EFFECTS.polars_schema()), one_crop=True)
    assert [row["name"].partition(" (")[2] for row in found] == ["Combine A)", "all machines)"]
    assert [outcome.percent for row in found for outcome in row["outcomes"]] == [-33.0, -27.0]
    alone = _clear(pl.DataFrame(rows[:1], schema=EFFECTS.polars_schema()), one_crop=True)
    assert [row["name"] for row in alone] == ["Fan speed, per +50 rpm"]
