"""Clocks of settings logs and steps that were not logged, on invented logs with known answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.clocks.by_responses import (
    clock_offsets,
    evidence,
    offsets_by_responses,
    taken_for_others,
)
from chaffinch.pipelines.estimate.clocks.scan import OFFSETS_S, SPREAD, log_bayes_factors, steps_at_offsets
from chaffinch.pipelines.estimate.data.changes import group_changes, real_adjustments
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset, offset_by_set_values
from chaffinch.pipelines.estimate.model.change_points import scan_change_points
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.noise import Noise

START = datetime(2026, 7, 20, 10, tzinfo=UTC)
NOISE = Noise(np.array([1.0, 0.1, 0.2, 0.2]), 1.0)


def adjustments(times_s: list[float], values: list[str], origin: str, row: int = 1) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "machine": "North",
            "time": [START + timedelta(seconds=t) for t in times_s],
            "setting": "fan_speed",
            "from_value": pl.Series([None] * len(values), dtype=pl.String),
            "to_value": values,
            "kind": "number",
            "unit": "rpm",
            "origin": origin,
            "row": range(row, row + len(values)),
        },
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )


SEEN = adjustments([0, 1800, 4000, 7000], ["900", "950", "900", "1000"], "setting column", row=50)


def test_set_values_in_both_logs_tell_the_clock_to_the_second():
    written = adjustments([137, 1939, 4136, 7138], ["900", "950", "900", "1000"], "settings log")
    found = offset_by_set_values(pl.concat([SEEN, written]))
    assert found is not None
    assert found.sure
    assert found.low <= 137 <= found.high
    assert found.high - found.low < 10


def test_logs_that_share_no_values_or_lie_apart_unevenly_tell_nothing():
    other = adjustments([137, 1939, 4136, 7138], ["1", "2", "3", "4"], "settings log")
    assert offset_by_set_values(pl.concat([SEEN, other])) is None
    uneven = adjustments([100, 2300, 4000 - 700, 7000 + 1500], ["900", "950", "900", "1000"], "settings log")
    assert offset_by_set_values(pl.concat([SEEN, uneven])) is None
    assert offset_by_set_values(SEEN) is None


def test_a_change_in_two_logs_counts_once_and_at_the_harvest_log_s_time():
    written = adjustments([437, 2239, 4436, 7438], ["900", "950", "900", "1000"], "settings log")
    result = real_adjustments(pl.concat([SEEN, written]))
    assert result["origin"].unique().to_list() == ["settings log"]
    assert result["made_at"].to_list() == SEEN["time"].to_list()
    assert result["clock_off_s"].unique().to_list() == pytest.approx([437], abs=2)
    changes = group_changes(result, np.arange(0, 9000.0) + START.timestamp())
    assert changes[-1].first_s == START.timestamp() + 7000
    assert changes[-1].rows["time"][0] == START + timedelta(seconds=7438)
    assert not changes[-1].by_settings_log


def test_clocks_that_agree_within_seconds_are_compared_and_the_machine_s_moment_counts():
    written = adjustments([3, 1803, 4002, 7004], ["900", "950", "900", "1000"], "settings log")
    result = real_adjustments(pl.concat([SEEN, written]))
    assert result["made_at"].to_list() == SEEN["time"].to_list()
    assert result["clock_off_s"].drop_nulls().abs().max() < 5


def offset(result: list[np.ndarray], reacted: bool = False) -> ClockOffset:
    """Of the one machine of a season."""
    return offsets_by_responses({"North": evidence(result)}, reacted)["North"]


THREE_MINUTES_EARLY = (20 * np.exp(-0.5 * ((OFFSETS_S - 180) / 60) ** 2))[:, None]
NOTHING = np.zeros((OFFSETS_S.size, 1))


def test_responses_that_all_fit_best_three_minutes_early_are_sure():
    found = offset([THREE_MINUTES_EARLY] * 4)
    assert found.sure
    assert not found.doubtful
    assert found.low <= 180 <= found.high
    assert found.seconds == pytest.approx(180, abs=15)


def test_what_one_machine_field_alone_tells_moves_no_clock_and_casts_no_doubt():
    """A burst of loss before a single change can be worth any odds."""
    found = offset([10 * THREE_MINUTES_EARLY, NOTHING, NOTHING])
    assert not found.sure
    assert not found.doubtful
    assert found.seconds == pytest.approx(180, abs=15)


def test_where_other_clocks_of_the_season_are_off_less_is_believed_of_one():
    """Two fields of machine South speak for three minutes; North's four say nothing, or the same."""
    little = [THREE_MINUTES_EARLY] * 2
    alone, nearby = (
        offsets_by_responses({"North": evidence(north), "South": evidence(little)})["South"]
        for north in ([NOTHING] * 4, [THREE_MINUTES_EARLY] * 4)
    )
    assert not alone.sure
    assert alone.doubtful and alone.ranged
    assert alone.low < 180 < alone.high
    assert nearby.sure


def test_changes_made_because_loss_had_spiked_move_no_clock():
    found = offset([THREE_MINUTES_EARLY] * 4, reacted=True)
    assert not found.sure
    assert found.doubtful
    assert not found.ranged, "the range is that of what came before the spike"


def test_responses_that_say_little_are_reported_and_never_applied():
    found = offset(list(np.random.default_rng(1).normal(0, 1, (2, OFFSETS_S.size, 1))))
    assert not found.sure
    assert not found.doubtful
    assert found.low <= 0 <= found.high
    at_the_edge = offset([np.maximum(OFFSETS_S - 540, 0.0)[:, None]] * 4)
    assert not at_the_edge.sure
    assert at_the_edge.doubtful
    assert not at_the_edge.ranged, "it may be off by more than was tried"


def test_one_minute_is_no_offset():
    """Sensor delays and effects that fade in make changes fit best a little late."""
    found = offset([np.roll(THREE_MINUTES_EARLY, -12, axis=0)] * 4)
    assert not found.sure
    assert not found.doubtful


BIN_TIMES_S = np.arange(1080) * 10.0
TEN_SECONDS = np.full(BIN_TIMES_S.size, 10.0)


@cache
def root_of_covariance() -> np.ndarray:
    lag = np.abs(BIN_TIMES_S[:, None] - BIN_TIMES_S[None, :])
    dense = sum(v * np.exp(-lag / s) for v, s in zip(NOISE.scale_variances, NOISE.scales_s, strict=True))
    return np.linalg.cholesky(dense + 0.1 * np.eye(BIN_TIMES_S.size))


def drawn(step: float, seed: int) -> Observations:
    """Three hours of ten-second bins with noise of NOISE, one logged change in the middle, one step at 3/4."""
    n = BIN_TIMES_S.size
    y = root_of_covariance() @ np.random.default_rng(seed).standard_normal(n)
    design = np.column_stack([np.arange(n) >= n // 2, np.ones(n)]).astype(float)
    return Observations(BIN_TIMES_S, design, y + step * (np.arange(n) >= 3 * n // 4), np.full(n, 0.1))


ONE_CHANGE = SimpleNamespace(changes=[SimpleNamespace(logged_s=5400.0, by_settings_log=True)])


@pytest.mark.seconds
def test_a_step_that_nothing_tells_of_is_found_where_it_is():
    (found,) = scan_change_points(drawn(6.0, 3), NOISE)
    assert abs(found.time_s - 8100) <= 60
    assert abs(found.estimate - 6.0) < 4 * found.error


@pytest.mark.seconds
def test_noise_alone_shows_no_step():
    found = [scan_change_points(drawn(0.0, seed), NOISE) for seed in range(8)]
    assert not any(found)


def test_a_logged_change_that_came_earlier_fits_best_there():
    """The logged change lies at 5400 s; the step at 8100 s is what it did, so its log is 45 min early: out of
    reach. Moved to 5700 s it is within reach."""
    one = drawn(0.0, 4)
    late = one.log_outcome + 6.0 * (one.time_s >= 5700)
    moved = Observations(one.time_s, one.design, late, one.white)
    result = log_bayes_factors(steps_at_offsets(moved, NOISE, (0,), ONE_CHANGE, TEN_SECONDS))
    assert OFFSETS_S[int(np.argmax(result[:, 0]))] == pytest.approx(-300, abs=20)


@pytest.mark.seconds
def test_tried_every_ten_seconds_a_sharp_step_tells_its_moment_to_a_bin():
    """Logged at 5400 s, made at 5574 s, within a bin: what it did in that bin is part of what it did."""
    one = drawn(0.0, 4)
    share = ((one.time_s - 5574.0) / 10.0 + 0.5).clip(0, 1)
    stepped = Observations(one.time_s, one.design, one.log_outcome + 6.0 * share, one.white)
    result = log_bayes_factors(steps_at_offsets(stepped, NOISE, (0,), ONE_CHANGE, TEN_SECONDS))
    assert result.shape == (OFFSETS_S.size, 1)
    assert OFFSETS_S[int(np.argmax(result[:, 0]))] == pytest.approx(-174.0, abs=10.0)
    # A minute off, the edge lies six bins from where it is: as good as excluded.
    minute_off = result[int(np.argmin(np.abs(OFFSETS_S + 234.0))), 0]
    assert result.max() - minute_off > 5.0


@pytest.mark.seconds
def test_changes_that_did_nothing_do_not_speak_for_another_clock():
    """Eight idle changes in each of ten field jobs of each of two machines: their squared scores add up to
    more than any clear gain at one offset or another, and tell nothing."""
    moments = np.arange(1, 9) * 1200.0
    rows = pl.DataFrame(
        {"setting": "fan_speed", "from_value": "900", "to_value": "950", "kind": "number", "unit": "rpm"}
    )
    changes = [SimpleNamespace(logged_s=s, by_settings_log=True, is_joint=False, rows=rows) for s in moments]
    idle = SimpleNamespace(changes=changes)
    result = []
    for seed in range(100, 120):
        one = drawn(0.0, seed)
        steps = [(one.time_s >= s).astype(float) for s in moments]
        design = np.column_stack([*steps, np.ones(one.time_s.size)])
        observed = replace(one, design=design)
        found = steps_at_offsets(observed, NOISE, tuple(range(8)), idle, TEN_SECONDS)
        result.append((idle, found[:, :, None, :]))
    found = clock_offsets({"North": result[:10], "South": result[10:]}, {})
    assert not any(clock.sure or clock.doubtful for clock in found.values())


EVERY_EIGHT_MINUTES = 480.0 * np.arange(10)


@pytest.mark.parametrize(
    ("offset_s", "share"),
    [
        (480.0, 0.9),  # each but the first comes to stand where the one before it was logged
        (-480.0, 0.9),
        (540.0, 0.9),  # near enough to be met by its response
        (240.0, 0.0),  # half-way between two others
        (0.0, 0.0),  # its own place is no other's
    ],
)
def test_a_clock_off_by_one_run_confuses_changes(offset_s, share):
    assert taken_for_others([EVERY_EIGHT_MINUTES], offset_s) == pytest.approx(share)


def test_changes_far_apart_or_none_are_taken_for_no_others():
    assert taken_for_others([np.array([0.0, 5000.0]), np.array([300.0])], 300.0) == 0.0
    assert taken_for_others([np.empty(0)], 480.0) == 0.0


def as_steps(factors: np.ndarray) -> np.ndarray:
    """Estimates with errors of one, (2, 121, one loss, changes), that have these ``log_bayes_factors``."""
    scores = np.sqrt(np.maximum(2 * (factors + 0.5 * np.log1p(SPREAD)) * (1 + SPREAD) / SPREAD, 0.0))
    return np.stack([scores, np.ones_like(scores)])[:, :, None, :]


def fields_changed_at(moments_s: np.ndarray) -> list[SimpleNamespace]:
    changes = [SimpleNamespace(logged_s=t, by_settings_log=True, is_joint=True) for t in moments_s]
    return [SimpleNamespace(machine="North", changes=changes) for _ in range(4)]


def test_a_right_clock_is_not_moved_by_one_run_between_changes():
    """Evidence for an offset that stands where the next change was logged: doubtful, never applied."""
    one = fields_changed_at(EVERY_EIGHT_MINUTES)
    result = np.full((OFFSETS_S.size, 10), -1.6)
    result[int(np.argmin(np.abs(OFFSETS_S - 480.0)))] = 4.0
    season = {"separation_loss": SimpleNamespace(reacted=False)}
    assert offset([result] * 4).sure
    found = clock_offsets({"North": [(binned, as_steps(result)) for binned in one]}, season)["North"]
    assert found.doubtful
    assert not found.sure
    assert found.seconds == pytest.approx(480.0, abs=60)
