"""Answers that hardly moved keep their numbers; all that differs otherwise is taken as it is now."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest
from chaffinch.pipelines.estimate.kept.hardly_moved import (
    settled_effects,
    settled_loss_curves,
    settled_responses,
)
from chaffinch.schemas.tables import tables
from hypothesis import given
from hypothesis import strategies as st

THEN, NOW = datetime(2026, 8, 1, tzinfo=UTC), datetime(2026, 8, 2, tzinfo=UTC)


def effects(middle: float, when: datetime, **more) -> pl.DataFrame:
    """One row with a range of half width 0.2 and a moment of its own."""
    row = {
        "scope": "adjustment", "machine": "A", "field": "Mill Field", "crop": "wheat", "time": THEN,
        "setting": "fan_speed", "outcome": "cleaning_loss", "log_ratio": middle, "log_ratio_low": middle - 0.2,
        "log_ratio_high": middle + 0.2, "verdict": "no clear change", "reasons": [], "shared_with": 3,
        "computed_at": when,
    }  # fmt: skip
    return tables()["effects"].conform(pl.DataFrame([row | more], infer_schema_length=None))


@pytest.mark.parametrize(
    ("moved", "more", "stays"),
    [
        (0.019, {}, True),
        (0.021, {}, False),
        (-0.019, {"shared_with": 9}, True),
        (0.019, {"verdict": "more", "hidden_step_share": None}, True),
        (0.021, {"verdict": "more"}, False),
        (0.0, {"verdict": "cannot tell"}, False),
        (0.0, {"reasons": ["time_uncertain"]}, False),
        (0.0, {"log_ratio_high": 0.35}, False),
        (0.0, {"absolute": 3.0}, False),
        (0.019, {"hidden_step_percent": 12.0}, True),
        (0.0, {"hidden_step_share": 0.04}, False),
        (0.0, {"adjustments_pooled": 2}, False),
        (0.0, {"outcome": "separation_loss"}, False),
    ],
)
def test_a_row_stays_within_a_tenth_of_its_half_width(moved, more, stays):
    held = {"hidden_step_percent": 9.0, "hidden_step_share": 0.01}
    before, after = effects(0.1, THEN, **held), effects(0.1 + moved, NOW, **held | more)
    found = settled_effects(before, after)
    assert found.equals(before if stays else after)


def test_of_all_machines_together_more_work_alone_changes_nothing():
    pooled = {"scope": "season", "machine": None, "field": None, "time": None}
    before = effects(0.1, THEN, **pooled, adjustments_pooled=9, readings_before=100.0)
    after = effects(0.1, NOW, **pooled, adjustments_pooled=10, readings_before=120.0)
    assert settled_effects(before, after).equals(before)


def test_rows_keep_the_order_of_this_night():
    before = effects(0.1, THEN)
    after = pl.concat([effects(0.5, NOW, field="Brook"), effects(0.1, NOW), effects(0.1, NOW, field="Top")])
    found = settled_effects(before, after)
    assert found["field"].to_list() == ["Brook", "Mill Field", "Top"]
    assert found["computed_at"].to_list() == [NOW, THEN, NOW]


def test_nothing_before_and_nothing_now():
    none, some = effects(0.1, THEN).clear(), effects(0.1, NOW)
    assert settled_effects(none, some).equals(some)
    assert settled_effects(some, none).equals(none)


def curve(moved: float, values=(8.0, 10.0, 12.0)) -> pl.DataFrame:
    rows = [
        {
            "machine": "A", "crop": "wheat", "setting": "fan_speed", "outcome": "cleaning_loss", "value": value,
            "value_in_use": 10.0, "tried": 1, "log_ratio": 0.1 * i + moved * i, "log_ratio_low": 0.1 * i - 0.2,
            "log_ratio_high": 0.1 * i + 0.2, "chance_best": 0.3, "expected_regret": 0.05, "adjustments_pooled": 4,
        }
        for i, value in enumerate(values)
    ]  # fmt: skip
    return tables()["responses"].conform(pl.DataFrame(rows))


def test_a_curve_stays_as_a_whole_or_not_at_all():
    before = curve(0.0)
    assert settled_responses(before, curve(0.005)).equals(before)
    # Its last point alone moved by more than a tenth of 0.2.
    moved = curve(0.011)
    assert settled_responses(before, moved).equals(moved)
    longer = curve(0.0, (8.0, 10.0, 12.0, 14.0))
    assert settled_responses(before, longer).equals(longer)


def around(in_use: int, moves: list[float], rounding: list[float]) -> pl.DataFrame:
    """A curve of five values against the one at ``in_use``, where its range is a point but for ``rounding``.

    moves : by how many half widths the numbers at each value moved.
    """
    rows = []
    for i, move in enumerate(moves):
        half = 0.1 * abs(i - in_use)
        ends = [0.2 * (i - in_use) + half * (end + move) for end in (0, -1, 1)] if half else rounding
        rows.append({
            "machine": "A", "crop": "wheat", "setting": "fan_speed", "outcome": "machine_loss",
            "value": 900.0 + 50 * i, "value_in_use": 900.0 + 50 * in_use, "tried": 1, "log_ratio": ends[0],
            "log_ratio_low": ends[1], "log_ratio_high": ends[2], "absolute": 90 * ends[0],
            "absolute_low": 90 * ends[1], "absolute_high": 90 * ends[2], "chance_best": 0.2,
            "expected_regret": 0.05, "adjustments_pooled": 4,
        })  # fmt: skip
    return tables()["responses"].conform(pl.DataFrame(rows))


@given(
    st.integers(0, 4),
    st.lists(st.floats(-0.2, 0.2).filter(lambda x: abs(abs(x) - 0.1) > 1e-6), min_size=5, max_size=5),
    st.lists(st.floats(-1e-15, 1e-15), min_size=3, max_size=3),
)
def test_rounding_at_the_value_in_use_moves_no_curve(in_use, moves, rounding):
    before, after = around(in_use, [0.0] * 5, [0.0] * 3), around(in_use, moves, rounding)
    near = all(abs(move) < 0.1 for i, move in enumerate(moves) if i != in_use)
    assert settled_responses(before, after).equals(before if near else after)


def loss_curves(slope: float, error: float) -> pl.DataFrame:
    row = {
        "machine": "A", "field": "Mill Field", "crop": "wheat", "first_time": THEN, "hours": 5.0, "area_ha_h": 3.0,
        "feed_t_h": 20.0, "feed_low_t_h": 12.0, "feed_high_t_h": 28.0, "yield_t_ha": 6.7, "slope": slope,
        "slope_error": error,
    }  # fmt: skip
    return tables()["loss_curves"].conform(pl.DataFrame([row]))


@pytest.mark.parametrize(
    ("error", "moved", "stays"),
    [(0.01, 0.019, True), (0.01, 0.021, False), (0.5, 0.049, True), (0.5, 0.051, False)],
)
def test_a_slope_stays_within_a_tenth_of_its_error_or_a_fiftieth(error, moved, stays):
    before, after = loss_curves(1.2, error), loss_curves(1.2 + moved, error)
    assert settled_loss_curves(before, after).equals(before if stays else after)


def test_rows_of_unchanged_machines_and_of_all_together_stay():
    pooled = {"scope": "season", "machine": None, "field": None, "time": None}
    before = pl.concat([effects(0.1, THEN), effects(0.1, THEN, machine="B"), effects(0.1, THEN, **pooled)])
    now = effects(0.5, NOW)
    found = settled_effects(before, now, {"B"})
    assert found["machine"].to_list() == ["A", "B", None]
    assert found["computed_at"].to_list() == [NOW, THEN, THEN]
    assert settled_effects(before, now).equals(now)
