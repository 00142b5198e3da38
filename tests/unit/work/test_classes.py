"""Classes of work, kinds of passes, slope and screening on ways made by hand."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from builders import driven_ways
from chaffinch.pipelines.work import mark_work
from chaffinch.pipelines.work.delays.lag import Delays, Lag
from chaffinch.pipelines.work.screening import STEPS, shares
from chaffinch.schemas.declarations import reasons

legs, readings_of = driven_ways.legs, driven_ways.readings_of
to_and_fro, turned = driven_ways.to_and_fro, driven_ways.turned

DELAYS = Delays(Lag(12.0, 0.2), Lag(8.0, 0.2), Lag(8.0, 0.2), Lag(15.0, 0.2))


def marked(way: np.ndarray, **columns: np.ndarray) -> pl.DataFrame:
    log = readings_of(way, 9.0)
    return mark_work(log.with_columns(**{k: pl.Series(v) for k, v in columns.items()}), DELAYS)


def test_reversing_out_of_a_corner_shows_in_a_heading_against_the_motion():
    way = legs((0, 0, False), (0, 200, True), (0, 170, False), (0, 400, True))
    way[100:115, 3] = 0.0
    found = marked(way)
    assert found["work_class"][104:112].to_list() == ["reversing"] * 8
    assert not found["usable"][100:115].any()


def test_reversing_is_found_without_a_logged_heading_too():
    way = legs((0, 0, False), (0, 200, True), (0, 170, False), (0, 400, True))
    log = readings_of(way, 9.0).drop("heading_deg")
    found = mark_work(log, DELAYS)
    assert set(found["work_class"][104:112]) == {"reversing"}


def test_the_ground_cut_again_after_reversing_is_marked():
    """30 m back and 30 m forward over the stubble: nothing stood there."""
    way = legs((0, 0, False), (0, 200, True), (0, 170, False), (0, 400, True))
    way[100:115, 3] = 0.0
    again = marked(way)["effective_width_m"][117:128]
    assert again.max() == pytest.approx(0.0, abs=1e-6)


def test_a_drive_to_the_wagon_is_away_and_a_turn_is_not():
    way = legs((0, 0, False), (0, 300, True), (0, 900, False), (9, 300, False), (9, 0, True))
    found = marked(way)
    assert found["work_class"][400] == "away"
    assert found["work_class"][152] == "turn"


def test_emptying_the_tank_on_the_go_is_a_class_of_its_own_and_still_used():
    way = to_and_fro(8.9, passes=2)
    unloading = np.zeros(way.shape[0])
    unloading[60:100] = 1
    found = marked(way, unloading=unloading)
    assert set(found["work_class"][60:100]) == {"unloading"}
    assert found["usable"][60:100].all()


def test_a_pass_along_the_end_of_the_others_is_a_headland_pass():
    side = legs((-4.5, -9, False), (130, -9, True), (130, 20, False), (0, 0, False))
    found = marked(np.vstack([side, to_and_fro(8.9)]))
    kinds = found.drop_nulls("pass_number").group_by("pass_number").agg(pl.col("pass_kind").first())
    assert dict(kinds.iter_rows())[1] == "headland"
    assert set(kinds.filter(pl.col("pass_number") > 1)["pass_kind"]) == {"main"}


def test_a_pass_into_a_wedge_is_a_point_row():
    """Beside a first pass a second one that starts almost on it and ends a width away."""
    slant = legs((0, 0, False), (60, 400, True), (90, 420, False), (62, 400, False))
    found = marked(np.vstack([slant, legs((62, 400, False), (9, 0, True))]))
    kinds = found.drop_nulls("pass_number").group_by("pass_number").agg(pl.col("pass_kind").first())
    assert dict(kinds.iter_rows())[2] == "point_row"


def test_passes_without_a_logged_work_state_come_from_heading_speed_and_flow():
    way = to_and_fro(8.9, passes=10)
    log = readings_of(way, 9.0)
    result = mark_work(log, DELAYS)
    without_state = mark_work(log.drop("working"), DELAYS)
    assert without_state["pass_number"].max() == result["pass_number"].max() == 10
    agree = without_state["pass_number"].is_null() == result["pass_number"].is_null()
    assert agree.mean() > 0.97


def hillside(slope_pct: float, logged: bool) -> pl.DataFrame:
    """A plane that falls to the east by ``slope_pct``, cut along and against the fall line's square."""
    way = to_and_fro(8.9)
    log = readings_of(way, 9.0)
    roll = np.degrees(np.arctan(slope_pct / 100)) * np.where(np.cos(np.radians(way[:, 3])) > 0, 1, -1)
    if logged:
        return log.with_columns(roll_deg=pl.Series(roll), pitch_deg=pl.lit(0.0))
    return log.with_columns(altitude_m=pl.Series(300.0 - way[:, 0] * slope_pct / 100))


@pytest.mark.parametrize("logged", [True, False])
def test_side_slope_by_log_or_elevation_is_that_of_the_plane(logged):
    found = mark_work(hillside(12.0, logged), DELAYS).filter("usable")
    assert found["side_slope_pct"].median() == pytest.approx(12.0, rel=0.02)
    # Northward with the ground falling to the east: the right side is down, roll is positive.
    north = found.filter(pl.col("heading_deg") == 0.0)
    assert north["roll_deg"].median() == pytest.approx(np.degrees(np.arctan(0.12)), rel=0.02)
    assert abs(found["pitch_deg"].median()) < 0.2


def test_elevations_that_jump_from_pass_to_pass_say_nothing_on_side_slope():
    log = hillside(12.0, False)
    passes = np.arange(log.height) // 180
    jumps = np.random.default_rng(2).normal(0, 3.0, passes.max() + 1)[passes]
    found = mark_work(log.with_columns(pl.col("altitude_m") + pl.Series(jumps)), DELAYS)
    assert found["side_slope_pct"].null_count() == found.height


def test_ground_beyond_twenty_percent_is_kept_apart():
    """Compensation for side slope works up to about 20 % (common practice, no source)."""
    way = to_and_fro(8.9)
    steep = way[:, 0] > 90
    roll = np.degrees(np.arctan(np.where(steep, 0.24, 0.16)))
    found = marked(way, roll_deg=roll, pitch_deg=0 * roll)
    inside = found.filter(pl.col("work_class") == "steady")
    apart = inside.filter(pl.col("unused_because") == "steep_slope")
    assert apart.height > 300
    assert apart["side_slope_pct"].min() > 20
    assert inside.filter("usable")["side_slope_pct"].max() < 20


def test_on_a_steep_field_the_gentle_part_is_kept_apart_instead():
    way = to_and_fro(8.9)
    roll = np.degrees(np.arctan(np.where(way[:, 0] > 90, 0.16, 0.24)))
    found = marked(way, roll_deg=roll, pitch_deg=0 * roll)
    assert found.filter("usable")["side_slope_pct"].min() > 20
    assert "gentle_slope" in set(found["unused_because"].drop_nulls())


def spoilt() -> tuple[pl.DataFrame, dict[str, np.ndarray]]:
    """A clean log, into which known faults are put: rows of each. All lie well inside passes."""
    way = turned(to_and_fro(8.9, passes=30), 20.0)
    log = readings_of(way, 9.0)
    rng = np.random.default_rng(4)
    flow = log["grain_flow_kg_s"].to_numpy() * (1 + 0.05 * rng.standard_normal(log.height))
    moisture = 14 + 0.2 * rng.standard_normal(log.height)
    speed = log["speed_m_s"].to_numpy().copy()
    per_pass = way.shape[0] // 30
    middle = np.arange(30) * per_pass + 75
    faults = {
        "flow_outlier": middle[2:8],
        "speed_outlier": middle[8:14],
        "moisture_outlier": middle[14:20],
        "neighbour_outlier": middle[20:26],
    }
    flow[faults["flow_outlier"] + 12] *= 3.0
    speed[faults["speed_outlier"]] = 5.0
    moisture[faults["moisture_outlier"] + 15] = 22.0
    # A half more than around it, and yet no further from the field's median than other readings might be.
    rows = faults["neighbour_outlier"]
    speed[rows] = 1.1
    columns = {"grain_flow_kg_s": flow, "grain_moisture_pct": moisture, "speed_m_s": speed}
    return log.with_columns(**{k: pl.Series(v) for k, v in columns.items()}), faults


def test_every_fault_is_found_under_its_own_step_and_no_row_is_lost():
    log, faults = spoilt()
    found = mark_work(log, DELAYS)
    assert found.height == log.height
    for code, rows in faults.items():
        assert found["unused_because"].gather(rows.tolist()).to_list() == [code] * rows.size, code
    steady = found.filter(pl.col("work_class") == "steady")
    wrongly = steady.filter(~pl.col("usable")).height - sum(r.size for r in faults.values())
    assert wrongly < 0.005 * steady.height


def test_an_impossible_yield_of_the_crop_is_marked():
    """60 kg/s from 9 m at 2 m/s is 33 t/ha; no wheat has it."""
    log = readings_of(to_and_fro(8.9), 9.0).with_columns(pl.col("grain_flow_kg_s") * 5.5)
    assert set(mark_work(log, DELAYS).filter(pl.col("work_class") == "steady")["unused_because"]) == {
        "yield_limit"
    }


def test_shares_are_of_all_records_and_add_up():
    found = mark_work(spoilt()[0], DELAYS)
    by_code = shares(found)
    unused = found.filter(~pl.col("usable")).height
    assert sum(by_code.values()) == pytest.approx(100 * unused / found.height)
    assert set(by_code) == set(STEPS)
    assert set(STEPS.values()) == set(range(1, 7))


def test_every_code_has_its_sentence():
    for code in (*STEPS, "steep_slope", "gentle_slope"):
        assert reasons()[code].about == "reading"


def test_a_usable_reading_has_no_reason_and_every_other_has_one():
    found = mark_work(spoilt()[0], DELAYS)
    assert found.filter("usable")["unused_because"].null_count() == found["usable"].sum()
    assert found.filter(~pl.col("usable"))["unused_because"].null_count() == 0


def test_two_fields_far_apart_on_one_day_keep_memory_small():
    """Cells are counted where the machine was, not over the way between the fields."""
    way = to_and_fro(8.9, passes=6)
    first, second = readings_of(way, 9.0), readings_of(way, 9.0)
    second = second.with_columns(
        pl.col("latitude") + 0.5, pl.col("time") + timedelta(hours=3), altitude_m=pl.lit(80.0)
    )
    log = pl.concat([first.with_columns(altitude_m=pl.lit(60.0)), second], how="diagonal")
    found = mark_work(log, DELAYS)
    assert found.height == log.height
    assert found["pass_number"].max() == 12
