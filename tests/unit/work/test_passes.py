"""Runs through the crop, classes of work and bringing channels to one moment, on hand-made logs."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from chaffinch.pipelines.work import mark_work
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, Delays, Lag
from chaffinch.pipelines.work.passes import number_passes, since_start_and_to_end, working_state
from chaffinch.pipelines.work.series import shifted

START = datetime(2026, 7, 20, 10, tzinfo=UTC)
NONE = np.array([np.nan])


def on_and_off(*spans: tuple[int, bool]) -> tuple[np.ndarray, np.ndarray]:
    """One-second clock and work state from (seconds, working) spans."""
    working = np.concatenate([np.full(seconds, state) for seconds, state in spans])
    return np.arange(working.size, dtype=float), working


def test_two_passes_with_a_turn_between():
    numbers = number_passes(*on_and_off((60, True), (20, False), (60, True)))
    assert (numbers[:60] == 1).all()
    assert (numbers[60:80] == 0).all()
    assert (numbers[80:] == 2).all()


def test_a_flicker_of_the_work_state_ends_no_pass():
    numbers = number_passes(*on_and_off((30, True), (2, False), (30, True)))
    assert set(numbers[:30]) == set(numbers[32:]) == {1}
    assert (numbers[30:32] == 0).all()


def test_a_run_of_under_twenty_seconds_is_no_pass_and_gets_no_number():
    numbers = number_passes(*on_and_off((15, True), (30, False), (60, True)))
    assert (numbers[:45] == 0).all()
    assert (numbers[45:] == 1).all()


def test_a_gap_in_the_log_ends_a_pass():
    time_s = np.r_[np.arange(60.0), np.arange(75.0, 135.0)]
    numbers = number_passes(time_s, np.ones(120, dtype=bool))
    assert (numbers[:60] == 1).all()
    assert (numbers[60:] == 2).all()


def test_no_work_no_passes():
    assert (number_passes(np.arange(9.0), np.zeros(9, dtype=bool)) == 0).all()


def test_seconds_since_start_and_to_end():
    time_s = np.arange(7.0)
    since, until = since_start_and_to_end(time_s, np.array([0, 1, 1, 1, 0, 2, 2], dtype=np.int32))
    np.testing.assert_array_equal(since, [np.nan, 0, 1, 2, np.nan, 0, 1])
    np.testing.assert_array_equal(until, [np.nan, 2, 1, 0, np.nan, 1, 0])


def test_the_logged_work_state_rules_but_a_standing_machine_is_not_working():
    state = working_state(
        np.array([1, 1, 0, np.nan]), np.array([2.0, 0.0, 2.0, 2.0]), np.full(4, np.nan), 0.0, np.arange(4.0)
    )
    assert state.tolist() == [True, False, False, False]


def test_without_a_work_state_grain_flow_tells_ahead_of_its_delay():
    flow = np.where((np.arange(60) >= 20) & (np.arange(60) < 50), 5.0, 0.0)
    state = working_state(np.full(60, np.nan), np.full(60, 2.0), flow, 10.0, np.arange(60.0))
    assert np.flatnonzero(state).tolist() == list(range(10, 40))


def test_without_flow_speed_tells():
    speed = np.array([0.0, 0.2, 1.5])
    state = working_state(np.full(3, np.nan), speed, np.full(3, np.nan), 0.0, np.arange(3.0))
    assert state.tolist() == [False, False, True]


def test_shifted_brings_later_values_forward():
    moved = shifted(np.arange(10.0), np.arange(10.0) ** 2, 3.0)
    np.testing.assert_allclose(moved[:7], (np.arange(7.0) + 3) ** 2)
    assert np.isnan(moved[7:]).all()


def test_shifted_by_part_of_a_second_is_between():
    assert shifted(np.arange(4.0), np.array([0.0, 10, 20, 30]), 0.5)[:3].tolist() == [5, 15, 25]


def test_shifted_invents_nothing_in_a_hole():
    time_s = np.array([0.0, 1, 2, 12, 13, 14])
    moved = shifted(time_s, np.arange(6.0), 1.0)
    # 2 + 1 s lies in the hole of ten seconds; the others do not.
    np.testing.assert_array_equal(np.isnan(moved), [False, False, True, False, False, True])


def field_log(spans: list[tuple[int, bool]], seed: int = 1, **columns: np.ndarray) -> pl.DataFrame:
    """A log at 1 s: grain flow follows the intake by 12 s, both loss signals by 8 s."""
    time_s, working = on_and_off(*spans)
    intake = np.where(working, 5.0, 0.0)

    def late(seconds: int) -> np.ndarray:
        return np.r_[np.zeros(seconds), intake[: intake.size - seconds]]

    frame = {
        "time": [START + timedelta(seconds=float(t)) for t in time_s],
        "machine": ["A"] * time_s.size,
        "field": ["Mill"] * time_s.size,
        "crop": ["wheat"] * time_s.size,
        "speed_m_s": np.where(working, 2.0, 1.0),
        "working": working.astype(int),
        "working_width_m": np.full(time_s.size, 8.0),
        "grain_flow_kg_s": late(12),
        "separation_loss_signal": 3 * late(8),
        "cleaning_loss_signal": 2 * late(8),
    }
    return pl.DataFrame({**frame, **columns})


DELAYS = Delays(Lag(12.0, 0.2), Lag(8.0, 0.2), Lag(8.0, 0.2), Lag(15.0, 0.2))


def test_every_row_stays_and_rows_are_sorted():
    log = field_log([(40, False), (120, True), (40, False)])
    marked = mark_work(log.sample(fraction=1.0, shuffle=True, seed=3), DELAYS)
    assert marked.height == log.height
    assert marked["time"].to_list() == log["time"].to_list()


def test_classes_of_a_pass():
    """15 s of lead-in, 4 s of lead-out, turn outside, steady between."""
    marked = mark_work(field_log([(40, False), (120, True), (40, False)]), DELAYS)
    classes = marked["work_class"].to_list()
    assert set(classes[:40]) == set(classes[160:]) == {"turn"}
    assert set(classes[40:55]) == {"lead_in"}
    assert set(classes[55:156]) == {"steady"}
    assert set(classes[156:160]) == {"lead_out"}


def test_channels_meet_at_the_moment_of_intake():
    """5 kg/s is 18 t/h at every steady second; losses are 15 and 10 of their unit there."""
    marked = mark_work(field_log([(40, False), (120, True), (40, False)]), DELAYS)
    steady = marked.filter(pl.col("work_class") == "steady")
    np.testing.assert_allclose(steady["feed_rate_t_h"].to_numpy(), 18.0)
    np.testing.assert_allclose(steady["separation_loss_aligned"].to_numpy(), 15.0)
    np.testing.assert_allclose(steady["cleaning_loss_aligned"].to_numpy(), 10.0)


def test_only_steady_readings_are_usable():
    marked = mark_work(field_log([(40, False), (120, True), (40, False)]), DELAYS)
    assert set(marked.filter("usable")["work_class"]) == {"steady"}
    assert marked["usable"].sum() == 101


def test_standing_still_is_a_stop():
    log = field_log([(60, True), (30, False), (60, True)])
    standing = pl.when(pl.int_range(pl.len()).is_between(65, 84)).then(0.0).otherwise("speed_m_s")
    marked = mark_work(log.with_columns(standing.alias("speed_m_s")), DELAYS)
    assert set(marked["work_class"][65:85]) == {"stop"}


def test_an_empty_log_is_marked_empty():
    marked = mark_work(field_log([(30, True)]).head(0))
    assert marked.height == 0
    assert {"usable", "feed_rate_t_h", "work_class", "pass_number"} <= set(marked.columns)


def test_a_log_too_short_to_tell_gets_the_default_delays():
    from chaffinch.pipelines.work import machine_delays

    delays = machine_delays(field_log([(60, True)]))
    assert delays == DEFAULT_DELAYS
    assert not delays.grain.estimated
