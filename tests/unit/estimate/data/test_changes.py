"""Which adjustments are real, which belong together, and bins that never cross a change or a pass."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.bins import bin_work, interval_s
from chaffinch.pipelines.estimate.data.changes import group_changes, real_adjustments
from chaffinch.pipelines.estimate.results.crop_entered import of_all_that_entered

START = datetime(2026, 7, 20, 10, tzinfo=UTC)
UTC_MOMENT = pl.Datetime("us", "UTC")
LOSS_DELAY_S = 8.0


def adjustments(*rows: tuple) -> pl.DataFrame:
    """Rows (seconds, setting, from, to[, origin]) of one machine."""
    return pl.DataFrame(
        [
            {
                "row": i,
                "time": START + timedelta(seconds=r[0]),
                "machine": "A",
                "setting": r[1],
                "from_value": r[2],
                "to_value": r[3],
                "unit": "rpm",
                "kind": "number",
                "origin": r[4] if len(r) > 4 else "settings log",
            }
            for i, r in enumerate(rows)
        ],
        schema_overrides={"time": UTC_MOMENT, "from_value": pl.String(), "to_value": pl.String()},
    )


def work(*spans: tuple[float, float]) -> np.ndarray:
    """Clock seconds of usable readings, one a second, in the spans given (seconds after the start)."""
    return np.concatenate([START.timestamp() + np.arange(*span) for span in spans])


def settings_by_change(changes) -> list[list[str]]:
    return [sorted(c.rows["setting"].to_list()) for c in changes]


def test_a_row_that_changes_nothing_is_left_out():
    found = real_adjustments(adjustments((0, "fan_speed", "800", "850"), (600, "fan_speed", "850", "850")))
    assert found["to_value"].to_list() == ["850"]


def test_a_missing_value_before_is_the_machine_s_last_one():
    log = adjustments((0, "fan_speed", "800", "850"), (600, "fan_speed", None, "900"))
    assert real_adjustments(log)["from_value"].to_list() == ["800", "850"]


def test_a_repeat_of_the_last_value_is_no_change_even_where_the_value_before_is_missing():
    log = adjustments((0, "fan_speed", "800", "850"), (600, "fan_speed", None, "850"))
    assert real_adjustments(log).height == 1


def test_values_before_are_not_taken_from_another_machine():
    log = adjustments((0, "fan_speed", "800", "850"), (600, "fan_speed", None, "850"))
    two = log.with_columns(machine=pl.Series(["A", "B"]))
    assert real_adjustments(two)["from_value"].to_list() == ["800", None]


def test_a_service_has_no_values_and_is_real():
    assert real_adjustments(adjustments((0, "sieve_cleaning", None, None))).height == 1


@pytest.mark.parametrize("apart_s", [1, 119])
def test_one_change_logged_twice_is_one(apart_s):
    log = adjustments(
        (0, "fan_speed", "800", "850", "settings log"),
        (apart_s, "fan_speed", "800", "850", "setting column"),
    )
    found = real_adjustments(log)
    assert found["origin"].to_list() == ["settings log"]


def test_the_settings_log_stands_also_where_the_setting_column_came_first():
    log = adjustments(
        (0, "fan_speed", "800", "850", "setting column"),
        (20, "fan_speed", "800", "850", "settings log"),
    )
    assert real_adjustments(log)["origin"].to_list() == ["settings log"]


@pytest.mark.parametrize("origin", ["setting column", "task data"])
def test_the_settings_log_stands_whatever_log_tells_it_too(origin):
    result = [(0, "fan_speed", "800", "850"), (40, "fan_speed", "800", "850", origin)]
    assert real_adjustments(adjustments(*result))["origin"].to_list() == ["settings log"]


@pytest.mark.parametrize("row_of_log", [0, 1])
@pytest.mark.parametrize("to_value", ["850", "830"])
def test_a_setting_moved_in_one_second_is_one_row_whatever_values_both_logs_give(row_of_log, to_value):
    """A fan that adjusts itself ten seconds after it was set has left the value that was written down."""
    both = [(1000, "fan_speed", "800", to_value, "setting column")]
    both.insert(row_of_log, (1000, "fan_speed", "800", "850", "settings log"))
    found = real_adjustments(adjustments(*both, (2000, "fan_speed", to_value, "900", "setting column")))
    assert found["origin"].to_list() == ["settings log", "setting column"]
    assert found["to_value"].to_list() == ["850", "900"]


def test_a_fan_that_comes_to_the_value_set_by_itself_later_was_set_when_it_moved():
    log = adjustments(
        (1000, "fan_speed", "850", "800"),
        (1000, "fan_speed", "870", "820", "setting column"),
        (1021, "fan_speed", "820", "800", "setting column"),
    )
    changed = real_adjustments(log).select("made_at", "origin").rows()
    assert changed == [
        (START + timedelta(seconds=1000), "settings log"),
        (START + timedelta(seconds=1021), "setting column"),
    ]


def test_a_setting_that_moves_itself_half_a_minute_after_it_was_set_has_changed_twice():
    log = adjustments(
        (1000, "fan_speed", "800", "850"),
        (1000, "fan_speed", "800", "850", "setting column"),
        (1030, "fan_speed", "850", "830", "setting column"),
    )
    assert real_adjustments(log)["to_value"].to_list() == ["850", "830"]


def test_two_rows_of_a_log_that_move_one_setting_in_one_second_are_one_change():
    log = adjustments((1000, "fan_speed", "800", "850"), (1000, "fan_speed", "850", "900"))
    assert real_adjustments(log).select("from_value", "to_value").rows() == [("800", "900")]


def test_a_change_that_the_machine_logs_too_is_made_when_the_machine_logs_it():
    """The notebook has it 40 s later; fewer seconds are lost, and the clock of the notebook is not doubted for it."""
    log = adjustments(
        (1040, "fan_speed", "800", "850"),
        (1000, "fan_speed", "800", "850", "setting column"),
        (2000, "rotor_speed", "800", "850"),
    )
    seen, written = group_changes(real_adjustments(log), work((0, 3000)))
    assert (seen.first_s, seen.last_s) == (START.timestamp() + 1000,) * 2
    assert seen.rows["time"].to_list() == [START + timedelta(seconds=1040)]
    assert seen.washed_out_s == (2, 12) and not seen.by_settings_log
    assert written.washed_out_s == (6, 30) and written.by_settings_log


def test_rows_written_minutes_later_are_the_change_that_the_machine_logged():
    """Times to five minutes: each may have been made up to 9.5 minutes before; the fourth is in no other log."""
    made = (410, 1390, 3000)
    log = adjustments(
        *(
            (s, "fan_speed", str(800 + 50 * k), str(850 + 50 * k))
            for k, s in enumerate((600, 1800, 3300, 6600))
        ),
        *(
            (s, "fan_speed", str(800 + 50 * k), str(850 + 50 * k), "setting column")
            for k, s in enumerate(made)
        ),
    )
    found = real_adjustments(log)
    assert found.height == 4
    changes = group_changes(found, work((0, 9000)))
    assert [c.first_s - START.timestamp() for c in changes] == [*made, 6600 - 570]
    assert [c.time_uncertain_s for c in changes] == [0, 0, 0, 870]


def test_a_change_that_a_growing_export_holds_each_day_counts_once():
    one, other = (0, "fan_speed", "800", "850", "task data"), (900, "fan_speed", "850", "800", "task data")
    once = real_adjustments(adjustments(one, one, other))
    assert once["to_value"].to_list() == ["850", "800"]
    assert once["from_value"].to_list() == ["800", "850"]


def test_adjustments_far_apart_stand_on_their_own():
    log = adjustments((1000, "fan_speed", "800", "850"), (2000, "sieve_opening", "8", "9"))
    changes = group_changes(log, work((0, 3000)))
    assert settings_by_change(changes) == [["fan_speed"], ["sieve_opening"]]
    assert not any(c.is_joint for c in changes)


def test_adjustments_with_under_two_minutes_of_work_between_are_one_joint_change():
    log = adjustments((1000, "fan_speed", "800", "850"), (1100, "sieve_opening", "8", "9"))
    (change,) = group_changes(log, work((0, 3000)))
    assert change.is_joint
    assert change.last_s - change.first_s == 100


def test_time_that_is_not_work_does_not_part_adjustments():
    """Twenty minutes by the clock, but only 60 s of steady work: nothing can tell them apart."""
    log = adjustments((1000, "fan_speed", "800", "850"), (2200, "sieve_opening", "8", "9"))
    (change,) = group_changes(log, work((0, 1030), (2170, 3000)))
    assert change.is_joint


def test_a_chain_of_close_adjustments_is_one_change():
    log = adjustments(*[(1000 + 100 * i, f"setting_{i}", "1", "2") for i in range(4)])
    assert len(group_changes(log, work((0, 3000)))) == 1


def test_no_adjustments_no_changes():
    assert group_changes(adjustments((0, "fan_speed", "1", "2")).head(0), work((0, 100))) == []


def marked_log(seconds: int = 3000, interval: int = 1, pass_s: int = 400, turn_s: int = 20) -> pl.DataFrame:
    """Readings as ``mark_work`` gives them: usable but for turns; hardly varying signals."""
    clock = np.arange(0, seconds, interval)
    place = clock % (pass_s + turn_s)
    usable = place < pass_s
    n = clock.size
    return pl.DataFrame(
        {
            "time": pl.Series([START + timedelta(seconds=int(t)) for t in clock], dtype=UTC_MOMENT),
            "machine": ["A"] * n,
            "field": ["Mill"] * n,
            "crop": ["wheat"] * n,
            "usable": usable,
            "pass_number": pl.Series(np.where(usable, clock // (pass_s + turn_s) + 1, 0)).replace(0, None),
            "feed_rate_t_h": np.full(n, 36.0),
            "moisture_aligned_pct": np.full(n, 14.0),
            "roll_deg": np.zeros(n),
            "pitch_deg": np.zeros(n),
            "latitude": np.full(n, 52.0),
            "longitude": np.full(n, -1.0),
            "speed_m_s": np.full(n, 2.0),
            "working_width_m": np.full(n, 8.0),
            "separation_loss_signal": 20.0 + 1e-6 * clock,
            "cleaning_loss_signal": 10.0 + 1e-6 * clock,
            "separation_loss_aligned": 20.0 + 1e-6 * clock,
            "cleaning_loss_aligned": 10.0 + 1e-6 * clock,
        }
    )


@pytest.mark.parametrize("interval", [1, 2, 5])
def test_bins_cross_neither_a_pass_nor_a_change(interval):
    log = adjustments((901, "fan_speed", "800", "850"), (1777, "fan_speed", "850", "900"))
    marked = marked_log(interval=interval)
    binned = bin_work(marked, log, LOSS_DELAY_S)
    span = (binned.seconds - interval) / 2
    first, last = binned.time_s - span, binned.time_s + span
    start = START.timestamp()
    assert ((first - start) // 420 == (last - start) // 420).all(), "a bin crosses a turn"
    assert ((last - start) % 420 < 400).all(), "a bin holds seconds of a turn"
    for k, moment in enumerate((901, 1777)):
        before = binned.step <= k
        assert (last[before] - start <= moment - LOSS_DELAY_S - 6).all()
        assert (first[~before] - start >= moment - LOSS_DELAY_S + 30).all()
    assert set(binned.step) == {0, 1, 2}


@pytest.mark.parametrize(
    ("origin", "before_s", "after_s"),
    [("settings log", 6, 30), ("setting column", 2, 12), ("task data", 2, 12)],
)
def test_bins_lose_only_the_washed_out_seconds(origin, before_s, after_s):
    """Fewer seconds where the machine logs the setting itself; all earlier by the delay of the loss."""
    marked = marked_log()
    whole = bin_work(marked, adjustments((0, "x", "1", "2")).head(0), LOSS_DELAY_S)
    one = bin_work(marked, adjustments((1000, "fan_speed", "800", "850", origin)), LOSS_DELAY_S)
    assert whole.seconds.sum() == marked["usable"].sum()
    assert whole.seconds.sum() - one.seconds.sum() == pytest.approx(before_s + after_s, abs=1)
    shown = one.time_s + LOSS_DELAY_S - START.timestamp() - 1000
    assert (shown[one.step == 0] < -before_s).all()
    assert (shown[one.step == 1] > after_s - 0.5).all()
    assert shown[one.step == 1].min() < after_s + 10


def test_bins_hold_what_their_seconds_hold():
    """Signal 20 per s at 10 kg/s: log loss share ln 2 in every bin; area 16 m2/s; both signals 30."""
    binned = bin_work(marked_log(), adjustments((1000, "fan_speed", "800", "850")), LOSS_DELAY_S)
    np.testing.assert_allclose(binned.outcomes["separation_loss"], np.log(2.0), atol=1e-3)
    np.testing.assert_allclose(binned.outcomes["throughput"], np.log(36.0))
    np.testing.assert_allclose(binned.area_m2_s, 16.0)
    np.testing.assert_allclose(binned.loss_signal, 30.0, atol=0.01)
    assert binned.seconds_around(0) == (
        binned.seconds[binned.step == 0].sum(),
        binned.seconds[binned.step == 1].sum(),
    )


def test_a_field_job_summed_up_says_the_same_of_the_work_around_its_changes():
    """By arithmetic: signal 30 over 16 m2 a second; 36 t/h; the signals do not move with the change."""
    binned = bin_work(marked_log(), adjustments((1000, "fan_speed", "800", "850")), LOSS_DELAY_S)
    summed = binned.summed_up()
    around = summed.around(0)
    assert around == binned.around(0) and summed.seconds_around(0) == binned.seconds_around(0)
    assert around.signal_per_m2 == pytest.approx(30 / 16, rel=1e-3)
    assert around.log_feed == pytest.approx(np.log(36.0))
    assert around.plain_percent["separation_loss"] == pytest.approx(0.0, abs=0.2)
    assert summed.place == binned.place and summed.time_s[0] == binned.time_s[0]
    assert summed.seconds.size == 1 < binned.seconds.size


def test_adjustments_outside_the_work_are_no_changes():
    log = adjustments((-500, "fan_speed", "800", "850"), (9000, "fan_speed", "850", "900"))
    assert bin_work(marked_log(), log, LOSS_DELAY_S).changes == []


def test_calibrated_losses_are_shares_of_kept_and_lost():
    """Twice 0.5 kg/s lost and 10 kg/s kept: 0.5 / 11, at a feed rate of 39.6 t/h; 36 t/h are throughput."""
    marked = marked_log().drop("separation_loss_signal", "cleaning_loss_signal")
    n = marked.height
    wave = 1 + 1e-6 * np.arange(n)
    marked = marked.with_columns(
        separation_loss_kg_s=pl.Series(0.5 * wave),
        cleaning_loss_kg_s=pl.Series(0.5 * wave),
        separation_loss_aligned=pl.Series(0.5 * wave),
        cleaning_loss_aligned=pl.Series(0.5 * wave),
    )
    binned = bin_work(marked, adjustments((1000, "x", "1", "2")), LOSS_DELAY_S)
    assert binned.calibrated
    (binned,) = of_all_that_entered([binned], {})
    np.testing.assert_allclose(binned.outcomes["separation_loss"], np.log(0.5 / 11.0), atol=5e-3)
    np.testing.assert_allclose(binned.outcomes["machine_loss"], np.log(1.0 / 11.0), atol=5e-3)
    np.testing.assert_allclose(binned.feed_t_h, 39.6, rtol=1e-3)
    np.testing.assert_allclose(binned.outcomes["throughput"], np.log(36.0))


def test_a_dead_signal_is_named():
    marked = marked_log().with_columns(separation_loss_aligned=pl.lit(5.0))
    binned = bin_work(marked, adjustments((1000, "x", "1", "2")), LOSS_DELAY_S)
    assert binned.flaws["separation_loss"] == ["signal_dead"]
    assert binned.flaws["cleaning_loss"] == []


def test_a_signal_at_its_ceiling_is_named():
    rng = np.random.default_rng(2)
    signal = np.minimum(rng.gamma(4.0, 5.0, marked_log().height), 30.0)
    marked = marked_log().with_columns(separation_loss_aligned=pl.Series(signal))
    binned = bin_work(marked, adjustments((1000, "x", "1", "2")), LOSS_DELAY_S)
    assert binned.flaws["separation_loss"] == ["signal_saturated"]


@pytest.mark.parametrize(("band", "flaws"), [(0.0, []), (9.0, ["signal_often_zero"])])
def test_a_signal_with_a_dead_band_is_named(band, flaws):
    """A signal around 10 that swings over minutes; under a dead band of 9 it is zero for whole bins."""
    second = np.arange(marked_log().height)
    signal = 10 + 4 * np.sin(second / 60) + np.random.default_rng(3).normal(0, 0.5, second.size)
    marked = marked_log().with_columns(separation_loss_aligned=pl.Series(np.maximum(signal - band, 0.0)))
    binned = bin_work(marked, adjustments((1000, "x", "1", "2")), LOSS_DELAY_S)
    assert binned.flaws["separation_loss"] == flaws
    assert binned.flaws["machine_loss"] == [*flaws, "uncalibrated_sum"]


def test_drop_outs_are_unknown_and_counts_of_few_kernels_are_not():
    rng = np.random.default_rng(5)
    n = marked_log().height
    steady, counts = rng.normal(10, 0.5, n), rng.poisson(1.0, n).astype(float)
    out = np.where(np.arange(n) % 300 < 15, 0.0, steady)
    # Moved by part of a second, a count is seldom zero, and has values between the kernels.
    moved = 0.7 * counts + 0.3 * np.roll(counts, 1)
    means = []
    for logged, aligned in ((steady, steady), (out, out), (counts, counts), (counts, moved)):
        columns = {"separation_loss_signal": logged, "separation_loss_aligned": aligned}
        marked = marked_log().with_columns(**{name: pl.Series(signal) for name, signal in columns.items()})
        binned = bin_work(marked, adjustments((1000, "x", "1", "2")), LOSS_DELAY_S)
        means.append(np.nanmean(binned.outcomes["separation_loss"]))
        assert binned.flaws["separation_loss"] == []
    assert means[1] == pytest.approx(means[0], abs=0.01)
    # 36 t/h are 10 kg/s: one kernel a second on average, the seconds without one included; the mean logarithm of a
    # Poisson count of 10 is 1/20 below the logarithm of its mean.
    assert means[2:] == pytest.approx([np.log(1.0 / 10) - 0.05] * 2, abs=0.03)


def test_no_usable_reading_no_bins():
    marked = marked_log().with_columns(usable=pl.lit(False))
    assert bin_work(marked, adjustments((1000, "x", "1", "2")), LOSS_DELAY_S) is None


def test_usual_interval_is_not_fooled_by_gaps():
    assert interval_s(np.array([0.0, 2, 4, 6, 500, 502])) == 2.0
